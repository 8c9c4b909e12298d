/* talk.c - lines, times and sizes for people. */
#include "cli/talk.h"

#include <stdarg.h>

enum { LINE_BYTES = 4096 };

void rf_talk(FILE *out, const char *format, ...)
{
    char line[LINE_BYTES];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(line, sizeof line, format, args);
    va_end(args);
    for (const char *at = line; *at != '\0'; at++) {
        unsigned char byte = (unsigned char)*at;
        if (byte == '\n')
            fputs("\\n", out);
        else if (byte == '\t')
            fputs("\\t", out);
        else if (byte < 0x20 || byte == 0x7f)
            fprintf(out, "\\x%02x", byte);
        else
            fputc(byte, out);
    }
    fputc('\n', out);
}

const char *rf_talk_duration(char *out, size_t bytes, double seconds)
{
    double whole = seconds + 0.5;
    if (seconds < 9.95)
        (void)snprintf(out, bytes, "%.1f s", seconds < 0 ? 0 : seconds);
    else if (whole < 60)
        (void)snprintf(out, bytes, "%d s", (int)whole);
    else if (whole < 3600)
        (void)snprintf(out, bytes, "%d min %02d s", (int)whole / 60, (int)whole % 60);
    else if (whole < 3600.0 * 1000)
        (void)snprintf(out, bytes, "%d h %02d min", (int)whole / 3600, (int)whole % 3600 / 60);
    else
        (void)snprintf(out, bytes, "%.0f h", whole / 3600);
    return out;
}

const char *rf_talk_bytes(char *out, size_t bytes, double count)
{
    static const char *const names[] = {"bytes", "KiB", "MiB", "GiB", "TiB"};
    int name = 0;
    for (; count >= 1024 && name < 4; name++)
        count /= 1024;
    (void)snprintf(out, bytes, name == 0 || count >= 99.95 ? "%.0f %s" : "%.1f %s", count, names[name]);
    return out;
}

const char *rf_talk_count(char *out, size_t bytes, int count, const char *noun)
{
    (void)snprintf(out, bytes, "%d %s%s", count, noun, count == 1 ? "" : "s");
    return out;
}

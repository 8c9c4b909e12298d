/* plan_text.c - building text, and numbers as people write them. */
#include "plan/plan_parts.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "railfold/memory.h"

enum { FIRST_ROOM = 4096 };

plan_text plan_text_begin(rf_error *err)
{
    plan_text text = {.status = RF_OK, .err = err};
    text.status = rf_alloc_raw(&text.bytes, FIRST_ROOM, 1, "the plan's text", err);
    if (text.status == RF_OK) {
        text.room = FIRST_ROOM;
        text.bytes[0] = '\0';
    }
    return text;
}

/* Makes room for `more` bytes and the final NUL. */
static int grow(plan_text *text, size_t more)
{
    size_t wanted = text->length + more + 1, room = text->room;
    char *bytes;
    if (wanted <= room)
        return 1;
    while (room < wanted)
        room *= 2;
    text->status = rf_alloc_raw(&bytes, room, 1, "the plan's text", text->err);
    if (text->status != RF_OK)
        return 0;
    memcpy(bytes, text->bytes, text->length + 1);
    rf_free(text->bytes);
    text->bytes = bytes;
    text->room = room;
    return 1;
}

void plan_text_add(plan_text *text, const char *format, ...)
{
    va_list args, again;
    if (text->status != RF_OK)
        return;
    va_start(args, format);
    va_copy(again, args);
    int bytes = vsnprintf(NULL, 0, format, args);
    va_end(args);
    if (bytes >= 0 && grow(text, (size_t)bytes)) {
        (void)vsnprintf(text->bytes + text->length, (size_t)bytes + 1, format, again);
        text->length += (size_t)bytes;
    }
    va_end(again);
}

void plan_text_add_number(plan_text *text, const char *format, double number)
{
    size_t from = text->length, to = from;
    plan_text_add(text, format, number);
    for (size_t at = from; at < text->length; at++) { /* a decimal sign may be a comma, or several bytes */
        if (strchr("0123456789+-e.", text->bytes[at]) != NULL)
            text->bytes[to++] = text->bytes[at];
        else if (to == from || text->bytes[to - 1] != '.')
            text->bytes[to++] = '.';
    }
    if (text->status == RF_OK) {
        text->length = to;
        text->bytes[to] = '\0';
    }
}

void plan_text_wrap(plan_text *text, const char *lead, const char *words, int columns)
{
    int indent = (int)strlen(lead), at = indent;
    plan_text_add(text, "%s", lead);
    while (*words != '\0') {
        int word = (int)strcspn(words, " ");
        if (strncmp(words + word, " %", 2) == 0) /* a number and its sign stay together */
            word += 1 + (int)strcspn(words + word + 1, " ");
        if (at > indent && at + 1 + word > columns) {
            plan_text_add(text, "\n%*s", indent, "");
            at = indent;
        }
        plan_text_add(text, "%s%.*s", at > indent ? " " : "", word, words);
        at += word + (at > indent);
        words += word;
        words += strspn(words, " ");
    }
    plan_text_add(text, "\n");
}

rf_status plan_text_end(plan_text *text, char **out)
{
    if (text->status != RF_OK) {
        rf_free(text->bytes);
        text->bytes = NULL;
    }
    *out = text->bytes;
    return text->status;
}

const char *plan_show_number(char *out, double number)
{
    double size = fabs(number);
    int decimals = 0;
    if (!isfinite(number)) {
        (void)snprintf(out, PLAN_NUMBER_BYTES, "-");
        return out;
    }
    if (size > 0 && size < 99.95) /* from the value as it will be rounded: 9.996 is 10.0, not 10.00 */
        decimals = size < 1e-6 ? 8 : 2 - (int)floor(log10(size * 1.0005));
    (void)snprintf(out, PLAN_NUMBER_BYTES, "%.*f", decimals, number);
    if (strchr(out, '.') != NULL) {
        size_t length = strlen(out);
        while (out[length - 1] == '0')
            out[--length] = '\0';
        if (out[length - 1] == '.')
            out[--length] = '\0';
    }
    return out;
}

const char *plan_show_length(char *out, double mm)
{
    char number[PLAN_NUMBER_BYTES];
    int fine = isfinite(mm) && fabs(mm) < 0.09995 && mm != 0;
    (void)snprintf(out, PLAN_NUMBER_BYTES, "%.20s %s", plan_show_number(number, fine ? mm * 1000 : mm),
                   fine ? "um" : "mm");
    return out;
}

const char *plan_show_shutter(char *out, double seconds)
{
    char number[PLAN_NUMBER_BYTES];
    double mark = rf_plan_nearest_shutter_mark_s(seconds);
    if (seconds < 0.27 && fabs(rf_plan_exact_shutter_s(mark) / seconds - 1) < 0.005)
        (void)snprintf(out, PLAN_NUMBER_BYTES, "1/%.0f s", 1 / mark); /* 1/128 s is what the dial calls 1/125 */
    else if (seconds < 0.27)
        (void)snprintf(out, PLAN_NUMBER_BYTES, "1/%.20s s", plan_show_number(number, 1 / seconds));
    else
        (void)snprintf(out, PLAN_NUMBER_BYTES, "%.20s s", plan_show_number(number, seconds));
    return out;
}

const char *plan_show_duration(char *out, double seconds)
{
    if (seconds < 59.5) {
        char number[PLAN_NUMBER_BYTES];
        (void)snprintf(out, PLAN_NUMBER_BYTES, "%.20s s", plan_show_number(number, seconds));
    } else if (seconds < 3599.5) {
        long whole = lround(seconds);
        (void)snprintf(out, PLAN_NUMBER_BYTES, "%ld min %02ld s", whole / 60, whole % 60);
    } else {
        long minutes = lround(fmin(seconds / 60, 1e8));
        (void)snprintf(out, PLAN_NUMBER_BYTES, "%ld h %02ld min", minutes / 60, minutes % 60);
    }
    return out;
}

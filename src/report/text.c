/* text.c - see text.h. */
#include "report/text.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "railfold/memory.h"
#include "report/utf8.h"

enum { PIECE_BYTES = 4096, ROOM_LEAST = 16384 };

static int make_room(rf_text *text, size_t more)
{
    char *larger;
    if (text->status != RF_OK)
        return 0;
    if (text->room - text->used > more)
        return 1;
    size_t room = text->room + text->room / 2 + more + ROOM_LEAST;
    text->status = rf_alloc_raw(&larger, room, 1, "a text", text->err);
    if (text->status != RF_OK)
        return 0;
    if (text->used > 0)
        memcpy(larger, text->bytes, text->used);
    rf_free(text->bytes);
    text->bytes = larger;
    text->room = room;
    return 1;
}

void rf_text_add(rf_text *text, const char *format, ...)
{
    if (!make_room(text, PIECE_BYTES))
        return;
    va_list arguments;
    va_start(arguments, format);
    int count = vsnprintf(text->bytes + text->used, PIECE_BYTES, format, arguments);
    va_end(arguments);
    text->used += count < PIECE_BYTES ? (size_t)count : PIECE_BYTES - 1;
}

void rf_text_add_bytes(rf_text *text, const char *bytes, size_t count)
{
    if (!make_room(text, count))
        return;
    memcpy(text->bytes + text->used, bytes, count);
    text->used += count;
}

void rf_text_add_escaped(rf_text *text, const char *words)
{
    int well_formed;
    for (size_t part; *words != '\0'; words += part) {
        unsigned char c = (unsigned char)*words;
        part = rf_utf8_part((const unsigned char *)words, &well_formed);
        const char *entity = c == '&'    ? "&amp;"
                             : c == '<'  ? "&lt;"
                             : c == '>'  ? "&gt;"
                             : c == '"'  ? "&quot;"
                             : c == '\'' ? "&#39;"
                                         : NULL;
        if (!well_formed || (entity == NULL && (c < 0x20 || c == 0x7f) && c != '\t' && c != '\n'))
            entity = "\xef\xbf\xbd";
        if (entity != NULL)
            rf_text_add_bytes(text, entity, strlen(entity));
        else
            rf_text_add_bytes(text, words, part);
    }
}

void rf_text_add_base64(rf_text *text, const void *bytes, size_t count)
{
    static const char digits[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    const uint8_t *in = bytes;
    if (!make_room(text, (count / 3 + 1) * 4))
        return;
    char *out = text->bytes + text->used;
    for (size_t i = 0; i < count; i += 3) {
        uint32_t group =
            (uint32_t)in[i] << 16 | (i + 1 < count ? (uint32_t)in[i + 1] << 8 : 0) | (i + 2 < count ? in[i + 2] : 0);
        *out++ = digits[group >> 18];
        *out++ = digits[group >> 12 & 63];
        *out++ = i + 1 < count ? digits[group >> 6 & 63] : '=';
        *out++ = i + 2 < count ? digits[group & 63] : '=';
    }
    text->used = (size_t)(out - text->bytes);
}

rf_status rf_text_finish(rf_text *text, char **out, size_t *bytes)
{
    rf_text_add_bytes(text, "", 1);
    *out = NULL;
    *bytes = 0;
    if (text->status != RF_OK) {
        rf_free(text->bytes);
        text->bytes = NULL;
        return text->status;
    }
    *out = text->bytes;
    *bytes = text->used - 1;
    text->bytes = NULL;
    return RF_OK;
}

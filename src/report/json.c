/* json.c - the JSON writer.
 *
 * Source: RFC 8259 (grammar, escapes). */
#include "report/json.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "railfold/memory.h"
#include "report/utf8.h"

enum { ROOM_LEAST = 4096, INDENT = 2 };

void rf_json_begin(rf_json *json, rf_error *err)
{
    *json = (rf_json){.first = 1, .err = err, .status = RF_OK};
}

static void put(rf_json *json, const char *bytes, size_t count)
{
    if (json->status != RF_OK)
        return;
    if (json->room - json->used <= count) {
        size_t room = (json->room + count) * 2 + ROOM_LEAST;
        char *larger;
        json->status = rf_alloc_raw(&larger, room, 1, "the report", json->err);
        if (json->status != RF_OK)
            return;
        if (json->used > 0)
            memcpy(larger, json->text, json->used);
        rf_free(json->text);
        json->text = larger;
        json->room = room;
    }
    memcpy(json->text + json->used, bytes, count);
    json->used += count;
}

static void put_text(rf_json *json, const char *text)
{
    put(json, text, strlen(text));
}

rf_status rf_json_finish(rf_json *json, char **text, size_t *bytes)
{
    put(json, "\n", 2); /* with its NUL */
    *text = NULL;
    *bytes = 0;
    if (json->status != RF_OK) {
        rf_free(json->text);
        json->text = NULL;
        return json->status;
    }
    *text = json->text;
    *bytes = json->used - 1;
    json->text = NULL;
    return RF_OK;
}

static int in_one_line(const rf_json *json)
{
    return json->inline_at != 0 && json->depth >= json->inline_at;
}

static void new_line(rf_json *json)
{
    char blanks[64];
    int count = json->depth * INDENT < (int)sizeof blanks ? json->depth * INDENT : (int)sizeof blanks;
    memset(blanks, ' ', sizeof blanks);
    put(json, "\n", 1);
    put(json, blanks, (size_t)count);
}

static void put_quoted(rf_json *json, const char *text)
{
    put(json, "\"", 1);
    for (const unsigned char *at = (const unsigned char *)text; *at != '\0';) {
        char escape[8];
        int well_formed;
        size_t part = rf_utf8_part(at, &well_formed);
        if (!well_formed) {
            put_text(json, "\xef\xbf\xbd");
        } else if (*at == '"' || *at == '\\') {
            (void)snprintf(escape, sizeof escape, "\\%c", *at);
            put_text(json, escape);
        } else if (*at < 0x20 || *at == 0x7f) {
            (void)snprintf(escape, sizeof escape, "\\u%04x", *at);
            put_text(json, escape);
        } else {
            put(json, (const char *)at, part);
        }
        at += part;
    }
    put(json, "\"", 1);
}

/* The comma, the line break and the name in front of a value. */
static void lead_in(rf_json *json, const char *name)
{
    if (!json->first)
        put(json, ",", 1);
    if (json->depth > 0 && !in_one_line(json))
        new_line(json);
    else if (!json->first)
        put(json, " ", 1);
    json->first = 0;
    if (name != NULL) {
        put_quoted(json, name);
        put(json, ": ", 2);
    }
}

void rf_json_open(rf_json *json, const char *name, char bracket, int one_line)
{
    lead_in(json, name);
    put(json, &bracket, 1);
    json->depth++;
    json->first = 1;
    if (one_line && json->inline_at == 0)
        json->inline_at = json->depth;
}

void rf_json_close(rf_json *json, char bracket)
{
    int empty = json->first, one_line = in_one_line(json);
    if (json->inline_at == json->depth)
        json->inline_at = 0;
    json->depth--;
    if (!empty && !one_line)
        new_line(json);
    put(json, &bracket, 1);
    json->first = 0;
}

void rf_json_text(rf_json *json, const char *name, const char *text)
{
    lead_in(json, name);
    if (text == NULL)
        put_text(json, "null");
    else
        put_quoted(json, text);
}

void rf_json_integer(rf_json *json, const char *name, int64_t value)
{
    char digits[32];
    lead_in(json, name);
    (void)snprintf(digits, sizeof digits, "%lld", (long long)value);
    put_text(json, digits);
}

void rf_json_number(rf_json *json, const char *name, double value)
{
    char digits[40];
    lead_in(json, name);
    if (!isfinite(value)) {
        put_text(json, "null");
        return;
    }
    for (int precision = 15; precision <= 17; precision++) {
        (void)snprintf(digits, sizeof digits, "%.*g", precision, value);
        if (strtod(digits, NULL) == value)
            break;
    }
    /* A host program may have set a locale: whatever stands between the digits is the decimal point. */
    char *mark = digits + strspn(digits, "-0123456789");
    size_t mark_bytes = strcspn(mark, "0123456789e+-");
    if (mark_bytes > 0) {
        memmove(mark + 1, mark + mark_bytes, strlen(mark + mark_bytes) + 1);
        *mark = '.';
    }
    put_text(json, digits);
}

void rf_json_known(rf_json *json, const char *name, double value)
{
    rf_json_number(json, name, value == 0 ? NAN : value);
}

void rf_json_boolean(rf_json *json, const char *name, int value)
{
    lead_in(json, name);
    put_text(json, value ? "true" : "false");
}

void rf_json_null(rf_json *json, const char *name)
{
    lead_in(json, name);
    put_text(json, "null");
}

void rf_json_begin_report(rf_json *json, int format, const char *command, rf_error *err)
{
    rf_json_begin(json, err);
    rf_json_open(json, NULL, '{', 0);
    rf_json_text(json, "railfold", RF_VERSION);
    rf_json_integer(json, "format", format);
    rf_json_text(json, "command", command);
}

/* json_members.c - the outermost object of a JSON text by the grammar of RFC 8259, as far as brackets and texts go. */
#include "base/json_members.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

typedef struct walker {
    const char *at, *end;
} walker;

static int is_one_of(const walker *w, const char *set)
{
    return w->at < w->end && *w->at != '\0' && strchr(set, *w->at) != NULL;
}

static void skip_blank(walker *w)
{
    while (is_one_of(w, " \t\r\n"))
        w->at++;
}

/* Past the byte that must come next, and the blanks around it. */
static int take_byte(walker *w, char byte)
{
    skip_blank(w);
    if (w->at >= w->end || *w->at != byte)
        return 0;
    w->at++;
    skip_blank(w);
    return 1;
}

/* Past a text, whose opening quote is at the walker. */
static int skip_text(walker *w)
{
    w->at++;
    while (w->at < w->end && *w->at != '"')
        w->at += *w->at == '\\' && w->at + 1 < w->end ? 2 : 1;
    if (w->at >= w->end)
        return 0;
    w->at++;
    return 1;
}

/* Past any value: brackets are counted, what stands inside them is not looked at. */
static int skip_value(walker *w)
{
    const char *begin = w->at;
    int open = 0;
    while (w->at < w->end) {
        if (open == 0 && is_one_of(w, ",]} \t\r\n"))
            break;
        if (*w->at == '"') {
            if (!skip_text(w))
                return 0;
            continue;
        }
        open += is_one_of(w, "{[");
        open -= is_one_of(w, "}]");
        w->at++;
    }
    return open == 0 && w->at > begin;
}

static int read_member(walker *w, rf_json_member *m)
{
    m->name = w->at + 1;
    if (w->at >= w->end || *w->at != '"' || !skip_text(w))
        return 0;
    m->name_bytes = (size_t)(w->at - 1 - m->name);
    if (!take_byte(w, ':'))
        return 0;
    m->value = w->at;
    if (!skip_value(w))
        return 0;
    m->value_bytes = (size_t)(w->at - m->value);
    return 1;
}

static int read_object(walker *w, rf_json_member_fn fn, void *arg)
{
    if (!take_byte(w, '{'))
        return 0;
    if (take_byte(w, '}'))
        return w->at == w->end;
    do {
        rf_json_member m;
        if (!read_member(w, &m))
            return 0;
        fn(arg, &m);
    } while (take_byte(w, ','));
    return take_byte(w, '}') && w->at == w->end;
}

int rf_json_members(const char *text, size_t bytes, rf_json_member_fn fn, void *arg, size_t *broke_at)
{
    walker w = {text, text + bytes};
    int whole = read_object(&w, fn, arg);
    *broke_at = whole ? bytes : (size_t)(w.at - text);
    return whole;
}

int rf_json_is_named(const rf_json_member *m, const char *name)
{
    return strlen(name) == m->name_bytes && memcmp(m->name, name, m->name_bytes) == 0;
}

int rf_json_is_text(const rf_json_member *m, const char *text)
{
    size_t bytes = strlen(text);
    return m->value_bytes == bytes + 2 && m->value[0] == '"' && memcmp(m->value + 1, text, bytes) == 0;
}

double rf_json_number_of(const rf_json_member *m)
{
    char copy[40];
    if (m->value_bytes == 0 || m->value_bytes >= sizeof copy || *m->value == '\0' ||
        strchr("-0123456789", *m->value) == NULL)
        return (double)NAN;
    memcpy(copy, m->value, m->value_bytes);
    copy[m->value_bytes] = '\0';
    char *rest;
    double value = strtod(copy, &rest);
    return *rest == '\0' ? value : (double)NAN;
}

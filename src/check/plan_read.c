/* plan_read.c - the few numbers of a shooting plan's JSON a take can be held against. Walks the text by RFC 8259's
 * grammar as far as strings and brackets go and takes the numbers that are members of the outermost object. */
#include <errno.h>
#include <string.h>
#include <stdlib.h>

#include "railfold/check.h"

typedef struct walker {
    const char *at, *end;
} walker;

static void skip_blank(walker *w)
{
    while (w->at < w->end && strchr(" \t\r\n", *w->at) != NULL && *w->at != '\0')
        w->at++;
}

/* Past a string whose opening quote is at the walker; its bytes between the quotes. 0 when it does not end. */
static int skip_string(walker *w, const char **text, size_t *bytes)
{
    *text = ++w->at;
    while (w->at < w->end && *w->at != '"')
        w->at += *w->at == '\\' && w->at + 1 < w->end ? 2 : 1;
    if (w->at >= w->end)
        return 0;
    *bytes = (size_t)(w->at++ - *text);
    return 1;
}

/* Past any value; brackets are counted, what stands inside them is not looked at. */
static int skip_value(walker *w)
{
    int depth = 0;
    const char *text;
    size_t bytes;
    do {
        skip_blank(w);
        if (w->at >= w->end)
            return 0;
        if (*w->at == '"') {
            if (!skip_string(w, &text, &bytes))
                return 0;
        } else {
            depth += *w->at == '{' || *w->at == '[';
            depth -= *w->at == '}' || *w->at == ']';
            w->at++;
        }
        if (depth == 0)
            while (w->at < w->end && strchr(",]} \t\r\n", *w->at) == NULL)
                w->at++;
    } while (depth > 0);
    return depth == 0;
}

static double number_of(const char *text, const char *end)
{
    char copy[40];
    size_t bytes = (size_t)(end - text);
    if (bytes == 0 || bytes >= sizeof copy || strchr("-0123456789", *text) == NULL)
        return 0;
    memcpy(copy, text, bytes);
    copy[bytes] = '\0';
    char *rest;
    double value = strtod(copy, &rest);
    return *rest == '\0' && value > 0 && value < 1e12 ? value : 0;
}

static int is_word(const char *text, size_t bytes, const char *word)
{
    return strlen(word) == bytes && memcmp(text, word, bytes) == 0;
}

static void take_member(rf_check_plan *plan, const char *name, size_t name_bytes, double value)
{
    if (is_word(name, name_bytes, "step_mm"))
        plan->step_mm = value;
    else if (is_word(name, name_bytes, "scale_per_step"))
        plan->scale_per_step = value;
    else if (is_word(name, name_bytes, "f_number_marked"))
        plan->f_number = value;
    else if (is_word(name, name_bytes, "shutter_s"))
        plan->shutter_s = value;
    else if (is_word(name, name_bytes, "frames") && value < 1e6)
        plan->frames = (int)value;
}

static int read_members(walker *w, rf_check_plan *plan, int *is_plan)
{
    for (;;) {
        const char *name, *value, *text;
        size_t name_bytes, bytes;
        skip_blank(w);
        if (w->at >= w->end || *w->at != '"' || !skip_string(w, &name, &name_bytes))
            return 0;
        skip_blank(w);
        if (w->at >= w->end || *w->at++ != ':')
            return 0;
        skip_blank(w);
        value = w->at;
        if (is_word(name, name_bytes, "command") && w->at < w->end && *w->at == '"') {
            if (!skip_string(w, &text, &bytes))
                return 0;
            *is_plan = is_word(text, bytes, "plan");
        } else if (!skip_value(w)) {
            return 0;
        } else {
            take_member(plan, name, name_bytes, number_of(value, w->at));
        }
        skip_blank(w);
        if (w->at >= w->end || (*w->at != ',' && *w->at != '}'))
            return 0;
        if (*w->at++ == '}')
            return 1;
    }
}

rf_status rf_check_plan_read(rf_check_plan *plan, const char *text, size_t bytes, const char *name, rf_error *err)
{
    walker w = {text, text + bytes};
    int is_plan = 0;
    *plan = (rf_check_plan){0};
    skip_blank(&w);
    if (w.at >= w.end || *w.at != '{')
        return rf_fail(err, RF_ERR_INPUT, "%s is no plan: the JSON object of railfold plan --report was expected",
                       name);
    w.at++;
    if (!read_members(&w, plan, &is_plan))
        return rf_fail(err, RF_ERR_INPUT, "%s is no plan: its JSON breaks off or is malformed at byte %zu", name,
                       (size_t)(w.at - text));
    if (!is_plan)
        return rf_fail(err, RF_ERR_INPUT, "%s is no plan: its \"command\" is not \"plan\"", name);
    return RF_OK;
}

/* json_read.c - two numbers out of the top level of a JSON object (RFC 8259); all else is skipped, but must be
 * well-formed as far as brackets and texts go. */
#include "railfold/depth_report.h"

#include <stdlib.h>
#include <string.h>

static const char *skip_blank(const char *at)
{
    return at + strspn(at, " \t\r\n");
}

/* Behind the closing quote; NULL when there is none. `at` is the opening one. */
static const char *skip_text(const char *at)
{
    for (at++; *at != '"'; at++) {
        if (*at == '\\')
            at++;
        if (*at == '\0')
            return NULL;
    }
    return at + 1;
}

/* Behind a value: up to the comma or closing bracket of the object that holds it. NULL when brackets or quotes are left
 * open. */
static const char *skip_value(const char *at)
{
    int open = 0;
    for (; *at != '\0'; at++) {
        if (open == 0 && (*at == ',' || *at == '}' || *at == ']'))
            return at;
        if (*at == '{' || *at == '[')
            open++;
        if (*at == '}' || *at == ']')
            open--;
        if (*at == '"') {
            at = skip_text(at);
            if (at == NULL)
                return NULL;
            at--;
        }
    }
    return NULL;
}

static void take_number(const char *name, size_t bytes, const char *value, double *step_mm, double *pixel_mm)
{
    static const struct {
        const char *name;
        int pixel;
        double to_mm;
    } wanted[] = {{"step_mm", 0, 1}, {"pixel_mm", 1, 1}, {"pixel_um", 1, 0.001}};
    for (size_t i = 0; i < sizeof wanted / sizeof wanted[0]; i++) {
        if (strlen(wanted[i].name) != bytes || strncmp(wanted[i].name, name, bytes) != 0)
            continue;
        char *end;
        double number = strtod(value, &end);
        number *= wanted[i].to_mm;
        if (end > value && number >= 1e-9 && number <= 1e6) /* what a rail and a lens can have */
            *(wanted[i].pixel ? pixel_mm : step_mm) = number;
    }
}

rf_status rf_report_lengths(const char *path, const char *text, double *step_mm, double *pixel_mm, rf_error *err)
{
    const char *at = skip_blank(text);
    *step_mm = *pixel_mm = 0;
    if (*at == '{')
        at = skip_blank(at + 1);
    else
        at = NULL;
    while (at != NULL && *at == '"') {
        const char *name = at + 1, *end = skip_text(at), *value = end != NULL ? skip_blank(end) : NULL;
        if (value == NULL || *value != ':') {
            at = NULL;
            break;
        }
        value = skip_blank(value + 1);
        take_number(name, (size_t)(end - 1 - name), value, step_mm, pixel_mm);
        at = skip_value(value);
        if (at != NULL && *at == ',')
            at = skip_blank(at + 1);
        else if (at != NULL)
            break;
    }
    if (at == NULL || *at != '}' || *skip_blank(at + 1) != '\0')
        return rf_fail(err, RF_ERR_INPUT, "%s: is no report; one JSON object, as plan --report writes it, was expected",
                       path);
    return RF_OK;
}

/* json.h - builds one JSON text (RFC 8259), whatever the locale. Errors stick: the first one is handed out at the end.
 */
#ifndef RF_JSON_H
#define RF_JSON_H

#include <stddef.h>
#include <stdint.h>

#include "railfold/status.h"

typedef struct rf_json {
    char *text; /* from rf_alloc; NUL-terminated after rf_json_finish */
    size_t used, room;
    int depth;     /* how many objects and arrays are open */
    int inline_at; /* from this depth on everything stands in one line; 0 = nowhere */
    int first;     /* nothing stands yet in the innermost one */
    rf_status status;
    rf_error *err; /* borrowed */
} rf_json;

void rf_json_begin(rf_json *json, rf_error *err);

/* Begins the object every report is, with the names that head it. */
void rf_json_begin_report(rf_json *json, int format, const char *command, rf_error *err);

/* Hands over text and bytes (without the NUL), or frees everything and returns the first failure. */
rf_status rf_json_finish(rf_json *json, char **text, size_t *bytes) RF_CHECKED;

/* `name` is the member's name within an object, NULL within an array or at the top. `one_line` keeps all that is inside
 * in the line of the opening bracket. */
void rf_json_open(rf_json *json, const char *name, char bracket, int one_line);
void rf_json_close(rf_json *json, char bracket);

/* NULL text is null. Invalid UTF-8 becomes U+FFFD, one for each maximal invalid part. */
void rf_json_text(rf_json *json, const char *name, const char *text);
void rf_json_integer(rf_json *json, const char *name, int64_t value);
/* The shortest decimal that reads back as the same double; not finite is null. */
void rf_json_number(rf_json *json, const char *name, double value);
/* 0 stands for unknown and is written as null. */
void rf_json_known(rf_json *json, const char *name, double value);
void rf_json_boolean(rf_json *json, const char *name, int value);
void rf_json_null(rf_json *json, const char *name);

#endif

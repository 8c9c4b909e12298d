/* text.h - a text that grows (private to the report module). After the first failure every call does nothing. */
#ifndef RF_REPORT_TEXT_H
#define RF_REPORT_TEXT_H

#include <stddef.h>
#include <stdint.h>

#include "railfold/status.h"

typedef struct rf_text {
    char *bytes; /* from rf_alloc */
    size_t used, room;
    rf_status status;
    rf_error *err; /* borrowed */
} rf_text;

/* One formatted piece, at most 4000 bytes. */
void rf_text_add(rf_text *text, const char *format, ...) RF_PRINTF(2, 3);
void rf_text_add_bytes(rf_text *text, const char *bytes, size_t count);

/* For HTML and SVG text and attribute values: & < > " ' are written as entities, control characters but tab and
 * newline, and what is no UTF-8, as U+FFFD. */
void rf_text_add_escaped(rf_text *text, const char *words);

/* RFC 4648 base64, with padding. */
void rf_text_add_base64(rf_text *text, const void *bytes, size_t count);

/* Hands the text over (NUL-terminated; *bytes without it), or frees it and returns the first failure. */
rf_status rf_text_finish(rf_text *text, char **out, size_t *bytes) RF_CHECKED;

#endif

/* values.h - from the text of an option's value to a number in a fixed unit. */
#ifndef RF_VALUES_H
#define RF_VALUES_H

#include <stddef.h>

#include "railfold/status.h"
#include "cli/options.h"

typedef enum rf_value_fault {
    RF_VALUE_TAKEN,
    RF_VALUE_MALFORMED,
    RF_VALUE_NO_UNIT,
    RF_VALUE_OUT_OF_RANGE
} rf_value_fault;

/* Each takes the whole text or nothing. Numbers are decimal with a point, whatever the locale. `plain_unit` is the unit
 * of a number that names none, or NULL when one must be named. */
rf_value_fault rf_value_number(const char *text, double *number);
rf_value_fault rf_value_integer(const char *text, int *number);
rf_value_fault rf_value_length(const char *text, const char *plain_unit, double *mm);
rf_value_fault rf_value_extent(const char *text, const char *plain_unit, double mm[2]);
rf_value_fault rf_value_pixels(const char *text, int pixels[2]);
rf_value_fault rf_value_duration(const char *text, const char *plain_unit, double *seconds);
rf_value_fault rf_value_size(const char *text, const char *plain_unit, size_t *bytes);
rf_value_fault rf_value_choice(const char *text, const char *words, int *position);

/* "tif|png" with prefix "." as ".tif or .png", for messages. */
void rf_value_list_words(const char *words, const char *prefix, char *out, size_t bytes);

/* Parses `text` by the option's kind, checks the range and stores it in `field`. RF_ERR_USAGE says what was expected.
 */
rf_status rf_value_store(const rf_option *option, const char *text, void *field, rf_error *err) RF_CHECKED;

#endif

/* select.h - the k-th smallest of some numbers, without sorting the rest. */
#ifndef RF_BASE_SELECT_H
#define RF_BASE_SELECT_H

#include <stddef.h>

/* The value that sorting would put at place k, 0 <= k < n; none of them may be NaN. They change places on the way:
 * those before k end up no larger, those after it no smaller (Hoare's FIND, CACM 4, 1961). */
float rf_select(float *values, size_t n, size_t k);

#endif

/* disc.h - the defocus disc of a thin lens, as rows of half widths.
 *
 * A disc of radius r (pixels) spreads a point evenly over pi r^2. It is entered as the two ends of each row, to be
 * summed along the row afterwards, so a pixel costs its disc's height and not its area. Each row's half width is the
 * mean chord over the pixel's height, ends are shared between two pixels, and the drawn radius is chosen so that the
 * drawn disc has exactly the second moment r^2 / 4 of the true one: small discs fade into the untouched pixel. */
#ifndef TAKE_DISC_H
#define TAKE_DISC_H

#include <stdint.h>

#include "railfold/status.h"

enum { DISC_STEPS_PER_PX = 16 };

typedef struct disc_row {
    int16_t left, right;    /* pixel in which the row begins, and the one in which it ends, relative to the centre */
    float begin[2], end[2]; /* what to add at left, left + 1; what to take off at right, right + 1 */
} disc_row;

typedef struct disc_table {
    int largest;    /* index of the largest radius */
    int *first;     /* owned; first[i] is where radius i / DISC_STEPS_PER_PX has its row 0; rows 0..reach[i] */
    int *reach;     /* owned; last row, up and down alike */
    disc_row *rows; /* owned */
} disc_table;

rf_status disc_table_make(disc_table *table, double largest_px, rf_error *err) RF_CHECKED;
void disc_table_free(disc_table *table);

static inline int disc_index(const disc_table *table, float radius_px)
{
    int index = (int)(radius_px * DISC_STEPS_PER_PX + 0.5f);
    return index > table->largest ? table->largest : index;
}

#endif

/* rail.h - from measures between pairs to one path of the whole take. */
#ifndef RF_ALIGN_RAIL_H
#define RF_ALIGN_RAIL_H

#include "pair.h"

/* Where a frame lies against the reference, in pixels of level 0, about the picture's centre c:
 * x_frame = c + shift + (1 + way) R(turn) (x - c). */
typedef struct rf_place {
    double shift_x, shift_y, way, turn;
    double log_gain;    /* ln(luma of the frame / luma of the reference) */
    double residual_px; /* rms over its pairs */
    double bump_px; /* distance from the path of its neighbours when that is far beyond the take's own jitter, else 0 */
    int pairs;      /* kept */
} rf_place;

typedef struct rf_rail {
    double way_per_step; /* robust mean */
    int odd_steps;       /* that do not keep to it: a frame left out, the rail moved by hand */
    double residual_px;
    int pairs_kept;
} rf_rail;

/* `lever` as in rf_pair. Frames no kept pair reaches follow the rail: shift and turn continue in line, way by the mean.
 */
rf_status rf_rail_solve(rf_place *places, rf_rail *rail, int frames, int reference, const rf_pair *pairs,
                        int pair_count, double lever, rf_error *err) RF_CHECKED;

#endif

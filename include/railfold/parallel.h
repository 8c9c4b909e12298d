/* parallel.h - the picture to scale at every depth.
 *
 * Whatever is in focus has one and the same magnification, wherever it lies along the rail: it is seen at the same
 * distance. In the reference view a part at depth z appears smaller by 1 / s(z), s(z) = 1 + (z - reference)
 * (scale_per_step - 1), the scale of the frame in which it is sharp (align.h). Moving every pixel p of the reference
 * view to q = c + (p - c) s(z), c the picture's centre, gives a parallel projection: a length measures the same at any
 * depth. Nearer parts win where several land on one place; places where none lands were hidden behind a near part: they
 * take the depth and colour of the farthest neighbour, confidence 0, and the depth of the gap as deviation. */
#ifndef RF_PARALLEL_H
#define RF_PARALLEL_H

#include "railfold/image.h"
#include "railfold/pool.h"
#include "railfold/status.h"

typedef struct rf_parallel_maps {
    const rf_image *picture;                    /* RF_F32, 1 or 3 channels, the reference view */
    const rf_image *depth, *confidence, *sigma; /* RF_F32, one channel, the same size */
} rf_parallel_maps;

typedef struct rf_parallel_result {
    rf_image picture, depth, confidence, sigma;
} rf_parallel_result;

/* All outputs are allocated here; *out must be zero, and is freed by rf_parallel_free whatever came back. `far_first`:
 * depth grows towards the camera (a retreating rail). Colours are read once, by a cubic kernel (Catmull and Rom, 1974).
 */
rf_status rf_parallel_view(const rf_parallel_maps *in, double reference, double scale_per_step, int far_first,
                           rf_parallel_result *out, rf_pool *pool, rf_error *err) RF_CHECKED;
void rf_parallel_free(rf_parallel_result *result);

#endif

/* floor.h - the least that merging a take costs on this machine, measured.
 *
 * Two floors. `decode` and `traffic`: every frame decoded once, and for each one pass over a weighted accumulator of
 * floats (16 bytes a pixel read and written), which no merge that reads each frame can do without. `decode` and
 * `pyramid`: every frame decoded once, and for each one pass of a plain pyramid merge with nothing else to it, neither
 * poses nor depth nor repairs: samples to floats, a Gaussian pyramid (Burt & Adelson, IEEE Trans. Comm. 31, 1983), its
 * Laplacian, and at every place the strongest coefficient of all frames kept; at the end the pyramid is collapsed and
 * the picture written. Each step is one pass over whole planes of floats on all threads, its loops in vectors, so that
 * memory sets the pace. */
#ifndef RF_BENCH_FLOOR_H
#define RF_BENCH_FLOOR_H

#include "railfold/frame_io.h"
#include "railfold/pool.h"
#include "railfold/sequence.h"

typedef struct clocks {
    double wall_s, cpu_s;
} clocks;

clocks clocks_now(void);
void clocks_add_since(clocks *spent, clocks since);

typedef struct floors {
    clocks decode, traffic, pyramid;
    clocks finish; /* the pyramid collapsed, the picture written to `output` */
} floors;

rf_status floors_measure(const rf_sequence *take, const char *output, rf_pool *pool, floors *out,
                         rf_error *err) RF_CHECKED;

#endif

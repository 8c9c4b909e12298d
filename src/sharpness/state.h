/* state.h - what the steps of the sharpness measure share. Private to src/sharpness. */
#ifndef RF_SHARPNESS_STATE_H
#define RF_SHARPNESS_STATE_H

#include "railfold/sharpness.h"

enum {
    RF_SUPPORT_PX = 3,     /* how far the measure at a pixel looks: smoothing 2, Laplacian 1 */
    RF_SMOOTH_RADIUS = 2,  /* taps of the 0.7 px Gaussian */
    RF_GATHER_RADIUS = 3,  /* energy pixels: taps of what pools */
    RF_DRAW_IN_RADIUS = 4, /* and of what draws in */
    RF_FLOOR_BINS = 8192   /* 128 an octave from 2^-44 on */
};

typedef struct rf_kernel {
    float tap[5]; /* from the centre outwards; the whole kernel sums to 1 */
} rf_kernel;

struct rf_sharpness {
    int width, height, energy_width, energy_height;
    rf_pool *pool;
    rf_kernel smooth, gather, draw_in;
    rf_image pooled; /* half size */
    float *scratch;  /* scratch_floats per thread */
    size_t scratch_floats;
    int (*inside)[2];             /* per energy row: the span whose support is covered */
    int (*counts)[RF_FLOOR_BINS]; /* of pooled energies, per thread */
    float noise_floor;
};

static inline int rf_within(int v, int low, int high)
{
    return v < low ? low : v > high ? high : v;
}

/* A row continued sidewards from its span [first, last); left as it is where that is empty. */
static inline void rf_continue_row(float *row, int first, int last, int width)
{
    if (first >= last)
        return;
    for (int i = 0; i < first; i++)
        row[i] = row[first];
    for (int i = last; i < width; i++)
        row[i] = row[last - 1];
}

/* measure.c: pooled energies into `pooled`, and their counts. What is not covered continues what is; [top, bottom]: the
 * energy rows of which some is. */
void rf_pooled_energy(rf_sharpness *s, const rf_source *source, int top, int bottom);
size_t rf_pooled_scratch(int width); /* floats per thread */

/* draw_in.c: pooled energies drawn in; 0 outside `inside`. */
void rf_draw_in(rf_sharpness *s, rf_image *energy);
size_t rf_draw_in_scratch(int energy_width);

#endif

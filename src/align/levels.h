/* levels.h - what the registration keeps of a frame: a band-passed pyramid with the sharpness of every tile. */
#ifndef RF_ALIGN_LEVELS_H
#define RF_ALIGN_LEVELS_H

#include "railfold/image.h"
#include "railfold/pool.h"
#include "railfold/status.h"

enum {
    RF_LEVELS_MAX = 12,
    RF_COARSE_SIDE_PX =
        256, /* the coarsest level fits in this: small enough for a cheap transform and several trials */
};

/* Level 0 is the luma as given; pixel x of level l + 1 lies on pixel 2 x of level l. */
typedef struct rf_level {
    int width, height;
    float *band;            /* width * height: Gaussian of sigma about 1 px minus one of about 2.5 px */
    int tile, across, down; /* tile side in pixels and how many fit */
    int left, top;          /* first tile's corner */
    float *energy;          /* across * down: mean squared Laplacian of the band, noise subtracted */
    float *clipped;         /* across * down: share of pixels at black or white */
    float sharp;            /* energy of the sharpest tiles (95th percentile) */
} rf_level;

typedef struct rf_levels {
    int count; /* levels with a band; the last is the coarsest */
    rf_level level[RF_LEVELS_MAX];
    float *coarse;         /* smoothed luma of the coarsest level */
    double mean, contrast; /* of the coarse luma */
} rf_levels;

/* Room shared by all frames of a take. */
typedef struct rf_levels_scratch {
    float *smooth[RF_LEVELS_MAX + 1]; /* Gaussian pyramid, smoothed once more */
    float *clean;                     /* luma without lone hot pixels, then each level's own luma */
    float *rows;                      /* per thread */
    int width[RF_LEVELS_MAX + 1], height[RF_LEVELS_MAX + 1];
    int count;
} rf_levels_scratch;

rf_status rf_levels_scratch_alloc(rf_levels_scratch *scratch, int width, int height, rf_error *err) RF_CHECKED;
void rf_levels_scratch_free(rf_levels_scratch *scratch);
rf_status rf_levels_alloc(rf_levels *levels, const rf_levels_scratch *scratch, rf_error *err) RF_CHECKED;
void rf_levels_free(rf_levels *levels);
void rf_levels_fill(rf_levels *levels, const rf_image *luma, rf_levels_scratch *scratch, rf_pool *pool);

#endif

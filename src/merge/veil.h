/* veil.h - the veil that defocused near parts lay over the ground behind them (private to the merge module).
 *
 * In frame k a part at depth d < k lies in front of the focus plane and is imaged as its sharp self blurred by a disc
 * of radius r = blur_px_per_step * (k - d). Behind its outline the ground, in focus in frame k, shines through the
 * blurred matte. With the near parts sorted in layers and a_j the disc-blurred matte, c_j the disc-blurred (matte *
 * colour) of layer j, composited near to far in linear light (Porter and Duff, 1984):
 *
 *   V += T * c_j;   T *= 1 - a_j;    seen = V + T * ground.
 *
 * The mean of a wide disc is taken on a picture reduced by 2, 4, ..., so that its radius there stays below
 * RF_DISC_RADIUS (disc.h): work per tile does not grow with r. */
#ifndef RF_VEIL_H
#define RF_VEIL_H

#include <stddef.h>

#include "railfold/image.h"
#include "railfold/pool.h"

enum { RF_VEIL_TILE = 64, RF_VEIL_LEVELS = 5, RF_VEIL_BLOCK = 16, RF_VEIL_BINS = 64 };

#define RF_VEIL_WHITE 65535.0f

/* Which of RF_VEIL_BINS slices of depth occur in each RF_VEIL_BLOCK x RF_VEIL_BLOCK block, one bit a slice: lets a tile
 * pass over blocks that hold nothing of the layer it gathers. 8 bytes a block, 1/32 byte a pixel. */
typedef struct rf_veil_blocks {
    uint64_t *bits;
    int across, down;
    float low, bins_per_step;
} rf_veil_blocks;

rf_status rf_veil_blocks_make(rf_veil_blocks *blocks, const rf_image *depth, rf_pool *pool, rf_error *err) RF_CHECKED;
void rf_veil_blocks_free(rf_veil_blocks *blocks);
/* The slices that [near, far) touches. */
uint64_t rf_veil_bins_between(const rf_veil_blocks *blocks, float near, float far);
/* The block of pixel i, of `blocks` along an axis; those beside the picture repeat the outermost one. */
int rf_veil_block_of(int i, int blocks);

typedef struct rf_veil_scene {
    const rf_image *depth; /* RF_F32, frame positions, finite */
    const rf_veil_blocks *blocks;
    const rf_image *light; /* RF_U16, `channels`, linear light, white RF_VEIL_WHITE: the model of the near parts */
    float blur_px_per_step;
    float gap_steps; /* parts nearer than k - gap_steps count as near */
} rf_veil_scene;

/* Floats of scratch one thread needs. */
size_t rf_veil_scratch_floats(int channels);

/* Columns [left, right) and rows [top, bottom), at least one of each. */
typedef struct rf_veil_window {
    int left, top, right, bottom;
} rf_veil_window;

/* What frame k shows of the tile whose corner is (x0, y0): for each of its pixels inside the window (px from the
 * corner, within RF_VEIL_TILE) the transmission and then the veil's colours, linear light; the others stay as they are.
 * Rows are RF_VEIL_TILE wide whatever part of the tile lies inside the picture. Returns 0, leaving the window
 * undefined, when no near part reaches it (T = 1, V = 0 everywhere). */
int rf_veil_tile(const rf_veil_scene *scene, float k, int x0, int y0, rf_veil_window window, float *seen,
                 float *scratch);

#endif

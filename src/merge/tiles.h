/* tiles.h - which frames each tile of the picture needs (private to the merge module).
 *
 * A tile needs the frames that lie within reach of one of its pixels. Where a frame among those nearest to its depths
 * is missing or does not cover it wholly it needs all frames: something must fill what stays uncovered. */
#ifndef RF_MERGE_TILES_H
#define RF_MERGE_TILES_H

#include <stdint.h>

#include "railfold/merge.h"

typedef struct rf_merge_tiles {
    uint64_t *frames; /* one a tile: a bit for every frames_per_bit frames; all bits: every frame */
    int across, down; /* tiles of RF_PIECE_COLUMNS x RF_PIECE_COLUMNS */
    int frames_per_bit;
} rf_merge_tiles;

/* `kernels`: one a pixel (kernel.h); local ones become plain where a frame they need is missing. `covers`: one a frame,
 * NULL: all frames cover everything. */
rf_status rf_merge_tiles_make(rf_merge_tiles *tiles, const rf_image *depth, rf_image *kernels, int frame_count,
                              const rf_merge_cover *covers, rf_pool *pool, rf_error *err) RF_CHECKED;
void rf_merge_tiles_free(rf_merge_tiles *tiles);

static inline int rf_merge_tiles_want(const rf_merge_tiles *tiles, int tile, int k)
{
    return (int)(tiles->frames[tile] >> (k / tiles->frames_per_bit) & 1);
}
static inline int rf_merge_tiles_want_all(const rf_merge_tiles *tiles, int tile)
{
    return tiles->frames[tile] == ~(uint64_t)0;
}

#endif

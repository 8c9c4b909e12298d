/* tiles.h - which frames each tile of the picture needs (private to the merge module).
 *
 * A tile needs the frames that lie within reach of one of its pixels. Where a frame among those nearest to its depths
 * is missing or does not cover it wholly it needs all frames: something must fill what stays uncovered. */
#ifndef RF_MERGE_TILES_H
#define RF_MERGE_TILES_H

#include <stdint.h>

#include "railfold/merge.h"

/* Frames further than this many widths from a pixel's depth do not count there: their weights sum to 1 % (the tail of
 * 1 / (1 + q^4) beyond 3). */
#define RF_MERGE_REACH 3.0f

typedef struct rf_merge_tiles {
    uint64_t *frames; /* one a tile: a bit for every frames_per_bit frames; all bits: every frame */
    int across, down; /* tiles of RF_PIECE_COLUMNS x RF_PIECE_COLUMNS */
    int frames_per_bit;
} rf_merge_tiles;

/* `width`: see width.h; `covers`: one a frame, NULL: all frames cover everything. */
rf_status rf_merge_tiles_make(rf_merge_tiles *tiles, const rf_image *depth, const rf_image *width, int frame_count,
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

/* veil_blocks.c - which depths occur where, so that a tile passes over blocks without parts of its layer; see veil.h.
 */
#include "veil.h"

#include <math.h>
#include <string.h>

#include "railfold/memory.h"

static int bin_of(const rf_veil_blocks *blocks, float depth)
{
    float at = (depth - blocks->low) * blocks->bins_per_step;
    return at > 0 ? (at < RF_VEIL_BINS - 1 ? (int)at : RF_VEIL_BINS - 1) : 0;
}

rf_status rf_veil_blocks_make(rf_veil_blocks *blocks, const rf_image *depth, rf_error *err)
{
    float low = INFINITY, high = -INFINITY;
    blocks->across = (depth->width + RF_VEIL_BLOCK - 1) / RF_VEIL_BLOCK;
    blocks->down = (depth->height + RF_VEIL_BLOCK - 1) / RF_VEIL_BLOCK;
    rf_status status = rf_alloc(&blocks->bits, (size_t)blocks->across * (size_t)blocks->down, sizeof *blocks->bits,
                                "the depth index", err);
    if (status != RF_OK)
        return status;
    for (int y = 0; y < depth->height; y++) {
        const float *row = rf_image_row_f32(depth, y);
        for (int x = 0; x < depth->width; x++) {
            low = row[x] < low ? row[x] : low;
            high = row[x] > high ? row[x] : high;
        }
    }
    blocks->low = low;
    blocks->bins_per_step = high > low ? RF_VEIL_BINS / (high - low) : 0;
    for (int y = 0; y < depth->height; y++) {
        const float *row = rf_image_row_f32(depth, y);
        uint64_t *bits = blocks->bits + (size_t)(y / RF_VEIL_BLOCK) * (size_t)blocks->across;
        for (int x = 0; x < depth->width; x++)
            bits[x / RF_VEIL_BLOCK] |= (uint64_t)1 << bin_of(blocks, row[x]);
    }
    return RF_OK;
}

void rf_veil_blocks_free(rf_veil_blocks *blocks)
{
    rf_free(blocks->bits);
    memset(blocks, 0, sizeof *blocks);
}

uint64_t rf_veil_bins_between(const rf_veil_blocks *blocks, float near, float far)
{
    int first = bin_of(blocks, near), last = bin_of(blocks, far);
    uint64_t upto = last == RF_VEIL_BINS - 1 ? ~(uint64_t)0 : ((uint64_t)1 << (last + 1)) - 1;
    return upto & ~(((uint64_t)1 << first) - 1);
}

int rf_veil_block_of(int i, int blocks)
{
    return i < 0 ? 0 : i / RF_VEIL_BLOCK < blocks ? i / RF_VEIL_BLOCK : blocks - 1;
}

/* veil_blocks.c - which depths occur where, so that a tile passes over blocks without parts of its layer; see veil.h.
 */
#include "veil.h"

#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "railfold/memory.h"

static int bin_of(const rf_veil_blocks *blocks, float depth)
{
    float at = (depth - blocks->low) * blocks->bins_per_step;
    return at > 0 ? (at < RF_VEIL_BINS - 1 ? (int)at : RF_VEIL_BINS - 1) : 0;
}

enum { LANES = 16 };

/* Widens the lanes' ranges by a row. */
RF_HOT static void widen(const float *restrict row, int n, float *restrict low, float *restrict high)
{
    int x = 0;
    for (; x + LANES <= n; x += LANES)
        for (int l = 0; l < LANES; l++) {
            low[l] = row[x + l] < low[l] ? row[x + l] : low[l];
            high[l] = row[x + l] > high[l] ? row[x + l] : high[l];
        }
    for (; x < n; x++) {
        low[0] = row[x] < low[0] ? row[x] : low[0];
        high[0] = row[x] > high[0] ? row[x] : high[0];
    }
}

static void find_range(const rf_image *depth, float *low_at, float *high_at)
{
    float low[LANES], high[LANES];
    for (int l = 0; l < LANES; l++) {
        low[l] = INFINITY;
        high[l] = -INFINITY;
    }
    for (int y = 0; y < depth->height; y++)
        widen(rf_image_row_f32(depth, y), depth->width, low, high);
    *low_at = low[0];
    *high_at = high[0];
    for (int l = 1; l < LANES; l++) {
        *low_at = low[l] < *low_at ? low[l] : *low_at;
        *high_at = high[l] > *high_at ? high[l] : *high_at;
    }
}

typedef struct mark_job {
    rf_veil_blocks *blocks;
    const rf_image *depth;
} mark_job;

/* The rows of one row of blocks: `begin` is a multiple of RF_VEIL_BLOCK. */
static void mark_rows(void *arg, int begin, int end, int block, int thread)
{
    const mark_job *job = arg;
    const rf_veil_blocks *blocks = job->blocks;
    (void)thread;
    uint64_t *bits = blocks->bits + (size_t)block * (size_t)blocks->across;
    for (int y = begin; y < end; y++) {
        const float *row = rf_image_row_f32(job->depth, y);
        for (int x = 0; x < job->depth->width; x++)
            bits[x / RF_VEIL_BLOCK] |= (uint64_t)1 << bin_of(blocks, row[x]);
    }
}

rf_status rf_veil_blocks_make(rf_veil_blocks *blocks, const rf_image *depth, rf_pool *pool, rf_error *err)
{
    float low, high;
    blocks->across = (depth->width + RF_VEIL_BLOCK - 1) / RF_VEIL_BLOCK;
    blocks->down = (depth->height + RF_VEIL_BLOCK - 1) / RF_VEIL_BLOCK;
    rf_status status = rf_alloc(&blocks->bits, (size_t)blocks->across * (size_t)blocks->down, sizeof *blocks->bits,
                                "the depth index", err);
    if (status != RF_OK)
        return status;
    find_range(depth, &low, &high);
    blocks->low = low;
    blocks->bins_per_step = high > low ? RF_VEIL_BINS / (high - low) : 0;
    mark_job job = {blocks, depth};
    rf_pool_rows(pool, depth->height, RF_VEIL_BLOCK, mark_rows, &job);
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

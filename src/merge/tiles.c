/* tiles.c - frames by tile; see tiles.h. */
#include "tiles.h"

#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "railfold/memory.h"
#include "kernel.h"

enum { TILE = RF_PIECE_COLUMNS, BITS = 64 };

typedef struct tiles_job {
    rf_merge_tiles *tiles;
    const rf_image *depth;
    rf_image *kernels;
    const rf_merge_cover *covers;
    int last; /* frame */
} tiles_job;

static int clamp(float v, int last)
{
    return v > 0 ? (v < (float)last ? (int)v : last) : 0;
}

/* Frames first..last of a pixel as bits, one a frame or more; reach as in rf_kernel_reach. Plain operations, for
 * vectors: what is rounded up is not negative. */
RF_HOT_PART uint64_t frames_of_pixel(float depth, uint8_t kernel, int last_frame, int frames_per_bit)
{
    float reach = rf_kernel_reach(kernel), from = depth - reach, to = depth + rf_kernel_reach_behind(kernel),
          most = (float)last_frame;
    from = from > 0 ? (from < most ? from : most) : 0;
    to = to > 0 ? (to < most ? to : most) : 0;
    int first = (int)from, last = (int)to;
    first += (float)first < from;
    if (frames_per_bit > 1) {
        first /= frames_per_bit;
        last /= frames_per_bit;
    }
    return (~(uint64_t)0 >> (BITS - 1 - last)) & (~(uint64_t)0 << first);
}

/* A row's frames; widens *low and *high by its depths. */
RF_HOT static uint64_t frames_of_row(const float *restrict depth, const uint8_t *restrict kernel, int n, int last_frame,
                                     int frames_per_bit, float *restrict low, float *restrict high)
{
    uint64_t bits = 0;
    float least = *low, most = *high;
    if (frames_per_bit == 1)
        for (int x = 0; x < n; x++)
            bits |= frames_of_pixel(depth[x], kernel[x], last_frame, 1);
    else
        for (int x = 0; x < n; x++)
            bits |= frames_of_pixel(depth[x], kernel[x], last_frame, frames_per_bit);
    for (int x = 0; x < n; x++) {
        least = depth[x] < least ? depth[x] : least;
        most = depth[x] > most ? depth[x] : most;
    }
    *low = least;
    *high = most;
    return bits;
}

/* Bits of the frames within reach of the tile's pixels; *low and *high: its depths. */
static uint64_t frames_within(const tiles_job *job, rf_piece tile, float *low, float *high)
{
    uint64_t bits = 0;
    *low = INFINITY;
    *high = -INFINITY;
    for (int y = tile.y; y < tile.y + tile.height; y++)
        bits |= frames_of_row(rf_image_row_f32(job->depth, y) + tile.x,
                              (const uint8_t *)rf_image_row(job->kernels, y) + tile.x, tile.width, job->last,
                              job->tiles->frames_per_bit, low, high);
    return bits;
}

static int covers_tile(const rf_merge_cover *cover, rf_piece tile)
{
    return cover->x_begin <= tile.x && cover->y_begin <= tile.y && cover->x_end >= tile.x + tile.width &&
           cover->y_end >= tile.y + tile.height;
}

/* Whether frames first..last all cover the piece. */
static int all_cover(const rf_merge_cover *covers, int first, int last, rf_piece piece)
{
    while (first <= last && covers_tile(&covers[first], piece))
        first++;
    return first > last;
}

/* Local kernels of pixels that not all their frames cover give way to plain ones. */
static void make_plain(const tiles_job *job, rf_piece tile)
{
    if (all_cover(job->covers, 0, job->last, tile))
        return;
    for (int y = tile.y; y < tile.y + tile.height; y++) {
        const float *depth = rf_image_row_f32(job->depth, y) + tile.x;
        uint8_t *kernel = (uint8_t *)rf_image_row(job->kernels, y) + tile.x;
        for (int x = 0; x < tile.width; x++) {
            float reach = rf_kernel_reach(kernel[x]);
            rf_piece pixel = {tile.x + x, y, 1, 1};
            int first = clamp(ceilf(depth[x] - reach), job->last), last = clamp(depth[x] + reach, job->last);
            if (kernel[x] >= RF_KERNEL_LOCAL && !all_cover(job->covers, first, last, pixel))
                kernel[x] = rf_kernel_without(kernel[x]);
        }
    }
}

static void choose_frames(void *arg, int begin, int end, int block, int thread)
{
    const tiles_job *job = arg;
    (void)block;
    (void)thread;
    for (int i = begin; i < end; i++) {
        rf_piece tile = {i % job->tiles->across * TILE, i / job->tiles->across * TILE, TILE, TILE};
        float low, high;
        tile.width = tile.x + TILE > job->depth->width ? job->depth->width - tile.x : TILE;
        tile.height = tile.y + TILE > job->depth->height ? job->depth->height - tile.y : TILE;
        if (job->covers != NULL)
            make_plain(job, tile);
        job->tiles->frames[i] = frames_within(job, tile, &low, &high);
        for (int k = clamp(low, job->last); job->covers != NULL && k <= clamp(ceilf(high), job->last); k++)
            if (!covers_tile(&job->covers[k], tile))
                job->tiles->frames[i] = ~(uint64_t)0;
    }
}

rf_status rf_merge_tiles_make(rf_merge_tiles *tiles, const rf_image *depth, rf_image *kernels, int frame_count,
                              const rf_merge_cover *covers, rf_pool *pool, rf_error *err)
{
    tiles->across = (depth->width + TILE - 1) / TILE;
    tiles->down = (depth->height + TILE - 1) / TILE;
    tiles->frames_per_bit = (frame_count + BITS - 1) / BITS;
    rf_status status = rf_alloc(&tiles->frames, (size_t)tiles->across * (size_t)tiles->down, sizeof *tiles->frames,
                                "the frames of each tile", err);
    if (status != RF_OK)
        return status;
    tiles_job job = {tiles, depth, kernels, covers, frame_count - 1};
    rf_pool_rows(pool, tiles->across * tiles->down, 16, choose_frames, &job);
    return RF_OK;
}

void rf_merge_tiles_free(rf_merge_tiles *tiles)
{
    rf_free(tiles->frames);
    memset(tiles, 0, sizeof *tiles);
}

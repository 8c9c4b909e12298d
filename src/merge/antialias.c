/* antialias.c - see antialias.h. What is mixed lies aside until all of it is known: neighbours give what they were. */
#include "antialias.h"

#include <math.h>
#include <string.h>

#include "base/hot.h"

enum { BLOCK_ROWS = 16 };

static const float OTHER_STEPS = 1.5f; /* a neighbour that much nearer or farther is another surface */
/* exp(-r^2 / (2 FOOTPRINT_PX^2)) beside and diagonally, FOOTPRINT_PX = 0.55: further out it is below a thousandth */
static const float BESIDE = 0.19152f, DIAGONAL = 0.03668f;

typedef struct antialias_job {
    rf_image *picture, *mixed, *marks;
    const rf_image *depth, *weight;
} antialias_job;

/* Marks the pixels of which a neighbour lies on another surface; `mark` holds `width` bytes. */
RF_HOT static void mark_row(const float *const restrict depth[3], int width, uint8_t *restrict mark)
{
    memset(mark, 0, (size_t)width);
    for (int x = 1; x + 1 < width; x++) {
        float here = depth[1][x], most = 0.0f;
        for (int j = 0; j < 3; j++)
            for (int i = -1; i <= 1; i++) {
                float apart = fabsf(depth[j][x + i] - here);
                most = apart > most ? apart : most;
            }
        mark[x] = most > OTHER_STEPS;
    }
}

/* The pixel (x, y) with what its neighbours on other surfaces spill into it; `out` as 16 bits. */
static void mix_pixel(const antialias_job *job, int x, int y, uint16_t *out)
{
    int channels = job->picture->channels;
    float here = rf_image_row_f32(job->depth, y)[x], sum[3] = {0}, other = 0, all = 1 + 4 * BESIDE + 4 * DIAGONAL;
    for (int j = y - 1; j <= y + 1; j++)
        for (int i = x - 1; i <= x + 1; i++) {
            if (fabsf(rf_image_row_f32(job->depth, j)[i] - here) <= OTHER_STEPS ||
                !(rf_image_row_f32(job->weight, j)[i] > 0))
                continue;
            float share = i == x || j == y ? BESIDE : DIAGONAL;
            const float *from = rf_image_row_f32(job->picture, j) + i * channels;
            for (int c = 0; c < channels; c++)
                sum[c] += share * from[c];
            other += share;
        }
    const float *own = rf_image_row_f32(job->picture, y) + x * channels;
    for (int c = 0; c < channels; c++)
        out[c] = (uint16_t)((sum[c] + (all - other) * own[c]) / all * UINT16_MAX + 0.5f);
}

static void mix_rows(void *arg, int begin, int end, int block, int thread)
{
    const antialias_job *job = arg;
    (void)block;
    (void)thread;
    int width = job->picture->width, height = job->picture->height, channels = job->picture->channels;
    for (int y = begin; y < end; y++) {
        uint8_t *mark = rf_image_row(job->marks, y);
        if (y == 0 || y == height - 1) {
            memset(mark, 0, (size_t)width);
            continue;
        }
        const float *depth[3] = {rf_image_row_f32(job->depth, y - 1), rf_image_row_f32(job->depth, y),
                                 rf_image_row_f32(job->depth, y + 1)};
        const float *weight = rf_image_row_f32(job->weight, y);
        mark_row(depth, width, mark);
        uint16_t *mixed = rf_image_row(job->mixed, y);
        for (int x = 0; x < width; x++) {
            mark[x] = mark[x] && weight[x] > 0;
            if (mark[x])
                mix_pixel(job, x, y, mixed + x * channels);
        }
    }
}

static void put_rows(void *arg, int begin, int end, int block, int thread)
{
    const antialias_job *job = arg;
    (void)block;
    (void)thread;
    int width = job->picture->width, channels = job->picture->channels;
    for (int y = begin; y < end; y++) {
        const uint8_t *mark = rf_image_row(job->marks, y);
        const uint16_t *mixed = rf_image_row(job->mixed, y);
        float *picture = rf_image_row_f32(job->picture, y);
        for (int x = 0; x < width; x++)
            for (int c = 0; mark[x] && c < channels; c++)
                picture[x * channels + c] = (float)mixed[x * channels + c] / UINT16_MAX;
    }
}

void rf_antialias_edges(rf_image *picture, const rf_image *depth, const rf_image *weight, rf_image *mixed,
                        rf_image *marks, rf_pool *pool)
{
    antialias_job job = {picture, mixed, marks, depth, weight};
    rf_pool_rows(pool, picture->height, BLOCK_ROWS, mix_rows, &job);
    rf_pool_rows(pool, picture->height, BLOCK_ROWS, put_rows, &job);
}

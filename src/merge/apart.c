/* apart.c - the cones of blur that depth edges and highlights cast; see apart.h. */
#include "apart.h"

#include <string.h>

#include "base/hot.h"

static const float EDGE_STEPS = 0.7f;
static const float CLIPPED = 0.985f; /* coded: the blurred rim of what is clipped is not its picture blurred */
/* Of the disc's radius: further out a straight outline covers about a fourteenth of it, and the frames in question
 * weigh a tenth (0.65: halo24 1.17 in place of 1.11; 0.9: 1.10, but .03 dB less away from the edges of a pebble). */
static const float BLUR_SHARE = 0.75f;
static const float MARGIN_PX = 2.5f; /* of outlines that are told a little off, and of the warp */
static const float NEVER = 1e9f;
enum { BLOCK_ROWS = 16, CELL_PX = 2, RUN = 256 };

typedef struct seed_job {
    const rf_image *picture, *depth;
    rf_image *cone;
    float margin_steps;
} seed_job;

/* The range of depth and the most of the picture over the rows of a cell, column by column of n; `channels` numbers of
 * the picture a column. */
RF_HOT static void range_of_rows(const float *const depth[3], const float *const picture[3], int n, int channels,
                                 float *restrict low, float *restrict high, float *restrict most)
{
    for (int x = 0; x < n; x++) {
        float a = depth[0][x], b = depth[1][x], c = depth[2][x], less = a < b ? a : b, more = a > b ? a : b;
        low[x] = less < c ? less : c;
        high[x] = more > c ? more : c;
    }
    for (int i = 0; i < n * channels; i++) {
        float a = picture[0][i], b = picture[1][i], c = picture[2][i], more = a > b ? a : b;
        most[i] = more > c ? more : c;
    }
}

/* The cone's seeds of a run of cells, of whose columns the ranges are given: looks one pixel past the cell, so that no
 * jump lies between. */
RF_HOT static void seed_run(const float *restrict low, const float *restrict high, const float *restrict most,
                            int channels, float margin_steps, int cells, float *restrict cone)
{
    for (int i = 0; i < cells; i++) {
        const float *l = low + CELL_PX * i, *h = high + CELL_PX * i;
        float less = l[0] < l[1] ? l[0] : l[1], more = h[0] > h[1] ? h[0] : h[1], brightest = 0;
        less = less < l[2] ? less : l[2];
        more = more > h[2] ? more : h[2];
        for (int c = 0; c < 3 * channels; c++) {
            float at = most[CELL_PX * channels * i + c];
            brightest = at > brightest ? at : brightest;
        }
        cone[i] = ((more - less > EDGE_STEPS) | (brightest > CLIPPED)) ? less - margin_steps : NEVER;
    }
}

/* Cells that hold a jump of depth or a clipped pixel, RUN of them at a time. */
static void seed_rows(void *arg, int begin, int end, int block, int thread)
{
    const seed_job *job = arg;
    (void)block;
    (void)thread;
    float low[CELL_PX * RUN + 1], high[CELL_PX * RUN + 1], most[3 * (CELL_PX * RUN + 1)];
    int channels = job->picture->channels, width = job->depth->width, last = job->depth->height - 1;
    for (int j = begin; j < end; j++)
        for (int i = 0; i < job->cone->width; i += RUN) {
            const float *depth[3], *picture[3];
            int cells = job->cone->width - i < RUN ? job->cone->width - i : RUN, x = CELL_PX * i;
            int wanted = CELL_PX * cells + 1, n = width - x < wanted ? width - x : wanted;
            for (int y = 0; y < 3; y++) {
                int row = CELL_PX * j + y < last ? CELL_PX * j + y : last;
                depth[y] = rf_image_row_f32(job->depth, row) + x;
                picture[y] = rf_image_row_f32(job->picture, row) + x * channels;
            }
            range_of_rows(depth, picture, n, channels, low, high, most);
            for (int past = n; past < wanted; past++) { /* the picture's side repeats */
                low[past] = low[n - 1];
                high[past] = high[n - 1];
                memcpy(most + past * channels, most + (n - 1) * channels, (size_t)channels * sizeof *most);
            }
            seed_run(low, high, most, channels, job->margin_steps, cells, rf_image_row_f32(job->cone, j) + i);
        }
}

static float least(float a, float b)
{
    return a < b ? a : b;
}

/* One sweep of the transform from the first row to the last, or back. */
static void sweep(rf_image *cone, float side, float diagonal, int forward)
{
    int width = cone->width, height = cone->height, to = forward ? 1 : -1;
    for (int n = 0; n < height; n++) {
        int j = forward ? n : height - 1 - n;
        float *row = rf_image_row_f32(cone, j);
        const float *before = n > 0 ? rf_image_row_f32(cone, j - to) : NULL;
        for (int i = 0; before != NULL && i < width; i++) {
            float best = least(row[i], before[i] + side);
            best = i > 0 ? least(best, before[i - 1] + diagonal) : best;
            row[i] = i + 1 < width ? least(best, before[i + 1] + diagonal) : best;
        }
        for (int m = 1; m < width; m++) {
            int i = forward ? m : width - 1 - m;
            row[i] = least(row[i], row[i - to] + side);
        }
    }
}

void rf_apart_cone(const rf_image *picture, const rf_image *depth, float blur_px_per_step, rf_image *cone,
                   rf_pool *pool)
{
    float per_step = BLUR_SHARE * (blur_px_per_step > 0.01f ? blur_px_per_step : 0.01f);
    seed_job job = {picture, depth, cone, MARGIN_PX / per_step};
    rf_pool_rows(pool, cone->height, BLOCK_ROWS, seed_rows, &job);
    float side = CELL_PX / per_step;
    sweep(cone, side, 1.4142f * side, 1);
    sweep(cone, side, 1.4142f * side, 0);
}

/* apart.c - the cones of blur that depth edges and highlights cast; see apart.h. */
#include "apart.h"

#include <math.h>

static const float EDGE_STEPS = 0.7f;
static const float CLIPPED = 0.985f; /* coded: the blurred rim of what is clipped is not its picture blurred */
/* Of the disc's radius: further out a straight outline covers less than a fourteenth of it, and the frames in question
 * weigh a tenth (0.65: halo24 1.17 in place of 1.11, 1: as good, but half the gain between needles). */
static const float BLUR_SHARE = 0.75f;
static const float MARGIN_PX = 2.5f; /* of outlines that are told a little off, and of the warp */
static const float NEVER = 1e9f;
enum { BLOCK_ROWS = 16, CELL_PX = 2 };

typedef struct seed_job {
    const rf_image *picture, *depth;
    rf_image *cone;
    float margin_steps;
} seed_job;

/* Cells that hold a jump of depth or a clipped pixel; looks one pixel past the cell, so that no jump lies between. */
static void seed_rows(void *arg, int begin, int end, int block, int thread)
{
    const seed_job *job = arg;
    (void)block;
    (void)thread;
    const rf_image *depth = job->depth, *picture = job->picture;
    int channels = picture->channels;
    for (int j = begin; j < end; j++) {
        float *cone = rf_image_row_f32(job->cone, j);
        int y0 = CELL_PX * j, y1 = y0 + CELL_PX < depth->height ? y0 + CELL_PX : depth->height - 1;
        for (int i = 0; i < job->cone->width; i++) {
            int x0 = CELL_PX * i, x1 = x0 + CELL_PX < depth->width ? x0 + CELL_PX : depth->width - 1;
            float low = INFINITY, high = -INFINITY, most = 0;
            for (int y = y0; y <= y1; y++) {
                const float *at = rf_image_row_f32(depth, y), *colour = rf_image_row_f32(picture, y);
                for (int x = x0; x <= x1; x++) {
                    low = at[x] < low ? at[x] : low;
                    high = at[x] > high ? at[x] : high;
                }
                for (int n = x0 * channels; n < (x1 + 1) * channels; n++)
                    most = colour[n] > most ? colour[n] : most;
            }
            cone[i] = high - low > EDGE_STEPS || most > CLIPPED ? low - job->margin_steps : NEVER;
        }
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

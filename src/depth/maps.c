/* maps.c - from focus peaks at half size to full-size depth, confidence and sigma. */
#include "depth/state.h"

#include <math.h>

#include "railfold/memory.h"

void rf_depth_maps_free(rf_depth_maps *maps)
{
    rf_image_free(&maps->depth);
    rf_image_free(&maps->confidence);
    rf_image_free(&maps->sigma);
}

size_t rf_depth_memory_bytes(int width, int height, int threads)
{
    return (size_t)40 * (size_t)width * (size_t)height + (size_t)threads * 64 * (size_t)width + ((size_t)1 << 20);
}

typedef struct map_job {
    const rf_depth *depth;
    rf_depth_maps *maps;
} map_job;

static void map_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const map_job *job = arg;
    const rf_depth *d = job->depth;
    float sign = rf_way_sign(d), farthest = (float)(d->frame_count - 1);
    for (int y = begin; y < end; y++) {
        const rf_focus *focus = rf_focus_row(d, y / 2);
        const float *trust = rf_image_row_f32(&d->trust, y / 2);
        float *depth = rf_image_row_f32(&job->maps->depth, y),
              *confidence = rf_image_row_f32(&job->maps->confidence, y);
        float *sigma = rf_image_row_f32(&job->maps->sigma, y);
        for (int x = 0; x < d->width; x++) {
            depth[x] = fminf(fmaxf(sign * depth[x], 0.0f), farthest);
            float signal = focus[x / 2].peak[0].energy - focus[x / 2].lowest;
            confidence[x] = trust[x / 2] * signal / (signal + 4.0f * d->noise_floor);
            sigma[x] = confidence[x] > 0.0f ? fminf(0.06f / confidence[x], farthest) : farthest;
        }
    }
}

rf_status rf_depth_result(rf_depth *d, rf_depth_maps *maps, rf_error *err)
{
    rf_status status;
    if (d->in_pass || d->pass + 1 != rf_depth_passes(d))
        return rf_fail(err, RF_ERR_INTERNAL, "the depth map was asked for before its last pass ended");
    RF_TRY(rf_image_alloc(&maps->depth, d->width, d->height, 1, RF_F32, "the depth map", err));
    RF_TRY(rf_image_alloc(&maps->confidence, d->width, d->height, 1, RF_F32, "the confidence map", err));
    RF_TRY(rf_image_alloc(&maps->sigma, d->width, d->height, 1, RF_F32, "the depth deviation map", err));
    RF_TRY(rf_outline_settle(d, &maps->depth, err));
    map_job job = {d, maps};
    rf_pool_rows(d->pool, d->height, RF_DEPTH_BLOCK_ROWS, map_rows, &job);
    return RF_OK;
done:
    rf_depth_maps_free(maps);
    return status;
}

/* maps.c - from focus peaks at half size to full-size depth, confidence and sigma. */
#include "depth/state.h"

#include <math.h>

#include "railfold/memory.h"

static const float SAME_SURFACE_STEPS = 1.0f;

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

/* Bilinear between the four energy pixels around a full pixel; where they do not show one surface, the nearest. */
static float position_at(const rf_depth *d, const rf_focus *top, const rf_focus *bottom, int left, int right, float fx,
                         float fy)
{
    (void)d;
    float a = top[left].peak[0].position, b = top[right].peak[0].position;
    float c = bottom[left].peak[0].position, e = bottom[right].peak[0].position;
    float low = fminf(fminf(a, b), fminf(c, e)), high = fmaxf(fmaxf(a, b), fmaxf(c, e));
    if (high - low > SAME_SURFACE_STEPS)
        return fy < 0.5f ? (fx < 0.5f ? a : b) : (fx < 0.5f ? c : e);
    return (a * (1.0f - fx) + b * fx) * (1.0f - fy) + (c * (1.0f - fx) + e * fx) * fy;
}

static int clamp_int(int v, int low, int high)
{
    return v < low ? low : v > high ? high : v;
}

static void map_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const map_job *job = arg;
    const rf_depth *d = job->depth;
    int ew = d->energy_width, eh = d->energy_height;
    for (int y = begin; y < end; y++) {
        int j = y % 2 == 0 ? y / 2 - 1 : y / 2;
        float fy = y % 2 == 0 ? 0.75f : 0.25f;
        const rf_focus *top = d->focus + (size_t)clamp_int(j, 0, eh - 1) * (size_t)ew;
        const rf_focus *bottom = d->focus + (size_t)clamp_int(j + 1, 0, eh - 1) * (size_t)ew;
        float *depth = rf_image_row_f32(&job->maps->depth, y),
              *confidence = rf_image_row_f32(&job->maps->confidence, y);
        float *sigma = rf_image_row_f32(&job->maps->sigma, y);
        for (int x = 0; x < d->width; x++) {
            int i = x % 2 == 0 ? x / 2 - 1 : x / 2;
            int left = clamp_int(i, 0, ew - 1), right = clamp_int(i + 1, 0, ew - 1);
            depth[x] = position_at(d, top, bottom, left, right, x % 2 == 0 ? 0.75f : 0.25f, fy);
            const rf_focus *own = &d->focus[(size_t)(y / 2) * (size_t)ew + (size_t)(x / 2)];
            float signal = own->peak[0].energy - own->lowest, noise = 2.0f * own->lowest + d->noise_floor;
            confidence[x] = signal > 0.0f ? signal / (signal + 4.0f * noise) : 0.0f;
            sigma[x] =
                confidence[x] > 0.0f ? fminf(0.06f / confidence[x], (float)d->frame_count) : (float)d->frame_count;
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
    map_job job = {d, maps};
    rf_pool_rows(d->pool, d->height, RF_DEPTH_BLOCK_ROWS, map_rows, &job);
    return RF_OK;
done:
    rf_depth_maps_free(maps);
    return status;
}

/* maps.c - from focus peaks at half size to full-size depth, confidence and sigma. */
#include "depth/state.h"

#include <float.h>
#include <math.h>

#include "railfold/memory.h"

void rf_depth_maps_free(rf_depth_maps *maps)
{
    rf_image_free(&maps->depth);
    rf_image_free(&maps->confidence);
    rf_image_free(&maps->sigma);
}

size_t rf_depth_memory_bytes(int width, int height, int frame_count, int threads)
{
    return (size_t)36 * ((size_t)width + 32) * ((size_t)height + 2) +
           (size_t)threads * (320 * (size_t)width + 32 * (size_t)frame_count) + ((size_t)1 << 20);
}

/* What limits a position: the texture itself (a tenth of a pixel of blur radius, however strong) and noise (the more
 * the less a peak stands above it); both turn into steps by the blur per step. Measured on rendered and photographed
 * takes. */
static const float TEXTURE_LIMIT_PX = 0.1f, NOISE_LIMIT_PX = 7.5f;
static const float USUAL_BLUR_PX = 1.0f;         /* per step, when the take does not tell */
static const float BORROWED_STEPS = 0.3f;        /* of a position taken over from places of the same colour around */
static const float HALF_CONFIDENCE_STEPS = 0.5f; /* deviation at which confidence falls to half */
static const float FIT_WEIGHT = 0.03f; /* of what the focus curve says of sigma, against differences within the map */
static const float END_STEPS = 0.5f;   /* at the first and last frame: nothing tells how far beyond focus lies */
static const float SECOND_PEAK = 0.6f, NO_PEAK = 0.3f; /* confidence where another peak, or none, is the sharpest */

typedef struct map_job {
    const rf_depth *depth;
    rf_depth_maps *maps;
    const rf_deviation *deviation;
} map_job;

typedef struct judged {
    float confidence, sigma;
} judged;

/* How good `position` is at a place with these peaks, where the map scatters by `scatter` on `differences`. */
static judged judge(const rf_depth *d, const rf_focus *focus, float trust, float position, float scatter,
                    float differences)
{
    float blur = d->blur_px_per_step > 0.0 ? (float)(d->blur_px_per_step * 2.0 / d->cell) : USUAL_BLUR_PX;
    float guess = (float)d->frame_count * 0.288675f; /* of a position that could be any: range / sqrt 12 */
    int p = 0;
    while (p < RF_DEPTH_PEAKS &&
           !(focus->peak[p].energy > 0.0f && fabsf(focus->peak[p].position - position) < RF_SAME_STEPS))
        p++;
    float variance, agreement = p == 0 ? 1.0f : p < RF_DEPTH_PEAKS ? SECOND_PEAK : NO_PEAK;
    if (p < RF_DEPTH_PEAKS) {
        float over = (focus->peak[p].energy - focus->lowest) / (d->noise_floor + FLT_MIN);
        float texture = TEXTURE_LIMIT_PX / blur, noise = NOISE_LIMIT_PX / (blur * rf_higher(over, 1.0f));
        variance = texture * texture + noise * noise;
    } else {
        variance = BORROWED_STEPS * BORROWED_STEPS;
    }
    float share = differences / (differences + FIT_WEIGHT), unsure = (1.0f - trust) * guess * guess;
    float seen = share * scatter * scatter + (1.0f - share) * variance;
    if (position <= 0.0f || position >= (float)(d->frame_count - 1))
        seen += END_STEPS * END_STEPS;
    float relative = (trust * variance + unsure) / (HALF_CONFIDENCE_STEPS * HALF_CONFIDENCE_STEPS);
    return (judged){trust * agreement / (1.0f + relative), rf_lower(sqrtf(trust * seen + unsure), guess)};
}

/* Ways to frame positions within the take. */
static void depth_row(const rf_depth *d, float *depth)
{
    float sign = rf_way_sign(d), farthest = (float)(d->frame_count - 1);
    for (int x = 0; x < d->width; x++)
        depth[x] = rf_lower(rf_higher(sign * depth[x], 0.0f), farthest);
}

static void depth_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const map_job *job = arg;
    for (int y = begin; y < end; y++)
        depth_row(job->depth, rf_image_row_f32(&job->maps->depth, y));
}

static void map_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const map_job *job = arg;
    const rf_depth *d = job->depth;
    for (int y = begin; y < end; y++) {
        const rf_focus *focus = rf_focus_row(d, rf_energy_row(d, y));
        const float *trust = rf_image_row_f32(&d->trust, rf_energy_row(d, y));
        float *depth = rf_image_row_f32(&job->maps->depth, y),
              *confidence = rf_image_row_f32(&job->maps->confidence, y);
        const float *scatter = rf_image_row_f32(&job->deviation->steps, rf_energy_row(d, y));
        const float *differences = rf_image_row_f32(&job->deviation->differences, rf_energy_row(d, y));
        float *sigma = rf_image_row_f32(&job->maps->sigma, y);
        depth_row(d, depth);
        for (int x = 0; x < d->width; x++) {
            int i = rf_energy_column(d, x);
            judged j = judge(d, &focus[i], trust[i], depth[x], scatter[i], differences[i]);
            confidence[x] = j.confidence;
            sigma[x] = j.sigma;
        }
    }
}

rf_status rf_depth_result(rf_depth *d, rf_depth_maps *maps, rf_error *err)
{
    rf_status status;
    rf_deviation deviation = {{0}, {0}};
    if (d->in_pass || d->pass + 1 != rf_depth_passes(d))
        return rf_fail(err, RF_ERR_INTERNAL, "the depth map was asked for before its last pass ended");
    RF_TRY(rf_outline_settle(d, &maps->depth, err)); /* before the other maps take memory */
    map_job job = {d, maps, &deviation};
    if (d->options.depth_alone) {
        rf_pool_rows(d->pool, d->height, RF_DEPTH_BLOCK_ROWS, depth_rows, &job);
        return RF_OK;
    }
    RF_TRY(rf_deviation_find(d, &maps->depth, &deviation, err));
    RF_TRY(rf_image_alloc_raw(&maps->confidence, d->width, d->height, 1, RF_F32, "the confidence map", err));
    RF_TRY(rf_image_alloc_raw(&maps->sigma, d->width, d->height, 1, RF_F32, "the depth deviation map", err));
    rf_pool_rows(d->pool, d->height, RF_DEPTH_BLOCK_ROWS, map_rows, &job);
    rf_deviation_free(&deviation);
    return RF_OK;
done:
    rf_deviation_free(&deviation);
    rf_depth_maps_free(maps);
    return status;
}

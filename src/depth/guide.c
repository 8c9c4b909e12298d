/* guide.c - the guide picture: every place as the frames show it that are focused on the nearest part around it. There
 * the outline of that part is sharp and the ground behind it smooth, which no other picture of the take offers. */
#include <math.h>

#include "depth/state.h"
#include "railfold/memory.h"

static const float WIDTH_STEPS = 0.6f; /* standard deviation of a frame's weight over its distance */
static const float REACH_STEPS = 2.0f;

rf_status rf_guide_begin(rf_depth *d, rf_error *err)
{
    rf_status status;
    RF_TRY(rf_image_alloc(&d->guide, d->width, d->height, 3, RF_F32, "the guide picture", err));
    RF_TRY(rf_image_alloc(&d->guide_weight, d->width, d->height, 1, RF_F32, "the guide picture", err));
done:
    return status;
}

typedef struct guide_job {
    rf_depth *d;
    const rf_image *frame;
    const int (*covered)[2];
    float way;
} guide_job;

static void add_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const guide_job *job = arg;
    rf_depth *d = job->d;
    int grey = job->frame->channels == 1;
    for (int y = begin; y < end; y++) {
        const float *at = rf_image_row_f32(&d->guide_at, y / 2), *from = rf_image_row_f32(job->frame, y);
        float *sum = rf_image_row_f32(&d->guide, y), *total = rf_image_row_f32(&d->guide_weight, y);
        int first = job->covered != NULL ? job->covered[y][0] : 0;
        int last = job->covered != NULL ? job->covered[y][1] : d->width;
        for (int x = first; x < last; x++) {
            float away = (job->way - at[x / 2]) * (1.0f / WIDTH_STEPS);
            if (fabsf(away) > REACH_STEPS / WIDTH_STEPS)
                continue;
            float weight = expf(-0.5f * away * away);
            total[x] += weight;
            for (int c = 0; c < 3; c++)
                sum[3 * x + c] += weight * from[grey ? x : 3 * x + c];
        }
    }
}

void rf_guide_add(rf_depth *d, int k, const rf_image *frame, const int (*covered)[2])
{
    guide_job job = {d, frame, covered, rf_way_sign(d) * (float)k};
    rf_pool_rows(d->pool, d->height, RF_DEPTH_BLOCK_ROWS, add_rows, &job);
}

static void divide_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_depth *d = arg;
    for (int y = begin; y < end; y++) {
        float *sum = rf_image_row_f32(&d->guide, y);
        const float *total = rf_image_row_f32(&d->guide_weight, y);
        for (int x = 0; x < d->width; x++) {
            float scale = total[x] > 0.0f ? 1.0f / total[x] : 0.0f;
            for (int c = 0; c < 3; c++)
                sum[3 * x + c] *= scale;
        }
    }
}

void rf_guide_end(rf_depth *d)
{
    rf_pool_rows(d->pool, d->height, RF_DEPTH_BLOCK_ROWS, divide_rows, d);
    rf_image_free(&d->guide_weight);
}

/* fill.c - smooth continuation into places without a measurement: weighted means go down a pyramid until every place
 * has some, and come back up where they are needed (pull-push: Gortler et al., "The Lumigraph", SIGGRAPH 1996). */
#include <math.h>

#include "depth/state.h"

enum { MAX_LEVELS = 20 };

/* Below this weight the continuation takes over, smoothly. */
static const float ENOUGH = 0.25f;

typedef struct level {
    rf_image value, weight;
} level;

typedef struct level_job {
    level *fine, *coarse;
} level_job;

static void pull_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const level_job *job = arg;
    const level *fine = job->fine;
    int width = fine->value.width, height = fine->value.height;
    for (int j = begin; j < end; j++) {
        float *value = rf_image_row_f32(&job->coarse->value, j), *weight = rf_image_row_f32(&job->coarse->weight, j);
        for (int i = 0; i < job->coarse->value.width; i++) {
            float sum = 0.0f, total = 0.0f;
            for (int dy = 0; dy < 2; dy++)
                for (int dx = 0; dx < 2; dx++) {
                    int y = 2 * j + dy, x = 2 * i + dx;
                    if (y >= height || x >= width)
                        continue;
                    float w = rf_image_row_f32(&fine->weight, y)[x];
                    sum += w * rf_image_row_f32(&fine->value, y)[x];
                    total += w;
                }
            value[i] = total > 0.0f ? sum / total : 0.0f;
            weight[i] = total < 1.0f ? total : 1.0f;
        }
    }
}

/* Bilinear sample of the coarse level under fine pixel (x, y). */
static float coarse_value(const rf_image *coarse, int x, int y)
{
    int i = x % 2 == 0 ? x / 2 - 1 : x / 2, j = y % 2 == 0 ? y / 2 - 1 : y / 2;
    float fx = x % 2 == 0 ? 0.75f : 0.25f, fy = y % 2 == 0 ? 0.75f : 0.25f;
    int left = rf_clamp_int(i, 0, coarse->width - 1), right = rf_clamp_int(i + 1, 0, coarse->width - 1);
    const float *top = rf_image_row_f32(coarse, rf_clamp_int(j, 0, coarse->height - 1));
    const float *bottom = rf_image_row_f32(coarse, rf_clamp_int(j + 1, 0, coarse->height - 1));
    return (top[left] * (1.0f - fx) + top[right] * fx) * (1.0f - fy) +
           (bottom[left] * (1.0f - fx) + bottom[right] * fx) * fy;
}

static void push_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const level_job *job = arg;
    for (int y = begin; y < end; y++) {
        float *value = rf_image_row_f32(&job->fine->value, y);
        const float *weight = rf_image_row_f32(&job->fine->weight, y);
        for (int x = 0; x < job->fine->value.width; x++) {
            if (weight[x] >= ENOUGH)
                continue;
            float own = weight[x] / ENOUGH;
            value[x] = own * value[x] + (1.0f - own) * coarse_value(&job->coarse->value, x, y);
        }
    }
}

rf_status rf_plane_fill(rf_image *value, const rf_image *weight, rf_pool *pool, rf_error *err)
{
    rf_status status = RF_OK;
    level levels[MAX_LEVELS] = {{{0}, {0}}};
    int count = 1;
    levels[0] = (level){*value, *weight};
    for (int w = value->width, h = value->height; count < MAX_LEVELS && (w > 1 || h > 1); count++) {
        w = (w + 1) / 2;
        h = (h + 1) / 2;
        RF_TRY(rf_image_alloc_raw(&levels[count].value, w, h, 1, RF_F32, "the depth guess", err));
        RF_TRY(rf_image_alloc_raw(&levels[count].weight, w, h, 1, RF_F32, "the depth guess", err));
        level_job job = {&levels[count - 1], &levels[count]};
        rf_pool_rows(pool, h, RF_DEPTH_BLOCK_ROWS, pull_rows, &job);
    }
    for (int i = count - 2; i >= 0; i--) {
        level_job job = {&levels[i], &levels[i + 1]};
        rf_pool_rows(pool, levels[i].value.height, RF_DEPTH_BLOCK_ROWS, push_rows, &job);
    }
done:
    for (int i = 1; i < MAX_LEVELS; i++) {
        rf_image_free(&levels[i].value);
        rf_image_free(&levels[i].weight);
    }
    return status;
}

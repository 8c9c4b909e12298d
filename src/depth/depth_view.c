/* depth_view.c - colours for a depth map. */
#include "railfold/depth_view.h"

#include <float.h>
#include <math.h>
#include <stddef.h>
#include <stdint.h>

#include "base/hot.h"

/* Anchors of our own in a*b*, evenly spaced along the way; lightness is linear from the first to the last. */
static const float ANCHORS[5][2] = {{-4, 32}, {-25, 17}, {-22, -12}, {1, -32}, {26, -30}};
static const float LIGHT_NEAR = 92, LIGHT_FAR = 18;

static float lab_inverse(float t)
{
    return t > 6.0f / 29.0f ? t * t * t : 3 * (6.0f / 29.0f) * (6.0f / 29.0f) * (t - 4.0f / 29.0f);
}

static uint8_t byte_of(float linear)
{
    return (uint8_t)(rf_coded_from_linear(linear) * 255.0f + 0.5f);
}

void rf_depth_colour(float t, uint8_t rgb[3])
{
    t = t > 0 ? (t < 1 ? t : 1) : 0;
    float at = t * 4;
    int i = at < 3 ? (int)at : 3;
    float share = at - (float)i;
    float light = LIGHT_NEAR + t * (LIGHT_FAR - LIGHT_NEAR);
    float a = ANCHORS[i][0] + share * (ANCHORS[i + 1][0] - ANCHORS[i][0]);
    float b = ANCHORS[i][1] + share * (ANCHORS[i + 1][1] - ANCHORS[i][1]);
    float fy = (light + 16) / 116;
    float x = 0.95047f * lab_inverse(fy + a / 500), y = lab_inverse(fy), z = 1.08883f * lab_inverse(fy - b / 200);
    rgb[0] = byte_of(3.2406f * x - 1.5372f * y - 0.4986f * z);
    rgb[1] = byte_of(-0.9689f * x + 1.8758f * y + 0.0415f * z);
    rgb[2] = byte_of(0.0557f * x - 0.2040f * y + 1.0570f * z);
}

enum { COLOURS = 1024, GREY = 128, BINS = 4096 };

typedef struct colour_job {
    const rf_image *depth, *confidence;
    rf_image *rgb;
    float near, per_step;
    uint8_t table[COLOURS][3];
} colour_job;

static void colour_rows(void *arg, int begin, int end, int block, int thread)
{
    colour_job *job = arg;
    (void)block;
    (void)thread;
    for (int y = begin; y < end; y++) {
        const float *depth = rf_image_row_f32(job->depth, y);
        const float *sure = job->confidence != NULL ? rf_image_row_f32(job->confidence, y) : NULL;
        uint8_t *out = rf_image_row(job->rgb, y);
        for (int x = 0; x < job->depth->width; x++) {
            float at = (depth[x] - job->near) * job->per_step;
            int index = at > 0 ? (at < COLOURS - 1 ? (int)(at + 0.5f) : COLOURS - 1) : 0;
            float keep = !isfinite(depth[x]) ? 0 : sure == NULL ? 1 : sure[x] >= 0.25f ? 1 : 0.3f + 2.8f * sure[x];
            for (int c = 0; c < 3; c++)
                out[3 * x + c] = (uint8_t)(keep * (float)job->table[index][c] + (1 - keep) * GREY + 0.5f);
        }
    }
}

void rf_depth_colour_view(const rf_image *depth, const rf_image *confidence, float near, float far, rf_image *rgb,
                          rf_pool *pool)
{
    colour_job job = {.depth = depth, .confidence = confidence, .rgb = rgb, .near = near};
    job.per_step = far != near ? (COLOURS - 1) / (far - near) : 0;
    for (int i = 0; i < COLOURS; i++)
        rf_depth_colour((float)i / (COLOURS - 1), job.table[i]);
    rf_pool_rows(pool, depth->height, 32, colour_rows, &job);
}

enum { LANES = 16 };

typedef struct range_lanes {
    float low[LANES], high[LANES];
    int32_t count[LANES]; /* of one row */
} range_lanes;

RF_HOT_PART void take_in(range_lanes *restrict r, int lane, float v)
{
    int known = fabsf(v) <= FLT_MAX;
    float low = known ? v : INFINITY, high = known ? v : -INFINITY;
    r->low[lane] = low < r->low[lane] ? low : r->low[lane];
    r->high[lane] = high > r->high[lane] ? high : r->high[lane];
    r->count[lane] += known;
}

RF_HOT static void widen(range_lanes *restrict r, const float *restrict row, int n)
{
    for (int l = 0; l < LANES; l++)
        r->count[l] = 0;
    int x = 0;
    for (; x + LANES <= n; x += LANES)
        for (int l = 0; l < LANES; l++)
            take_in(r, l, row[x + l]);
    for (; x < n; x++)
        take_in(r, 0, row[x]);
}

static int whole_range(const rf_image *depth, float *low, float *high, double *count)
{
    range_lanes r;
    *low = INFINITY;
    *high = -INFINITY;
    *count = 0;
    for (int l = 0; l < LANES; l++) {
        r.low[l] = INFINITY;
        r.high[l] = -INFINITY;
    }
    for (int y = 0; y < depth->height; y++) {
        widen(&r, rf_image_row_f32(depth, y), depth->width);
        for (int l = 0; l < LANES; l++)
            *count += r.count[l];
    }
    for (int l = 0; l < LANES; l++) {
        *low = r.low[l] < *low ? r.low[l] : *low;
        *high = r.high[l] > *high ? r.high[l] : *high;
    }
    return *count > 0;
}

int rf_depth_range(const rf_image *depth, float share, float *low, float *high)
{
    double count, bins[BINS] = {0}, below = 0;
    if (!whole_range(depth, low, high, &count))
        return 0;
    float start = *low, per_bin = (*high - *low) / BINS;
    if (!(per_bin > 0) || share <= 0)
        return 1;
    for (int y = 0; y < depth->height; y++) {
        const float *row = rf_image_row_f32(depth, y);
        for (int x = 0; x < depth->width; x++)
            if (isfinite(row[x])) {
                int bin = (int)((row[x] - start) / per_bin);
                bins[bin < BINS ? bin : BINS - 1] += 1;
            }
    }
    int first = 0, last = BINS - 1;
    for (below = bins[0]; first < BINS - 1 && below < share * count; below += bins[++first]) {
    }
    for (below = bins[BINS - 1]; last > first && below < share * count; below += bins[--last]) {
    }
    *low = start + per_bin * (float)first;
    *high = start + per_bin * (float)(last + 1);
    return 1;
}

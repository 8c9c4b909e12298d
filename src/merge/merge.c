/* merge.c - the accumulators and their two rounds; the method is told in merge.h. */
#include "railfold/merge.h"

#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "railfold/memory.h"
#include "veil.h"
#include "width.h"

enum { TILE = RF_VEIL_TILE, LUT_STEPS = 4096 };

/* The soft round raises energy to the fourth power: far from the mean of all frames, short of picking one by chance. */
#define SOFT_FLOOR 1e-12f   /* weight of a frame that shows nothing sharp: its share matters only where all are so */
#define FINAL_FLOOR 1e-9f
#define VEIL_GAP_STEPS 1.5f /* a part this much nearer than the focus plane is another surface, not the same slope */
#define LEFT_FLOOR 0.2f     /* a veil of more than four fifths of the light is believed less and less */
#define BELIEF_FLOOR 0.02f
#define SEEN_FLOOR 0.25f    /* below this transmission too little of the ground is left to be amplified */

struct rf_merge {
    rf_merge_settings settings;
    rf_pool *pool;
    rf_image sum;     /* RF_F32, weighted sum of frames; at the end the picture */
    rf_image weight;  /* RF_F32 */
    rf_image picture; /* RF_F32: the last finished picture, coded; during a final round in linear light */
    rf_image width;   /* RF_U8, see width.h */
    rf_veil_blocks blocks;
    const rf_image *depth;
    float *scratch; /* per thread: transmission, veil, grids */
    size_t scratch_floats;
    float linear[LUT_STEPS + 1]; /* linear light of coded i / LUT_STEPS */
    float coded[LUT_STEPS + 1];  /* coded value of linear light (i / LUT_STEPS)^2: the root makes the curve almost straight */
};

static size_t tile_floats(int channels)
{
    return (size_t)TILE * TILE * (size_t)(1 + channels) + rf_veil_scratch_floats(channels);
}

size_t rf_merge_bytes(const rf_merge_settings *settings)
{
    size_t pixels = (size_t)settings->width * (size_t)settings->height, channels = (size_t)settings->channels;
    return pixels * (8 * channels + 5);
}

rf_status rf_merge_create(rf_merge **out, const rf_merge_settings *settings, rf_pool *pool, rf_error *err)
{
    rf_status status;
    rf_merge *merge = NULL;
    int w = settings->width, h = settings->height;
    *out = NULL;
    RF_TRY(rf_alloc(&merge, 1, sizeof *merge, "the merge", err));
    merge->settings = *settings;
    merge->pool = pool;
    merge->scratch_floats = tile_floats(settings->channels);
    RF_TRY(rf_image_alloc(&merge->sum, w, h, settings->channels, RF_F32, "the merge sum", err));
    RF_TRY(rf_image_alloc(&merge->weight, w, h, 1, RF_F32, "the merge weights", err));
    RF_TRY(rf_image_alloc(&merge->picture, w, h, settings->channels, RF_F32, "the merged picture", err));
    RF_TRY(rf_alloc_raw(&merge->scratch, (size_t)rf_pool_threads(pool) * merge->scratch_floats, sizeof(float),
                        "scratch of the merge", err));
    for (int i = 0; i <= LUT_STEPS; i++) {
        float t = (float)i / LUT_STEPS;
        merge->linear[i] = rf_linear_from_coded(t);
        merge->coded[i] = rf_coded_from_linear(t * t);
    }
    *out = merge;
    return RF_OK;
done:
    rf_merge_destroy(&merge);
    return status;
}

void rf_merge_destroy(rf_merge **merge_at)
{
    rf_merge *merge = *merge_at;
    if (merge == NULL)
        return;
    rf_image_free(&merge->sum);
    rf_image_free(&merge->weight);
    rf_image_free(&merge->picture);
    rf_image_free(&merge->width);
    rf_veil_blocks_free(&merge->blocks);
    rf_free(merge->scratch);
    rf_free(merge);
    *merge_at = NULL;
}

typedef struct add_job {
    rf_merge *merge;
    const rf_image *frame, *energy;
    float per_floor; /* 1 / noise floor of the energy */
    const rf_span *spans;
    int k, across; /* tiles across */
} add_job;

RF_HOT static void add_weighted(float *restrict sum, float *restrict total, const float *restrict frame,
                         const float *restrict weight, int begin, int end, int channels)
{
    for (int x = begin; x < end; x++)
        total[x] += weight[x];
    if (channels == 1)
        for (int x = begin; x < end; x++)
            sum[x] += weight[x] * frame[x];
    else
        for (int x = begin; x < end; x++)
            for (int c = 0; c < 3; c++)
                sum[3 * x + c] += weight[x] * frame[3 * x + c];
}

static void soft_rows(void *arg, int begin, int end, int block, int thread)
{
    add_job *job = arg;
    (void)block;
    rf_merge *merge = job->merge;
    float *weight = merge->scratch + (size_t)thread * merge->scratch_floats;
    for (int y = begin; y < end; y++) {
        rf_span span = job->spans[y];
        const float *energy = rf_image_row_f32(job->energy, y / 2);
        int chunk = TILE * TILE; /* rows wider than the scratch go in pieces */
        for (int x0 = span.begin; x0 < span.end; x0 += chunk) {
            int n = span.end - x0 < chunk ? span.end - x0 : chunk;
            for (int x = 0; x < n; x++) {
                float s = energy[(x0 + x) / 2] * job->per_floor;
                weight[x] = s * s * s * s + SOFT_FLOOR;
            }
            int c = merge->settings.channels;
            add_weighted(rf_image_row_f32(&merge->sum, y) + (size_t)x0 * (size_t)c, rf_image_row_f32(&merge->weight, y) + x0,
                         rf_image_row_f32(job->frame, y) + (size_t)x0 * (size_t)c, weight, 0, n, c);
        }
    }
}

void rf_merge_add_soft(rf_merge *merge, const rf_image *frame, const rf_span *spans, const rf_image *energy,
                       float noise_floor)
{
    add_job job = {.merge = merge, .frame = frame, .energy = energy, .spans = spans};
    job.per_floor = noise_floor > 0 ? 1 / noise_floor : 1e6f;
    rf_pool_rows(merge->pool, frame->height, 16, soft_rows, &job);
}

static void finish_rows(void *arg, int begin, int end, int block, int thread)
{
    rf_merge *merge = arg;
    (void)block;
    (void)thread;
    int channels = merge->settings.channels;
    for (int y = begin; y < end; y++) {
        float *sum = rf_image_row_f32(&merge->sum, y), *weight = rf_image_row_f32(&merge->weight, y);
        float *out = rf_image_row_f32(&merge->picture, y);
        for (int x = 0; x < merge->settings.width; x++) {
            float share = weight[x] > 0 ? 1 / weight[x] : 0;
            for (int c = 0; c < channels; c++) {
                float value = sum[x * channels + c] * share;
                out[x * channels + c] = value < 0 ? 0 : value > 1 ? 1 : value;
            }
        }
        memset(sum, 0, (size_t)merge->settings.width * (size_t)channels * sizeof *sum);
        memset(weight, 0, (size_t)merge->settings.width * sizeof *weight);
    }
}

const rf_image *rf_merge_finish_soft(rf_merge *merge)
{
    rf_pool_rows(merge->pool, merge->settings.height, 16, finish_rows, merge);
    return &merge->picture;
}

const rf_image *rf_merge_finish(rf_merge *merge)
{
    merge->depth = NULL;
    return rf_merge_finish_soft(merge);
}

/* Table of LUT_STEPS + 1 values over 0..1, interpolated; t is clipped. */
static float look_up(const float *table, float t)
{
    float at = (t < 0 ? 0 : t > 1 ? 1 : t) * LUT_STEPS;
    int i = (int)at;
    i = i < LUT_STEPS ? i : LUT_STEPS - 1;
    return table[i] + (at - (float)i) * (table[i + 1] - table[i]);
}

static float to_linear(const rf_merge *merge, float coded)
{
    return look_up(merge->linear, coded);
}

static float to_coded(const rf_merge *merge, float linear)
{
    return look_up(merge->coded, sqrtf(linear > 0 ? linear : 0));
}

static void linear_rows(void *arg, int begin, int end, int block, int thread)
{
    rf_merge *merge = arg;
    (void)block;
    (void)thread;
    size_t n = (size_t)merge->settings.width * (size_t)merge->settings.channels;
    for (int y = begin; y < end; y++) {
        float *row = rf_image_row_f32(&merge->picture, y);
        for (size_t i = 0; i < n; i++)
            row[i] = to_linear(merge, row[i]);
    }
}

rf_status rf_merge_begin(rf_merge *merge, const rf_image *depth, float blur_px_per_step, float noise, rf_error *err)
{
    rf_status status;
    int w = merge->settings.width, h = merge->settings.height;
    merge->settings.blur_px_per_step = blur_px_per_step;
    merge->settings.noise = noise;
    merge->depth = depth;
    RF_TRY(rf_image_alloc(&merge->width, w, h, 1, RF_U8, "the focus range map", err));
    RF_TRY(rf_width_map(&merge->picture, blur_px_per_step, noise, &merge->width, merge->pool, err));
    rf_veil_blocks_free(&merge->blocks);
    RF_TRY(rf_veil_blocks_make(&merge->blocks, depth, err));
    rf_pool_rows(merge->pool, h, 16, linear_rows, merge);
done:
    return status;
}

/* Weights of frame k along a row piece; returns whether any is worth the work. */
RF_HOT static int final_weights(const rf_merge *merge, int k, int y, int x0, int n, float *weight)
{
    const float *depth = rf_image_row_f32(merge->depth, y) + x0;
    const uint8_t *width = (const uint8_t *)rf_image_row(&merge->width, y) + x0;
    float most = 0;
    for (int x = 0; x < n; x++) {
        float q = ((float)k - depth[x]) * RF_WIDTH_UNIT / (float)width[x];
        q *= q;
        /* Beyond 6 widths a frame counts only where no better one covers the pixel, and then the nearest. */
        weight[x] = q < 36 ? 1 / (1 + q * q) : FINAL_FLOOR * 36 * 36 / (q * q);
        most = weight[x] > most ? weight[x] : most;
    }
    return most > FINAL_FLOOR;
}

/* How far to believe the veil of one pixel, 0..1: an estimate that leaves next to nothing of what the frame shows is more
 * likely wrong than the ground black. */
static float belief(const float *light, const float *veil, int channels)
{
    float least = 1;
    for (int c = 0; c < channels; c++) {
        float left = (light[c] - veil[c]) / (LEFT_FLOOR * light[c] + 1e-4f);
        least = left < least ? left : least;
    }
    return least > 0 ? least : 0;
}

/* One row of a tile with the veil taken off; the weights of pixels that show too little of their ground fall. */
static void unveil_row(const rf_merge *merge, const float *frame, const float *transmission, const float *veil,
                       float *weight, float *out, int n)
{
    int channels = merge->settings.channels;
    for (int x = 0; x < n; x++) {
        const float *from = frame + x * channels, *v = veil + x * channels;
        float t = transmission[x], light[3];
        if (t > 0.998f) {
            for (int c = 0; c < channels; c++)
                out[x * channels + c] = from[c];
            continue;
        }
        for (int c = 0; c < channels; c++)
            light[c] = to_linear(merge, from[c]);
        float believed = belief(light, v, channels), trust = (t - SEEN_FLOOR) / SEEN_FLOOR;
        if (trust <= 0) { /* next to nothing of the ground is seen: as it is, should no other frame be there */
            weight[x] *= FINAL_FLOOR;
            for (int c = 0; c < channels; c++)
                out[x * channels + c] = from[c];
            continue;
        }
        weight[x] *= (trust > 1 ? 1 : trust) * (believed + BELIEF_FLOOR);
        for (int c = 0; c < channels; c++)
            out[x * channels + c] = to_coded(merge, (light[c] - v[c]) / t);
    }
}

static void final_tiles(void *arg, int begin, int end, int block, int thread)
{
    add_job *job = arg;
    (void)block;
    rf_merge *merge = job->merge;
    int channels = merge->settings.channels, w = merge->settings.width, h = merge->settings.height;
    float *transmission = merge->scratch + (size_t)thread * merge->scratch_floats;
    float *veil = transmission + TILE * TILE, *grids = veil + TILE * TILE * channels;
    rf_veil_scene scene = {merge->depth, &merge->blocks, &merge->picture, merge->settings.blur_px_per_step, VEIL_GAP_STEPS};
    for (int tile = begin; tile < end; tile++) {
        int x0 = tile % job->across * TILE, y0 = tile / job->across * TILE;
        int x1 = x0 + TILE < w ? x0 + TILE : w, y1 = y0 + TILE < h ? y0 + TILE : h;
        int veiled = -1; /* not asked yet */
        for (int y = y0; y < y1; y++) {
            int from = job->spans[y].begin > x0 ? job->spans[y].begin : x0;
            int to = job->spans[y].end < x1 ? job->spans[y].end : x1, n = to - from;
            float weight[TILE], clear[3 * TILE];
            if (n <= 0)
                continue;
            int worth = final_weights(merge, job->k, y, from, n, weight);
            const float *frame = rf_image_row_f32(job->frame, y) + (size_t)from * (size_t)channels;
            if (worth && veiled < 0)
                veiled = merge->settings.veil && rf_veil_tile(&scene, (float)job->k, x0, y0, transmission, veil, grids);
            if (worth && veiled == 1) {
                int at = (y - y0) * TILE + from - x0;
                unveil_row(merge, frame, transmission + at, veil + at * channels, weight, clear, n);
                frame = clear;
            }
            add_weighted(rf_image_row_f32(&merge->sum, y) + (size_t)from * (size_t)channels,
                         rf_image_row_f32(&merge->weight, y) + from, frame, weight, 0, n, channels);
        }
    }
}

void rf_merge_add(rf_merge *merge, int k, const rf_image *frame, const rf_span *spans)
{
    int across = (merge->settings.width + TILE - 1) / TILE, down = (merge->settings.height + TILE - 1) / TILE;
    add_job job = {.merge = merge, .frame = frame, .spans = spans, .k = k, .across = across};
    rf_pool_rows(merge->pool, across * down, 1, final_tiles, &job);
}

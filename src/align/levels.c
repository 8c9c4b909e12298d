/* levels.c - Gaussian pyramid (Burt & Adelson 1983, binomial of five), its band-passed levels, and tile sharpness. */
#include "levels.h"

#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "base/select.h"
#include "railfold/memory.h"

enum { BLOCK_ROWS = 32, SMALL_SIDE_PX = 96, LEAST_COARSE_PX = 96 };

static int clamp_index(int i, int count)
{
    return i < 0 ? 0 : i >= count ? count - 1 : i;
}

rf_status rf_levels_scratch_alloc(rf_levels_scratch *scratch, int width, int height, rf_error *err)
{
    rf_status status;
    memset(scratch, 0, sizeof *scratch);
    scratch->width[0] = width;
    scratch->height[0] = height;
    int n = 1;
    while (n < RF_LEVELS_MAX && (width > RF_COARSE_SIDE_PX || height > RF_COARSE_SIDE_PX ||
                                 (n < RF_LEVELS_WANTED && width >= LEAST_COARSE_PX && height >= LEAST_COARSE_PX))) {
        scratch->width[n] = width = (width + 1) / 2;
        scratch->height[n] = height = (height + 1) / 2;
        n++;
    }
    scratch->width[n] = (width + 1) / 2; /* one more: the coarsest band needs something to subtract */
    scratch->height[n] = (height + 1) / 2;
    scratch->count = n;
    for (int l = 0; l <= n; l++)
        RF_TRY(rf_alloc_raw(&scratch->smooth[l], (size_t)scratch->width[l] * (size_t)scratch->height[l], sizeof(float),
                            "the alignment pyramid", err));
    RF_TRY(rf_alloc_raw(&scratch->clean, (size_t)scratch->width[0] * (size_t)scratch->height[0], sizeof(float),
                        "the alignment pyramid", err));
    return RF_OK;
done:
    rf_levels_scratch_free(scratch);
    return status;
}

void rf_levels_scratch_free(rf_levels_scratch *scratch)
{
    for (int l = 0; l <= RF_LEVELS_MAX; l++)
        rf_free(scratch->smooth[l]);
    rf_free(scratch->clean);
    memset(scratch, 0, sizeof *scratch);
}

rf_status rf_levels_alloc(rf_levels *levels, const rf_levels_scratch *scratch, rf_error *err)
{
    rf_status status;
    memset(levels, 0, sizeof *levels);
    levels->count = scratch->count;
    for (int l = 0; l < levels->count; l++) {
        rf_level *level = &levels->level[l];
        int w = level->width = scratch->width[l], h = level->height = scratch->height[l];
        level->tile = (w < h ? w : h) < SMALL_SIDE_PX ? 8 : 16;
        level->across = w / level->tile;
        level->down = h / level->tile;
        if (level->across > 1 && w % level->tile < level->tile / 2)
            level->across--; /* a tile that touches the border could never be compared */
        if (level->down > 1 && h % level->tile < level->tile / 2)
            level->down--;
        level->left = (w - level->across * level->tile) / 2;
        level->top = (h - level->down * level->tile) / 2;
        size_t tiles = (size_t)level->across * (size_t)level->down;
        RF_TRY(rf_alloc_raw(&level->band, (size_t)w * (size_t)h, sizeof(float), "the alignment pyramid", err));
        RF_TRY(rf_alloc(&level->energy, tiles, sizeof(float), "the alignment tiles", err));
        RF_TRY(rf_alloc(&level->clipped, tiles, sizeof(float), "the alignment tiles", err));
    }
    int c = levels->count - 1;
    RF_TRY(rf_alloc(&levels->coarse, (size_t)scratch->width[c] * (size_t)scratch->height[c], sizeof(float),
                    "the alignment pyramid", err));
    return RF_OK;
done:
    rf_levels_free(levels);
    return status;
}

void rf_levels_free(rf_levels *levels)
{
    for (int l = 0; l < RF_LEVELS_MAX; l++) {
        rf_free(levels->level[l].band);
        rf_free(levels->level[l].energy);
        rf_free(levels->level[l].clipped);
    }
    rf_free(levels->coarse);
    memset(levels, 0, sizeof *levels);
}

typedef struct level_job {
    const rf_image *luma;
    rf_levels_scratch *scratch;
    rf_levels *levels;
    int l;
} level_job;

static float min3(float a, float b, float c)
{
    float m = a < b ? a : b;
    return m < c ? m : c;
}
static float max3(float a, float b, float c)
{
    float m = a > b ? a : b;
    return m > c ? m : c;
}

/* A pixel that stands out of all its eight neighbours by more than a lens can make it is a fault of the sensor: it
 * would sit still while the picture moves. */
RF_HOT static void clean_rows(void *arg, int begin, int end, int block, int thread)
{
    static const float step = 0.08f;
    level_job *job = arg;
    (void)block, (void)thread;
    int w = job->luma->width, h = job->luma->height;
    for (int y = begin; y < end; y++) {
        const float *up = rf_image_row_f32(job->luma, clamp_index(y - 1, h)), *at = rf_image_row_f32(job->luma, y);
        const float *down = rf_image_row_f32(job->luma, clamp_index(y + 1, h));
        float *out = job->scratch->clean + (size_t)y * (size_t)w;
        out[0] = at[0];
        out[w - 1] = at[w - 1];
        if (y == 0 || y == h - 1) {
            memcpy(out, at, (size_t)w * sizeof *out);
            continue;
        }
        for (int x = 1; x < w - 1; x++) {
            float low = min3(min3(up[x - 1], up[x], up[x + 1]), min3(down[x - 1], down[x], down[x + 1]), at[x - 1]);
            float high = max3(max3(up[x - 1], up[x], up[x + 1]), max3(down[x - 1], down[x], down[x + 1]), at[x - 1]);
            low = low < at[x + 1] ? low : at[x + 1];
            high = high > at[x + 1] ? high : at[x + 1];
            float v = at[x];
            v = v > high + step ? high : v;
            out[x] = v < low - step ? low : v;
        }
    }
}

/* smooth[l] from the level's own luma in `clean`: binomial [1 4 6 4 1] / 16 both ways (sigma 1 px). */
RF_HOT static void smooth_rows(void *arg, int begin, int end, int block, int thread)
{
    level_job *job = arg;
    (void)block, (void)thread;
    int w = job->scratch->width[job->l], h = job->scratch->height[job->l];
    const float *in = job->scratch->clean;
    for (int y = begin; y < end; y++) {
        const float *r[5];
        for (int i = 0; i < 5; i++)
            r[i] = in + (size_t)clamp_index(y + i - 2, h) * (size_t)w;
        float *out = job->scratch->smooth[job->l] + (size_t)y * (size_t)w;
        for (int x0 = 0; x0 < w; x0 += 256) {
            float column[260];
            int n = w - x0 < 256 ? w - x0 : 256;
            for (int i = 0; i < n; i++)
                column[i + 2] = (r[0][x0 + i] + r[4][x0 + i]) + 4 * (r[1][x0 + i] + r[3][x0 + i]) + 6 * r[2][x0 + i];
            for (int i = -2; i < n + 2; i += (i == -1 ? n + 1 : 1)) { /* the two columns on either side */
                int x = clamp_index(x0 + i, w);
                column[i + 2] = (r[0][x] + r[4][x]) + 4 * (r[1][x] + r[3][x]) + 6 * r[2][x];
            }
            for (int i = 0; i < n; i++)
                out[x0 + i] = ((column[i] + column[i + 4]) + 4 * (column[i + 1] + column[i + 3]) + 6 * column[i + 2]) *
                              (1.0f / 256.0f);
        }
    }
}

/* The next level's own luma: every second pixel of the smoothed one. */
static void halve(rf_levels_scratch *scratch, int l)
{
    int w = scratch->width[l], w2 = scratch->width[l + 1], h2 = scratch->height[l + 1];
    for (int y = 0; y < h2; y++) {
        const float *in = scratch->smooth[l] + (size_t)(2 * y) * (size_t)w;
        float *out = scratch->clean + (size_t)y * (size_t)w2;
        for (int x = 0; x < w2; x++)
            out[x] = in[2 * x];
    }
}

/* band = smooth[l] - smooth[l + 1] brought to size (linear between neighbours). */
RF_HOT static void band_rows(void *arg, int begin, int end, int block, int thread)
{
    level_job *job = arg;
    (void)block, (void)thread;
    int l = job->l, w = job->scratch->width[l], w2 = job->scratch->width[l + 1], h2 = job->scratch->height[l + 1];
    for (int y = begin; y < end; y++) {
        const float *fine = job->scratch->smooth[l] + (size_t)y * (size_t)w;
        const float *a = job->scratch->smooth[l + 1] + (size_t)(y / 2) * (size_t)w2;
        const float *b = job->scratch->smooth[l + 1] + (size_t)clamp_index((y + 1) / 2, h2) * (size_t)w2;
        float *out = job->levels->level[l].band + (size_t)y * (size_t)w;
        int pairs = w / 2;
        for (int i = 0; i < pairs; i++) {
            int next = i + 1 < w2 ? i + 1 : w2 - 1;
            float here = a[i] + b[i], beside = a[next] + b[next];
            out[2 * i] = fine[2 * i] - 0.5f * here;
            out[2 * i + 1] = fine[2 * i + 1] - 0.25f * (here + beside);
        }
        if (w % 2 != 0)
            out[w - 1] = fine[w - 1] - 0.5f * (a[w2 - 1] + b[w2 - 1]);
    }
}

RF_HOT static void energy_of_tile(const rf_level *level, const float *smooth, int tx, int ty)
{
    float lanes[16] = {0}, clip_lanes[16] = {0};
    int w = level->width, n = level->tile, x0 = level->left + tx * n, y0 = level->top + ty * n;
    int x_last = w - 1, y_last = level->height - 1;
    for (int y = y0; y < y0 + n; y++) {
        const float *at = level->band + (size_t)y * (size_t)w, *s = smooth + (size_t)y * (size_t)w;
        const float *up = y > 0 ? at - w : at, *down = y < y_last ? at + w : at;
        for (int i = 0; i < n; i++) {
            int x = x0 + i, xl = x > 0 ? x - 1 : 0, xr = x < x_last ? x + 1 : x_last;
            float lap = up[x] + down[x] + at[xl] + at[xr] - 4 * at[x];
            lanes[i] += lap * lap;
            clip_lanes[i] += (s[x] > 0.975f || s[x] < 0.004f) ? 1.0f : 0.0f;
        }
    }
    double sum = 0, clipped = 0;
    for (int i = 0; i < n; i++) {
        sum += (double)lanes[i];
        clipped += (double)clip_lanes[i];
    }
    level->energy[ty * level->across + tx] = (float)(sum / (n * n));
    level->clipped[ty * level->across + tx] = (float)(clipped / (n * n));
}

static void energy_rows(void *arg, int begin, int end, int block, int thread)
{
    level_job *job = arg;
    (void)block, (void)thread;
    rf_level *level = &job->levels->level[job->l];
    for (int ty = begin; ty < end; ty++)
        for (int tx = 0; tx < level->across; tx++)
            energy_of_tile(level, job->scratch->smooth[job->l], tx, ty);
}

/* The quietest tiles tell the noise (and the far blur) of a frame; nearly all of it is taken off. */
static float subtract_floor(rf_level *level, float *some)
{
    int n = level->across * level->down;
    if (n < 1)
        return 0;
    memcpy(some, level->energy, (size_t)n * sizeof *some);
    float floor_energy = 0.9f * rf_select(some, (size_t)n, (size_t)n / 20);
    float sharp = rf_select(some, (size_t)n, (size_t)(n - 1 - n / 20));
    for (int t = 0; t < n; t++)
        level->energy[t] -= floor_energy;
    return sharp - floor_energy;
}

static void coarse_statistics(rf_levels *levels, const rf_levels_scratch *scratch)
{
    int c = levels->count - 1;
    size_t n = (size_t)scratch->width[c] * (size_t)scratch->height[c];
    memcpy(levels->coarse, scratch->smooth[c], n * sizeof *levels->coarse);
    double sum = 0, squares = 0;
    for (size_t i = 0; i < n; i++)
        sum += (double)levels->coarse[i];
    levels->mean = sum / (double)n;
    for (size_t i = 0; i < n; i++) {
        double d = (double)levels->coarse[i] - levels->mean;
        squares += d * d;
    }
    levels->contrast = sqrt(squares / (double)n);
}

void rf_levels_fill(rf_levels *levels, const rf_image *luma, rf_levels_scratch *scratch, rf_pool *pool)
{
    level_job job = {.luma = luma, .scratch = scratch, .levels = levels};
    rf_pool_rows(pool, luma->height, BLOCK_ROWS, clean_rows, &job);
    for (int l = 0; l <= levels->count; l++) {
        job.l = l;
        rf_pool_rows(pool, scratch->height[l], BLOCK_ROWS, smooth_rows, &job);
        if (l < levels->count)
            halve(scratch, l);
    }
    for (int l = 0; l < levels->count; l++) {
        job.l = l;
        rf_pool_rows(pool, scratch->height[l], BLOCK_ROWS, band_rows, &job);
        rf_pool_rows(pool, levels->level[l].down, 2, energy_rows, &job);
        levels->level[l].sharp = subtract_floor(&levels->level[l], scratch->clean); /* `clean` is free by now */
    }
    coarse_statistics(levels, scratch);
}

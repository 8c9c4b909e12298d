/* merge.c - the accumulators and what goes into them; the method is told in merge.h. */
#include "railfold/merge.h"

#include <math.h>
#include <string.h>

#include "antialias.h"
#include "base/hot.h"
#include "tiles.h"
#include "railfold/memory.h"
#include "veil.h"
#include "width.h"

enum { TILE = RF_VEIL_TILE, LUT_STEPS = 4096 };

#define SEEN_LITTLE 1e-9f   /* what is left of the weight of a frame that shows next to nothing of the ground */
#define BLUR_SHARE 1.04f    /* the blur a step that energies tell is 1 to 8 % low */
#define VEIL_GAP_STEPS 1.5f /* a part this much nearer than the focus plane is another surface, not the same slope */
#define LEFT_FLOOR 0.2f     /* a veil of more than four fifths of the light is believed less and less */
#define BELIEF_FLOOR 0.02f
#define LEAST_LEFT 0.1f  /* of the light: no veil is believed to be more than the rest */
#define SEEN_FLOOR 0.25f /* below this transmission too little of the ground is left to be amplified */

struct rf_merge {
    rf_merge_settings settings;
    rf_pool *pool;
    rf_image sum;     /* RF_F32, weighted sum of frames; at the end the picture */
    rf_image weight;  /* RF_F32 */
    rf_image light;   /* RF_U16: the model of the near parts, linear light */
    rf_image kernels; /* RF_U8, see kernel.h */
    rf_kernel_table table;
    rf_veil_blocks blocks;
    rf_merge_tiles tiles;
    const rf_image *depth;
    float *scratch; /* per thread: weights, a tile of the frame, its veil, grids */
    size_t scratch_floats;
    float coded[LUT_STEPS +
                1]; /* coded value of linear light (i / LUT_STEPS)^2: the root makes the curve almost straight */
};

static size_t tile_floats(int channels)
{
    return (size_t)TILE * TILE * (size_t)(2 + 2 * channels) + rf_veil_scratch_floats(channels);
}

size_t rf_merge_bytes(const rf_merge_settings *settings)
{
    size_t pixels = (size_t)settings->width * (size_t)settings->height, channels = (size_t)settings->channels;
    size_t adding = 6 * channels + 5, preparing = 21; /* 12 of it the model given */
    return pixels * (adding > preparing ? adding : preparing);
}

void rf_merge_destroy(rf_merge **merge_at)
{
    rf_merge *merge = *merge_at;
    if (merge == NULL)
        return;
    rf_image_free(&merge->sum);
    rf_image_free(&merge->weight);
    rf_image_free(&merge->light);
    rf_image_free(&merge->kernels);
    rf_veil_blocks_free(&merge->blocks);
    rf_merge_tiles_free(&merge->tiles);
    rf_free(merge->scratch);
    rf_free(merge);
    *merge_at = NULL;
}

/* Table of LUT_STEPS + 1 values over 0..1, interpolated; t is clipped. */
RF_HOT_PART float look_up(const float *table, float t)
{
    float at = (t < 0 ? 0 : t > 1 ? 1 : t) * LUT_STEPS;
    int i = (int)at;
    i = i < LUT_STEPS ? i : LUT_STEPS - 1;
    return table[i] + (at - (float)i) * (table[i + 1] - table[i]);
}

/* Linear light of a coded value, clipped: a polynomial in place of the power (least squares at the nodes of Chebyshev
 * polynomials), 8e-6 off at the most. */
RF_HOT_PART float to_linear(float coded)
{
    static const float C[7] = {9.19726748e-4f, 3.29494720e-2f, 0.513251150f,   0.710057590f,
                               -0.421942317f,  0.215914969f,   -5.11545546e-2f};
    float t = coded < 0 ? 0 : coded > 1 ? 1 : coded;
    float curve = C[0] + t * (C[1] + t * (C[2] + t * (C[3] + t * (C[4] + t * (C[5] + t * C[6])))));
    return t <= 0.04045f ? t * (1 / 12.92f) : curve;
}

static float to_coded(const rf_merge *merge, float linear)
{
    return look_up(merge->coded, sqrtf(linear > 0 ? linear : 0));
}

RF_HOT static void light_row(const float *restrict from, int every, uint16_t *restrict to, int n)
{
    if (every == 1)
        for (int i = 0; i < n; i++)
            to[i] = (uint16_t)(int)(to_linear(from[i]) * RF_VEIL_WHITE + 0.5f);
    else
        for (int i = 0; i < n; i++)
            to[i] = (uint16_t)(int)(to_linear(from[i * every]) * RF_VEIL_WHITE + 0.5f);
}

typedef struct light_job {
    rf_merge *merge;
    const rf_image *model;
} light_job;

static void light_rows(void *arg, int begin, int end, int block, int thread)
{
    const light_job *job = arg;
    rf_merge *merge = job->merge;
    (void)block;
    (void)thread;
    int channels = merge->light.channels, every = job->model->channels / channels;
    for (int y = begin; y < end; y++)
        light_row(rf_image_row_f32(job->model, y), every, rf_image_row(&merge->light, y),
                  merge->light.width * channels);
}

/* The accumulator takes over the model's memory where it can. */
static rf_status make_sum(rf_merge *merge, rf_image *model, rf_error *err)
{
    rf_status status = RF_OK;
    if (model->channels == merge->settings.channels) {
        merge->sum = *model;
        *model = (rf_image){0};
    } else {
        rf_image_free(model);
        status = rf_image_alloc_raw(&merge->sum, merge->settings.width, merge->settings.height,
                                    merge->settings.channels, RF_F32, "the merge sum", err);
    }
    if (status == RF_OK)
        rf_image_clear(&merge->sum, merge->pool);
    return status;
}

rf_status rf_merge_create(rf_merge **out, const rf_merge_settings *settings, const rf_merge_cover *covers,
                          const rf_image *depth, rf_image *model, rf_pool *pool, rf_error *err)
{
    rf_status status;
    rf_merge *merge = NULL;
    int w = settings->width, h = settings->height;
    *out = NULL;
    RF_TRY(rf_alloc(&merge, 1, sizeof *merge, "the merge", err));
    merge->settings = *settings;
    merge->pool = pool;
    merge->depth = depth;
    merge->scratch_floats = tile_floats(settings->channels);
    rf_kernel_table_fill(&merge->table, settings->frame_count);
    for (int i = 0; i <= LUT_STEPS; i++) {
        float t = (float)i / LUT_STEPS;
        merge->coded[i] = rf_coded_from_linear(t * t);
    }
    RF_TRY(rf_image_alloc_raw(&merge->kernels, w, h, 1, RF_U8, "the focus range map", err));
    RF_TRY(rf_width_map(model, depth, settings, &merge->kernels, pool, err));
    RF_TRY(rf_image_alloc_raw(&merge->light, w, h, settings->channels, RF_U16, "the light of the near parts", err));
    light_job light = {merge, model};
    rf_pool_rows(pool, h, 16, light_rows, &light);
    RF_TRY(make_sum(merge, model, err));
    RF_TRY(rf_image_alloc_raw(&merge->weight, w, h, 1, RF_F32, "the merge weights", err));
    rf_image_clear(&merge->weight, pool);
    RF_TRY(rf_alloc_raw(&merge->scratch, (size_t)rf_pool_threads(pool) * merge->scratch_floats, sizeof(float),
                        "scratch of the merge", err));
    RF_TRY(rf_veil_blocks_make(&merge->blocks, depth, pool, err));
    RF_TRY(rf_merge_tiles_make(&merge->tiles, depth, &merge->kernels, settings->frame_count, covers, pool, err));
    *out = merge;
    return RF_OK;
done:
    rf_image_free(model);
    rf_merge_destroy(&merge);
    return status;
}

/* ---- adding ---- */

RF_HOT static void add_weighted(float *restrict sum, float *restrict total, const float *restrict frame,
                                const float *restrict weight, int n, int channels)
{
    for (int x = 0; x < n; x++)
        total[x] += weight[x];
    if (channels == 1)
        for (int x = 0; x < n; x++)
            sum[x] += weight[x] * frame[x];
    else
        for (int x = 0; x < n; x++)
            for (int c = 0; c < 3; c++)
                sum[3 * x + c] += weight[x] * frame[3 * x + c];
}

/* How far to believe the veil of one pixel, 0..1: an estimate that leaves next to nothing of what the frame shows is
 * more likely wrong than the ground black. */
static float belief(const float *light, const float *veil, int channels)
{
    float least = 1;
    for (int c = 0; c < channels; c++) {
        float left = (light[c] - veil[c]) / (LEFT_FLOOR * light[c] + 1e-4f);
        least = left < least ? left : least;
    }
    return least > 0 ? least : 0;
}

/* What a veil leaves of the light: LEAST_LEFT of it where the estimate leaves less, reached without a bend or a jump,
 * so that noise in what is nearly nothing stays as small as it is. */
static float left_of(float light, float veil)
{
    float left = light - veil, least = LEAST_LEFT * light;
    if (left >= 2 * least)
        return left;
    return left > 0 ? least + left * left / (4 * least) : least;
}

typedef struct tile_row {
    int n;
    const uint8_t *kernel;
    float *frame, *weight;
} tile_row;

/* One row of a tile with the veil taken off; the weights of pixels that show too little of their ground fall. */
static void unveil_row(const rf_merge *merge, const tile_row *row, const float *veil)
{
    float *weight = row->weight;
    int channels = merge->settings.channels;
    for (int x = 0; x < row->n; x++) {
        float *seen = row->frame + x * channels, light[3];
        const float *v = veil + x * (1 + channels) + 1;
        float t = v[-1];
        if (t > 0.998f || weight[x] <= RF_FAR_WEIGHT || row->kernel[x] >= RF_KERNEL_LOCAL)
            continue;
        for (int c = 0; c < channels; c++)
            light[c] = to_linear(seen[c]);
        float believed = belief(light, v, channels), trust = (t - SEEN_FLOOR) / SEEN_FLOOR;
        if (trust <= 0) { /* next to nothing of the ground is seen: as it is, should no other frame be there */
            weight[x] *= SEEN_LITTLE;
            continue;
        }
        weight[x] *= (trust > 1 ? 1 : trust) * (believed + BELIEF_FLOOR);
        for (int c = 0; c < channels; c++)
            seen[c] = to_coded(merge, left_of(light[c], v[c]) / t);
    }
}

typedef struct add_job {
    rf_merge *merge;
    const rf_source *source;
    int k, across; /* tiles in a row */
} add_job;

/* What a frame is to a tile's pixels (kernel.h), each bit for all rows of a column and all columns of a row. */
typedef struct tile_uses {
    int columns[TILE], rows[TILE], any;
} tile_uses;

static void weigh_tile(const add_job *job, rf_piece tile, float *weights, tile_uses *uses)
{
    const rf_merge *merge = job->merge;
    memset(uses, 0, sizeof *uses);
    for (int y = 0; y < tile.height; y++) {
        uses->rows[y] = rf_kernel_weigh_row(&merge->table, rf_image_row_f32(merge->depth, tile.y + y) + tile.x,
                                            (const uint8_t *)rf_image_row(&merge->kernels, tile.y + y) + tile.x,
                                            (float)job->k, tile.width, weights + y * TILE, uses->columns);
        uses->any |= uses->rows[y];
    }
}

/* The part of a tile that holds all pixels for which the frame is this. */
static rf_veil_window window_of(const tile_uses *uses, int use)
{
    rf_veil_window window = {0, 0, TILE, TILE};
    if ((uses->any & use) == 0)
        return (rf_veil_window){0};
    while (!(uses->columns[window.left] & use))
        window.left++;
    while (!(uses->columns[window.right - 1] & use))
        window.right--;
    while (!(uses->rows[window.top] & use))
        window.top++;
    while (!(uses->rows[window.bottom - 1] & use))
        window.bottom--;
    return window;
}

static void add_tile(const add_job *job, rf_piece tile, int everywhere, float *scratch)
{
    rf_merge *merge = job->merge;
    int channels = merge->settings.channels, stride = TILE * channels;
    float *weights = scratch, *frame = weights + TILE * TILE, *veil = frame + TILE * stride;
    float *grids = veil + TILE * (TILE + stride);
    tile_uses uses;
    weigh_tile(job, tile, weights, &uses);
    rf_veil_window counts = window_of(&uses, RF_PIXEL_COUNTS), window = window_of(&uses, RF_PIXEL_VEILED);
    /* pieces of a source begin at a tile's first column */
    rf_piece part = {tile.x, tile.y + counts.top, counts.right, counts.bottom - counts.top};
    part = everywhere ? tile : part;
    if (part.width < 1 || part.height < 1)
        return;
    float blur = BLUR_SHARE * merge->settings.blur_px_per_step;
    rf_veil_scene scene = {merge->depth, &merge->blocks, &merge->light, blur, VEIL_GAP_STEPS};
    int veiled = (uses.any & RF_PIXEL_VEILED) && merge->settings.veil &&
                 rf_veil_tile(&scene, (float)job->k, tile.x, tile.y, window, veil, grids);
    job->source->read(job->source, part, RF_PIECE_COLOUR, frame, (size_t)stride);
    for (int y = 0; y < part.height; y++) {
        int from, to, row_at = part.y + y - tile.y;
        rf_source_covered(job->source, part, part.y + y, &from, &to);
        if (from >= to)
            continue;
        int x = part.x + from;
        tile_row row = {.n = to - from,
                        .kernel = (const uint8_t *)rf_image_row(&merge->kernels, part.y + y) + x,
                        .frame = frame + y * stride + from * channels,
                        .weight = weights + row_at * TILE + from};
        if (veiled && row_at >= window.top && row_at < window.bottom)
            unveil_row(merge, &row, veil + (row_at * TILE + from) * (1 + channels));
        add_weighted(rf_image_row_f32(&merge->sum, part.y + y) + (size_t)x * (size_t)channels,
                     rf_image_row_f32(&merge->weight, part.y + y) + x, row.frame, row.weight, row.n, channels);
    }
}

static void add_tiles(void *arg, int begin, int end, int block, int thread)
{
    const add_job *job = arg;
    rf_merge *merge = job->merge;
    (void)block;
    for (int i = begin; i < end; i++) {
        rf_piece tile = {i % job->across * TILE, i / job->across * TILE, TILE, TILE};
        tile.width = tile.x + TILE > merge->settings.width ? merge->settings.width - tile.x : TILE;
        tile.height = tile.y + TILE > merge->settings.height ? merge->settings.height - tile.y : TILE;
        if (rf_merge_tiles_want(&merge->tiles, i, job->k))
            add_tile(job, tile, rf_merge_tiles_want_all(&merge->tiles, i),
                     merge->scratch + (size_t)thread * merge->scratch_floats);
    }
}

void rf_merge_add(rf_merge *merge, int k, const rf_source *source)
{
    add_job job = {.merge = merge, .source = source, .k = k, .across = merge->tiles.across};
    rf_pool_rows(merge->pool, merge->tiles.across * merge->tiles.down, 1, add_tiles, &job);
}

static void finish_rows(void *arg, int begin, int end, int block, int thread)
{
    rf_merge *merge = arg;
    (void)block;
    (void)thread;
    int channels = merge->settings.channels;
    for (int y = begin; y < end; y++) {
        float *sum = rf_image_row_f32(&merge->sum, y);
        const float *weight = rf_image_row_f32(&merge->weight, y);
        for (int x = 0; x < merge->settings.width; x++) {
            float share = weight[x] > 0 ? 1 / weight[x] : 0;
            for (int c = 0; c < channels; c++) {
                float value = sum[x * channels + c] * share;
                sum[x * channels + c] = value < 0 ? 0 : value > 1 ? 1 : value;
            }
        }
    }
}

const rf_image *rf_merge_finish(rf_merge *merge)
{
    rf_pool_rows(merge->pool, merge->settings.height, 16, finish_rows, merge);
    rf_antialias_edges(&merge->sum, merge->depth, &merge->weight, &merge->light, &merge->kernels, merge->pool);
    merge->depth = NULL;
    rf_image_free(&merge->weight);
    rf_image_free(&merge->light);
    rf_image_free(&merge->kernels);
    rf_veil_blocks_free(&merge->blocks);
    rf_merge_tiles_free(&merge->tiles);
    return &merge->sum;
}

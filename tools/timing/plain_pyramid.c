/* plain_pyramid.c - Gaussian and Laplacian pyramid (Burt & Adelson, IEEE Trans. Comm. 31, 1983), one pass over whole
 * planes a step; channels apart, so that every loop is one over neighbours in memory. */
#include "plain_pyramid.h"

#include <string.h>

#include "base/hot.h"
#include "railfold/memory.h"

enum { LEVELS_MOST = 8, LEAST_SIDE_PX = 16, BLOCK_ROWS = 16, EDGE = 2, CHANNELS_MOST = 3 };

typedef struct level {
    int width, height;
    rf_image now[CHANNELS_MOST];  /* the frame's Gaussian level, then its Laplacian */
    rf_image best[CHANNELS_MOST]; /* the strongest coefficients so far; of the coarsest level the sum */
    rf_image strength;
} level;

struct plain_pyramid {
    rf_pool *pool;
    int channels, count, frames;
    level level[LEVELS_MOST];
    float *lines; /* one a thread: the widest level's row for each channel, EDGE pixels either side */
    size_t line_floats;
};

typedef struct step {
    plain_pyramid *pyramid;
    int l;
    const rf_image *frame;
    rf_image *picture;
} step;

static float *line_of(const plain_pyramid *p, int thread)
{
    return p->lines + (size_t)thread * p->line_floats + EDGE;
}

static int inside(int y, int count)
{
    return y < 0 ? 0 : y >= count ? count - 1 : y;
}

/* The pixels beyond a line's ends repeat its last ones. */
static void extend(float *line, int width)
{
    for (int i = 1; i <= EDGE; i++) {
        line[-i] = line[0];
        line[width - 1 + i] = line[width - 1];
    }
}

/* The channels of n pixels apart, as floats. */
#define PART(name, type, white)                                                                                        \
    RF_HOT_256 static void name(float *restrict a, float *restrict b, float *restrict c, const type *restrict row,     \
                                int n)                                                                                 \
    {                                                                                                                  \
        for (int x = 0; x < n; x++) {                                                                                  \
            a[x] = (float)row[3 * x] * (1.0f / (white));                                                               \
            b[x] = (float)row[3 * x + 1] * (1.0f / (white));                                                           \
            c[x] = (float)row[3 * x + 2] * (1.0f / (white));                                                           \
        }                                                                                                              \
    }

PART(part_u8, uint8_t, 255.0f)
PART(part_u16, uint16_t, 65535.0f)

static void take_rows(void *arg, int begin, int end, int block, int thread)
{
    const step *s = arg;
    level *at = &s->pyramid->level[0];
    (void)block, (void)thread;
    for (int y = begin; y < end; y++) {
        const void *row = rf_image_row(s->frame, y);
        float *a = rf_image_row_f32(&at->now[0], y);
        if (s->pyramid->channels == 1)
            rf_row_to_f32(a, row, s->frame->sample, (size_t)at->width);
        else if (s->frame->sample == RF_U8)
            part_u8(a, rf_image_row_f32(&at->now[1], y), rf_image_row_f32(&at->now[2], y), row, at->width);
        else
            part_u16(a, rf_image_row_f32(&at->now[1], y), rf_image_row_f32(&at->now[2], y), row, at->width);
    }
}

/* [1 4 6 4 1] / 16 both ways, every second pixel. */
RF_HOT static void reduce_row(float *restrict out, const float *const row[5], float *restrict line, int width,
                              int out_width)
{
    for (int x = 0; x < width; x++)
        line[x] = ((row[0][x] + row[4][x]) + 4.0f * (row[1][x] + row[3][x]) + 6.0f * row[2][x]) * (1.0f / 256.0f);
    extend(line, width);
    for (int x = 0; x < out_width; x++)
        out[x] = (line[2 * x - 2] + line[2 * x + 2]) + 4.0f * (line[2 * x - 1] + line[2 * x + 1]) + 6.0f * line[2 * x];
}

static void reduce_rows(void *arg, int begin, int end, int block, int thread)
{
    const step *s = arg;
    const level *fine = &s->pyramid->level[s->l];
    (void)block;
    for (int c = 0; c < s->pyramid->channels; c++)
        for (int y = begin; y < end; y++) {
            const float *row[5];
            for (int i = 0; i < 5; i++)
                row[i] = rf_image_row_f32(&fine->now[c], inside(2 * y + i - 2, fine->height));
            reduce_row(rf_image_row_f32(&fine[1].now[c], y), row, line_of(s->pyramid, thread), fine->width,
                       fine[1].width);
        }
}

/* Adds `sign` times the coarser level's rows, brought to size, to `out`: pixels between two take half of each, pixels
 * on one 1 6 1 / 8. */
RF_HOT static void expand_row(float *restrict out, const float *const row[3], int odd, float sign, float *restrict line,
                              int coarse_width, int width)
{
    float a = odd ? 0.0f : 0.125f * sign, b = odd ? 0.5f * sign : 0.75f * sign, c = odd ? 0.5f * sign : 0.125f * sign;
    for (int x = 0; x < coarse_width; x++)
        line[x] = a * row[0][x] + b * row[1][x] + c * row[2][x];
    extend(line, coarse_width);
    for (int x = 0; x < width / 2; x++) {
        out[2 * x] += 0.125f * (line[x - 1] + line[x + 1]) + 0.75f * line[x];
        out[2 * x + 1] += 0.5f * (line[x] + line[x + 1]);
    }
    if (width % 2 != 0)
        out[width - 1] += 0.125f * (line[width / 2 - 1] + line[width / 2 + 1]) + 0.75f * line[width / 2];
}

static void expand_into(const step *s, const rf_image *coarse, rf_image *fine, float sign, int y, int thread)
{
    const float *row[3];
    for (int i = 0; i < 3; i++)
        row[i] = rf_image_row_f32(coarse, inside(y / 2 + i - 1, coarse->height));
    expand_row(rf_image_row_f32(fine, y), row, y % 2, sign, line_of(s->pyramid, thread), coarse->width, fine->width);
}

static void laplacian_rows(void *arg, int begin, int end, int block, int thread)
{
    const step *s = arg;
    level *at = &s->pyramid->level[s->l];
    (void)block;
    for (int c = 0; c < s->pyramid->channels; c++)
        for (int y = begin; y < end; y++)
            expand_into(s, &at[1].now[c], &at->now[c], -1.0f, y, thread);
}

RF_HOT static void keep_strongest(float *const best[3], float *restrict strength, const float *const now[3], int width)
{
    float *restrict a = best[0], *restrict b = best[1], *restrict c = best[2];
    for (int x = 0; x < width; x++) {
        float here = now[0][x] * now[0][x] + now[1][x] * now[1][x] + now[2][x] * now[2][x], before = strength[x];
        strength[x] = here > before ? here : before;
        a[x] = here > before ? now[0][x] : a[x];
        b[x] = here > before ? now[1][x] : b[x];
        c[x] = here > before ? now[2][x] : c[x];
    }
}

RF_HOT static void keep_stronger(float *restrict best, float *restrict strength, const float *restrict now, int width)
{
    for (int x = 0; x < width; x++) {
        float here = now[x] * now[x], before = strength[x];
        strength[x] = here > before ? here : before;
        best[x] = here > before ? now[x] : best[x];
    }
}

static void keep_rows(void *arg, int begin, int end, int block, int thread)
{
    const step *s = arg;
    level *at = &s->pyramid->level[s->l];
    int channels = s->pyramid->channels, coarsest = s->l + 1 == s->pyramid->count;
    (void)block, (void)thread;
    for (int y = begin; y < end; y++) {
        float *best[CHANNELS_MOST], *strength = rf_image_row_f32(&at->strength, y);
        const float *now[CHANNELS_MOST];
        for (int c = 0; c < channels; c++) {
            best[c] = rf_image_row_f32(&at->best[c], y);
            now[c] = rf_image_row_f32(&at->now[c], y);
            for (int x = 0; coarsest && x < at->width; x++)
                best[c][x] += now[c][x];
        }
        if (!coarsest && channels == 3)
            keep_strongest(best, strength, now, at->width);
        else if (!coarsest)
            keep_stronger(best[0], strength, now[0], at->width);
    }
}

static void mean_of_coarsest(plain_pyramid *p)
{
    level *at = &p->level[p->count - 1];
    for (int c = 0; c < p->channels; c++)
        for (int y = 0; y < at->height; y++)
            for (int x = 0; x < at->width; x++)
                rf_image_row_f32(&at->best[c], y)[x] /= (float)p->frames;
}

static void collapse_rows(void *arg, int begin, int end, int block, int thread)
{
    const step *s = arg;
    level *at = &s->pyramid->level[s->l];
    (void)block;
    for (int c = 0; c < s->pyramid->channels; c++)
        for (int y = begin; y < end; y++)
            expand_into(s, &at[1].best[c], &at->best[c], 1.0f, y, thread);
}

static void give_rows(void *arg, int begin, int end, int block, int thread)
{
    const step *s = arg;
    level *at = &s->pyramid->level[0];
    int channels = s->pyramid->channels;
    float *line = line_of(s->pyramid, thread);
    (void)block;
    for (int y = begin; y < end; y++) {
        for (int c = 0; c < channels; c++)
            for (int x = 0; x < at->width; x++)
                line[x * channels + c] = rf_image_row_f32(&at->best[c], y)[x];
        rf_row_from_f32(rf_image_row(s->picture, y), line, s->picture->sample, (size_t)at->width * (size_t)channels);
    }
}

static rf_status alloc_level(level *at, int width, int height, int channels, rf_error *err)
{
    rf_status status;
    at->width = width;
    at->height = height;
    for (int c = 0; c < channels; c++) {
        RF_TRY(rf_image_alloc(&at->now[c], width, height, 1, RF_F32, "the floor", err));
        RF_TRY(rf_image_alloc(&at->best[c], width, height, 1, RF_F32, "the floor", err));
    }
    RF_TRY(rf_image_alloc(&at->strength, width, height, 1, RF_F32, "the floor", err));
done:
    return status;
}

rf_status plain_pyramid_create(plain_pyramid **out, int width, int height, int channels, rf_pool *pool, rf_error *err)
{
    rf_status status;
    plain_pyramid *p = NULL;
    *out = NULL;
    RF_TRY(rf_alloc(&p, 1, sizeof *p, "the floor", err));
    *p = (plain_pyramid){.pool = pool, .channels = channels, .frames = 0};
    p->line_floats = (size_t)width * (size_t)channels + 2 * EDGE;
    RF_TRY(rf_alloc(&p->lines, (size_t)rf_pool_threads(pool), p->line_floats * sizeof *p->lines, "the floor", err));
    while (p->count < LEVELS_MOST && (p->count == 0 || (width >= LEAST_SIDE_PX && height >= LEAST_SIDE_PX))) {
        RF_TRY(alloc_level(&p->level[p->count++], width, height, channels, err));
        width = (width + 1) / 2;
        height = (height + 1) / 2;
    }
    *out = p;
    return RF_OK;
done:
    plain_pyramid_destroy(&p);
    return status;
}

void plain_pyramid_destroy(plain_pyramid **pyramid)
{
    plain_pyramid *p = *pyramid;
    if (p == NULL)
        return;
    for (int l = 0; l < LEVELS_MOST; l++) {
        for (int c = 0; c < CHANNELS_MOST; c++) {
            rf_image_free(&p->level[l].now[c]);
            rf_image_free(&p->level[l].best[c]);
        }
        rf_image_free(&p->level[l].strength);
    }
    rf_free(p->lines);
    rf_free(p);
    *pyramid = NULL;
}

void plain_pyramid_reset(plain_pyramid *p)
{
    p->frames = 0;
    for (int l = 0; l < p->count; l++) {
        for (int c = 0; c < p->channels; c++)
            rf_image_clear(&p->level[l].best[c], p->pool);
        rf_image_clear(&p->level[l].strength, p->pool);
    }
}

void plain_pyramid_add(plain_pyramid *p, const rf_image *frame)
{
    step s = {.pyramid = p, .frame = frame};
    p->frames++;
    rf_pool_rows(p->pool, frame->height, BLOCK_ROWS, take_rows, &s);
    for (s.l = 0; s.l + 1 < p->count; s.l++)
        rf_pool_rows(p->pool, p->level[s.l + 1].height, BLOCK_ROWS, reduce_rows, &s);
    for (s.l = 0; s.l + 1 < p->count; s.l++)
        rf_pool_rows(p->pool, p->level[s.l].height, BLOCK_ROWS, laplacian_rows, &s);
    for (s.l = 0; s.l < p->count; s.l++)
        rf_pool_rows(p->pool, p->level[s.l].height, BLOCK_ROWS, keep_rows, &s);
}

void plain_pyramid_collapse(plain_pyramid *p, rf_image *picture)
{
    step s = {.pyramid = p, .picture = picture};
    mean_of_coarsest(p);
    for (s.l = p->count - 2; s.l >= 0; s.l--)
        rf_pool_rows(p->pool, p->level[s.l].height, BLOCK_ROWS, collapse_rows, &s);
    rf_pool_rows(p->pool, picture->height, BLOCK_ROWS, give_rows, &s);
}

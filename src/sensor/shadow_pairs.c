/* shadow_pairs.c - what each frame says of the standing pattern, by its difference from the frame before it.
 *
 * f(p), the log luma of a frame less that of the frame before at p + s, s being how the picture moved, holds
 * d(p) - d(p + s), which is -s grad d(p) for a small s, and what focus changed. Least squares for grad d, weighted by
 * 1 / (noise^2 + what f varies around), with a constant for each run of frames, which takes the steady part of the
 * change of focus: right-hand sides per pixel, normal matrices per block of 8 x 8. */
#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "base/select.h"
#include "faults.h"
#include "railfold/memory.h"
#include "shadow.h"

enum { BLOCK_ROWS = 2 * SHADOW_BLOCK_PX, COMMON_EVERY = 7, AROUND = 2 };
static const float NOISE = 0.004f; /* log luma: keeps weights finite */
static const float NOTHING = 1e9f; /* marks a pixel without a partner */

/* Sums over one run of a block. */
typedef struct run_sums {
    float one, x, y, xx, xy, yy;
} run_sums;

typedef struct pair_job {
    rf_shadow *self;
    const shadow_pair *pair;
    float common;           /* taken off every difference */
    rf_image *gx, *gy, *g1; /* right-hand sides of the run */
    run_sums *sums;         /* a block */
    float *squares;         /* the same */
} pair_job;

/* Cubic convolution, a = -1/2 (Keys, IEEE Trans. ASSP 29, 1981). */
static inline void cubic_weights(float t, float w[4])
{
    w[0] = t * (-0.5f + t * (1.0f - 0.5f * t));
    w[1] = 1.0f + t * t * (-2.5f + 1.5f * t);
    w[2] = t * (0.5f + t * (2.0f - 1.5f * t));
    w[3] = t * t * (-0.5f + 0.5f * t);
}

/* Where the pixels of row y lie in the frame before, in floats. */
typedef struct row_way {
    float a, c, x, y;
} row_way;

/* Pixels x to x + n - 1, all with partners: the whole pixel before the first one's is (left, top), and so on
 * rightwards, `from` the one before and above it. */
RF_HOT_256 static void difference_run(float *restrict out, const uint16_t *restrict here,
                                      const uint8_t *restrict masked, const uint16_t *restrict from,
                                      const uint8_t *restrict masked_before, size_t width, row_way way, int x, int left,
                                      int top, int n)
{
    const uint16_t *restrict from1 = from + width, *restrict from2 = from1 + width, *restrict from3 = from2 + width;
    for (int i = 0; i < n; i++) {
        float u = way.a * (float)(x + i) + way.x, v = way.c * (float)(x + i) + way.y, p[4], d[4];
        cubic_weights(u - (float)(left + i), p);
        cubic_weights(v - (float)top, d);
        float sum = d[0] * (p[0] * (float)from[i] + p[1] * (float)from[i + 1] + p[2] * (float)from[i + 2] +
                            p[3] * (float)from[i + 3]);
        sum += d[1] * (p[0] * (float)from1[i] + p[1] * (float)from1[i + 1] + p[2] * (float)from1[i + 2] +
                       p[3] * (float)from1[i + 3]);
        sum += d[2] * (p[0] * (float)from2[i] + p[1] * (float)from2[i + 1] + p[2] * (float)from2[i + 2] +
                       p[3] * (float)from2[i + 3]);
        sum += d[3] * (p[0] * (float)from3[i] + p[1] * (float)from3[i + 1] + p[2] * (float)from3[i + 2] +
                       p[3] * (float)from3[i + 3]);
        float difference = SHADOW_LOG_RANGE / 65535.0f * ((float)here[i] - sum);
        out[i] = (masked[i] | masked_before[i]) != 0 ? NOTHING : difference;
    }
}

static int has_partner(const rf_shadow *s, row_way way, int x, int *left, int *top)
{
    float u = way.a * (float)x + way.x, v = way.c * (float)x + way.y;
    if (!(u >= 1.0f && v >= 1.0f && u < (float)(s->width - 3) && v < (float)(s->height - 3)))
        return 0;
    *left = (int)u;
    *top = (int)v;
    return 1;
}

/* How many pixels from x on, at most `most`, keep step with it. Where both ends of a run do, all do: u and v only rise
 * or only fall. */
static int run_length(const rf_shadow *s, row_way way, int x, int left, int top, int most)
{
    for (int n = most; n > 1; n /= 2) {
        int last_left, last_top;
        if (has_partner(s, way, x + n - 1, &last_left, &last_top) && last_left == left + n - 1 && last_top == top)
            return n;
    }
    return 1;
}

static void difference_rows(void *arg, int begin, int end, int block, int thread)
{
    enum { RUN_PX = 128 };
    (void)block;
    (void)thread;
    const pair_job *job = arg;
    const rf_shadow *s = job->self;
    const shadow_pair *p = job->pair;
    size_t width = (size_t)s->width;
    for (int y = begin; y < end; y++) {
        const uint16_t *here = s->logs[p->here] + (size_t)y * width;
        const uint8_t *masked = s->masked + (size_t)y * width;
        float *out = rf_image_row_f32(&s->plain, y);
        row_way way = {(float)p->a, (float)p->c, (float)(p->b * y + p->tx), (float)(p->d * y + p->ty)};
        for (int x = 0, n = 1; x < s->width; x += n) {
            int left = 0, top = 0;
            n = 1;
            out[x] = NOTHING;
            if (!has_partner(s, way, x, &left, &top))
                continue;
            n = run_length(s, way, x, left, top, s->width - x < RUN_PX ? s->width - x : RUN_PX);
            size_t at = (size_t)top * width + (size_t)left;
            difference_run(out + x, here + x, masked + x, s->logs[p->before] + at - width - 1, s->masked + at, width,
                           way, x, left, top, n);
        }
    }
}

/* The median of the differences: the lamp's flicker. `some` has room for every COMMON_EVERY-th pixel of as many rows.
 */
static float common_of(const rf_shadow *s, float *some)
{
    size_t count = 0;
    for (int y = 0; y < s->height; y += COMMON_EVERY) {
        const float *row = rf_image_row_f32(&s->plain, y);
        for (int x = 0; x < s->width; x += COMMON_EVERY)
            if (row[x] < NOTHING)
                some[count++] = row[x];
    }
    return count > 0 ? rf_select(some, count, count / 2) : 0.0f;
}

/* Mean square of the block's differences; negative where half of them are missing. */
static float square_of(const pair_job *job, int column, int row)
{
    const rf_shadow *s = job->self;
    int left = column * SHADOW_BLOCK_PX, top = row * SHADOW_BLOCK_PX;
    int right = left + SHADOW_BLOCK_PX < s->width ? left + SHADOW_BLOCK_PX : s->width;
    int bottom = top + SHADOW_BLOCK_PX < s->height ? top + SHADOW_BLOCK_PX : s->height;
    float square = 0.0f;
    int count = 0;
    for (int y = top; y < bottom; y++) {
        const float *f = rf_image_row_f32(&s->plain, y);
        for (int x = left; x < right; x++)
            if (f[x] < NOTHING) {
                float value = f[x] - job->common;
                square += value * value;
                count++;
            }
    }
    return 2 * count >= (right - left) * (bottom - top) && count > 0 ? square / (float)count : -1.0f;
}

static void square_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const pair_job *job = arg;
    for (int row = begin; row < end; row++)
        for (int column = 0; column < job->self->columns; column++)
            job->squares[row * job->self->columns + column] = square_of(job, column, row);
}

/* By what varies in the blocks around, not in the block alone: there a shadow would lower its own weight just when it
 * shows most, and come out too faint. */
static float weight_of(const pair_job *job, int column, int row)
{
    const rf_shadow *s = job->self;
    float sum = 0.0f;
    int count = 0;
    if (job->squares[row * s->columns + column] < 0.0f)
        return 0.0f;
    for (int j = rf_clamp_int(row - AROUND, 0, row); j <= row + AROUND && j < s->rows; j++)
        for (int i = rf_clamp_int(column - AROUND, 0, column); i <= column + AROUND && i < s->columns; i++)
            if (job->squares[j * s->columns + i] >= 0.0f) {
                sum += job->squares[j * s->columns + i];
                count++;
            }
    return 1.0f / (NOISE * NOISE + sum / (float)count);
}

/* The regressors are -s: f = -s grad d. */
static void add_block(const pair_job *job, int column, int row)
{
    const rf_shadow *s = job->self;
    const shadow_pair *p = job->pair;
    int left = column * SHADOW_BLOCK_PX, top = row * SHADOW_BLOCK_PX;
    int right = left + SHADOW_BLOCK_PX < s->width ? left + SHADOW_BLOCK_PX : s->width;
    int bottom = top + SHADOW_BLOCK_PX < s->height ? top + SHADOW_BLOCK_PX : s->height;
    float w = weight_of(job, column, row);
    if (!(w > 0.0f))
        return;
    double x = 0.5 * (left + right - 1), y = 0.5 * (top + bottom - 1);
    float sx = (float)(x - (p->a * x + p->b * y + p->tx)), sy = (float)(y - (p->c * x + p->d * y + p->ty));
    run_sums *sum = &job->sums[row * s->columns + column];
    sum->one += w;
    sum->x += w * sx;
    sum->y += w * sy;
    sum->xx += w * sx * sx;
    sum->xy += w * sx * sy;
    sum->yy += w * sy * sy;
    for (int j = top; j < bottom; j++) {
        const float *f = rf_image_row_f32(&s->plain, j);
        float *gx = rf_image_row_f32(job->gx, j), *gy = rf_image_row_f32(job->gy, j);
        float *g1 = rf_image_row_f32(job->g1, j);
        for (int i = left; i < right; i++) {
            float value = f[i] < NOTHING ? w * (f[i] - job->common) : 0.0f;
            gx[i] += sx * value;
            gy[i] += sy * value;
            g1[i] += value;
        }
    }
}

static void add_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const pair_job *job = arg;
    for (int row = begin; row < end; row++)
        for (int column = 0; column < job->self->columns; column++)
            add_block(job, column, row);
}

/* The run's constant taken out, and its sums cleared for the next run. */
static void close_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const pair_job *job = arg;
    rf_shadow *s = job->self;
    for (int y = begin; y < end; y++) {
        float *gx = rf_image_row_f32(job->gx, y), *gy = rf_image_row_f32(job->gy, y);
        float *g1 = rf_image_row_f32(job->g1, y), *bx = rf_image_row_f32(&s->bx, y), *by = rf_image_row_f32(&s->by, y);
        const run_sums *sums = job->sums + (size_t)(y / SHADOW_BLOCK_PX) * (size_t)s->columns;
        for (int x = 0; x < s->width; x++) {
            const run_sums *sum = &sums[x / SHADOW_BLOCK_PX];
            float over = sum->one > 0.0f ? 1.0f / sum->one : 0.0f;
            bx[x] += gx[x] - sum->x * over * g1[x];
            by[x] += gy[x] - sum->y * over * g1[x];
            gx[x] = gy[x] = g1[x] = 0.0f;
        }
    }
}

static void close_sums(const rf_shadow *s, run_sums *sums)
{
    for (int i = 0; i < s->columns * s->rows; i++) {
        float over = sums[i].one > 0.0f ? 1.0f / sums[i].one : 0.0f;
        s->normal[i].xx += sums[i].xx - sums[i].x * sums[i].x * over;
        s->normal[i].xy += sums[i].xy - sums[i].x * sums[i].y * over;
        s->normal[i].yy += sums[i].yy - sums[i].y * sums[i].y * over;
        sums[i] = (run_sums){0};
    }
}

rf_status rf_shadow_gather(rf_shadow *s, rf_error *err)
{
    rf_status status;
    rf_image gx = {0}, gy = {0}, g1 = {0};
    rf_image *planes[] = {&gx, &gy, &g1, &s->bx, &s->by};
    run_sums *sums = NULL;
    float *some = NULL, *squares = NULL;
    size_t blocks = (size_t)s->columns * (size_t)s->rows;
    for (size_t i = 0; i < sizeof planes / sizeof planes[0]; i++)
        RF_TRY(rf_image_alloc(planes[i], s->width, s->height, 1, RF_F32, "the search for dust", err));
    RF_TRY(rf_alloc(&sums, blocks, sizeof *sums, "the search for dust", err));
    RF_TRY(rf_alloc(&squares, blocks, sizeof *squares, "the search for dust", err));
    RF_TRY(rf_alloc(&s->normal, blocks, sizeof *s->normal, "the search for dust", err));
    RF_TRY(rf_alloc(&some, ((size_t)s->width / COMMON_EVERY + 1) * ((size_t)s->height / COMMON_EVERY + 1), sizeof *some,
                    "the search for dust", err));
    for (int r = 0; r < s->runs; r++) {
        pair_job job = {.self = s, .gx = &gx, .gy = &gy, .g1 = &g1, .sums = sums, .squares = squares};
        for (int i = s->run_begin[r]; i < s->run_begin[r + 1]; i++) {
            job.pair = &s->pairs[i];
            rf_pool_rows(s->pool, s->height, BLOCK_ROWS, difference_rows, &job);
            job.common = common_of(s, some);
            rf_pool_rows(s->pool, s->rows, 2, square_rows, &job);
            rf_pool_rows(s->pool, s->rows, 2, add_rows, &job);
        }
        rf_pool_rows(s->pool, s->height, BLOCK_ROWS, close_rows, &job);
        close_sums(s, sums);
    }
done:
    rf_image_free(&gx);
    rf_image_free(&gy);
    rf_image_free(&g1);
    rf_free(sums);
    rf_free(squares);
    rf_free(some);
    return status;
}

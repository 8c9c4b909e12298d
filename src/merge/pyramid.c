/* pyramid.c - REDUCE and EXPAND of Burt and Adelson (1983) with the binomial kernel 1 4 6 4 1 / 16.
 *
 * EXPAND is REDUCE's kernel on a zero-filled grid, times 2 per axis: even samples get 1 6 1 / 8, odd samples 4 4 / 8.
 * Borders mirror about the centre of the outermost pixel of the LARGER picture, for both. */
#include "railfold/merge.h"

#include <string.h>

#include "base/hot.h"
#include "railfold/memory.h"

enum { BLOCK_ROWS = 16 };

typedef struct pyramid_job {
    const rf_image *in;
    rf_image *out;
    float *scratch; /* one row of `in` width per thread */
    size_t scratch_floats;
    int sign;
} pyramid_job;

static int mirror(int i, int n)
{
    if (n == 1)
        return 0;
    while (i < 0 || i >= n) {
        if (i < 0)
            i = -i;
        if (i >= n)
            i = 2 * (n - 1) - i;
    }
    return i;
}

/* What of a grey row lies far enough from its ends: samples [1, past). */
RF_HOT static int reduce_middle(const float *restrict row, float *restrict out, int in_width)
{
    int past = (in_width - 1) / 2;
    for (int x = 1; x < past; x++)
        out[x] = (row[2 * x - 2] + row[2 * x + 2] + 4 * (row[2 * x - 1] + row[2 * x + 1]) + 6 * row[2 * x]) *
                 (1.0f / 256.0f);
    return past;
}

RF_HOT static void reduce_row(const float *restrict row, float *restrict out, int in_width, int out_width, int channels)
{
    int past = channels == 1 ? reduce_middle(row, out, in_width) : 0;
    for (int x = 0; x < out_width; x = x == 0 && past > 1 ? past : x + 1) {
        int at[5];
        for (int i = 0; i < 5; i++)
            at[i] = (x >= 1 && 2 * x + 2 < in_width ? 2 * x + i - 2 : mirror(2 * x + i - 2, in_width)) * channels;
        for (int c = 0; c < channels; c++)
            out[x * channels + c] =
                (row[at[0] + c] + row[at[4] + c] + 4 * (row[at[1] + c] + row[at[3] + c]) + 6 * row[at[2] + c]) *
                (1.0f / 256.0f);
    }
}

RF_HOT static void reduce_rows(void *arg, int begin, int end, int block, int thread)
{
    pyramid_job *job = arg;
    (void)block;
    const rf_image *in = job->in;
    float *sums = job->scratch + (size_t)thread * job->scratch_floats;
    size_t n = (size_t)in->width * (size_t)in->channels;
    for (int y = begin; y < end; y++) {
        const float *rows[5];
        for (int i = 0; i < 5; i++)
            rows[i] = rf_image_row_f32(in, mirror(2 * y + i - 2, in->height));
        for (size_t i = 0; i < n; i++)
            sums[i] = rows[0][i] + rows[4][i] + 4 * (rows[1][i] + rows[3][i]) + 6 * rows[2][i];
        reduce_row(sums, rf_image_row_f32(job->out, y), in->width, job->out->width, in->channels);
    }
}

static rf_status run(pyramid_job *job, int rows, rf_rows_fn fn, rf_pool *pool, rf_error *err)
{
    job->scratch_floats = ((size_t)job->in->width * (size_t)job->in->channels + 15) / 16 * 16;
    rf_status status = rf_alloc_raw(&job->scratch, (size_t)rf_pool_threads(pool) * job->scratch_floats, sizeof(float),
                                    "scratch of the pyramid", err);
    if (status == RF_OK)
        rf_pool_rows(pool, rows, BLOCK_ROWS, fn, job);
    rf_free(job->scratch);
    return status;
}

rf_status rf_pyramid_reduce(const rf_image *in, rf_image *out, rf_pool *pool, rf_error *err)
{
    pyramid_job job = {.in = in, .out = out};
    return run(&job, out->height, reduce_rows, pool, err);
}

/* The coarse index beside i (either side) for EXPAND into a picture n wide: the mirror of the larger grid. */
static int coarse_at(int i, int n)
{
    return mirror(2 * i, n) / 2;
}

/* The pairs of a grey row that lie far enough from its ends, the second one and on; returns where they end. */
RF_HOT static int expand_middle(const float *restrict row, float *restrict out, int width, int sign)
{
    int past = (width - 2) / 2;
    if (sign == 0)
        for (int i = 1; i < past; i++) {
            out[2 * i] = (row[i - 1] + row[i + 1] + 6 * row[i]) * (1.0f / 8.0f);
            out[2 * i + 1] = (row[i] + row[i + 1]) * 0.5f;
        }
    else {
        float by = sign > 0 ? 1.0f : -1.0f;
        for (int i = 1; i < past; i++) {
            out[2 * i] += by * ((row[i - 1] + row[i + 1] + 6 * row[i]) * (1.0f / 8.0f));
            out[2 * i + 1] += by * ((row[i] + row[i + 1]) * 0.5f);
        }
    }
    return 2 * past;
}

RF_HOT static void expand_row(const float *restrict row, float *restrict out, int width, int channels, int sign)
{
    int past = channels == 1 ? expand_middle(row, out, width, sign) : 0;
    for (int x = 0; x < width; x = x == 1 && past > 2 ? past : x + 1) {
        int i = x / 2;
        int inside = x >= 2 && x + 2 < width;
        int before = (inside ? i - 1 : coarse_at(i - 1, width)) * channels;
        int after = (inside ? i + 1 : coarse_at(i + 1, width)) * channels;
        int here = i * channels;
        for (int c = 0; c < channels; c++) {
            float value = x % 2 == 0 ? (row[before + c] + row[after + c] + 6 * row[here + c]) * (1.0f / 8.0f)
                                     : (row[here + c] + row[after + c]) * 0.5f;
            float *to = &out[x * channels + c];
            *to = sign == 0 ? value : sign > 0 ? *to + value : *to - value;
        }
    }
}

RF_HOT static void expand_rows(void *arg, int begin, int end, int block, int thread)
{
    pyramid_job *job = arg;
    (void)block;
    const rf_image *in = job->in;
    int height = job->out->height;
    float *mixed = job->scratch + (size_t)thread * job->scratch_floats;
    size_t n = (size_t)in->width * (size_t)in->channels;
    for (int y = begin; y < end; y++) {
        int i = y / 2;
        const float *here = rf_image_row_f32(in, i);
        const float *before = rf_image_row_f32(in, coarse_at(i - 1, height));
        const float *after = rf_image_row_f32(in, coarse_at(i + 1, height));
        if (y % 2 == 0)
            for (size_t j = 0; j < n; j++)
                mixed[j] = (before[j] + after[j] + 6 * here[j]) * (1.0f / 8.0f);
        else
            for (size_t j = 0; j < n; j++)
                mixed[j] = (here[j] + after[j]) * 0.5f;
        expand_row(mixed, rf_image_row_f32(job->out, y), job->out->width, in->channels, job->sign);
    }
}

rf_status rf_pyramid_expand(const rf_image *in, rf_image *out, int sign, rf_pool *pool, rf_error *err)
{
    pyramid_job job = {.in = in, .out = out, .sign = sign};
    return run(&job, out->height, expand_rows, pool, err);
}

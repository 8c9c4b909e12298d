/* image.c - the picture buffer and its conversions. */
#include "railfold/image.h"

#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "railfold/memory.h"

enum { BLOCK_ROWS = 32 };

size_t rf_sample_bytes(rf_sample sample)
{
    return sample == RF_U8 ? 1 : sample == RF_U16 ? 2 : 4;
}

static rf_status make(rf_image *image, int width, int height, int channels, rf_sample sample, int zeroed,
                      const char *what, rf_error *err)
{
    rf_image_free(image);
    if (width < 1 || height < 1 || width > RF_MAX_SIDE_PX || height > RF_MAX_SIDE_PX || channels < 1 || channels > 4)
        return rf_fail(err, RF_ERR_MEMORY, "%s: %d x %d pixels of %d channels is not a size that can be held", what,
                       width, height, channels);
    size_t row_bytes = (size_t)width * (size_t)channels * rf_sample_bytes(sample);
    size_t stride_bytes = (row_bytes + RF_ALIGN_BYTES - 1) / RF_ALIGN_BYTES * RF_ALIGN_BYTES;
    rf_status status = zeroed ? rf_alloc(&image->data, (size_t)height, stride_bytes, what, err)
                              : rf_alloc_raw(&image->data, (size_t)height, stride_bytes, what, err);
    if (status != RF_OK)
        return status;
    image->width = width;
    image->height = height;
    image->channels = channels;
    image->sample = sample;
    image->stride_bytes = stride_bytes;
    return RF_OK;
}

rf_status rf_image_alloc(rf_image *image, int width, int height, int channels, rf_sample sample, const char *what,
                         rf_error *err)
{
    return make(image, width, height, channels, sample, 1, what, err);
}

rf_status rf_image_alloc_raw(rf_image *image, int width, int height, int channels, rf_sample sample, const char *what,
                             rf_error *err)
{
    return make(image, width, height, channels, sample, 0, what, err);
}

static void clear_rows(void *arg, int begin, int end, int block, int thread)
{
    rf_image *image = arg;
    (void)block;
    (void)thread;
    memset(rf_image_row(image, begin), 0, (size_t)(end - begin) * image->stride_bytes);
}

void rf_image_clear(rf_image *image, rf_pool *pool)
{
    rf_pool_rows(pool, image->height, BLOCK_ROWS, clear_rows, image);
}

void rf_image_free(rf_image *image)
{
    rf_free(image->data);
    memset(image, 0, sizeof *image);
}

void rf_row_to_f32(float *restrict out, const void *restrict in, rf_sample sample, size_t n)
{
    if (sample == RF_U8) {
        const uint8_t *from = in;
        for (size_t i = 0; i < n; i++)
            out[i] = (float)from[i] * (1.0f / 255.0f);
    } else if (sample == RF_U16) {
        const uint16_t *from = in;
        for (size_t i = 0; i < n; i++)
            out[i] = (float)from[i] * (1.0f / 65535.0f);
    } else {
        memcpy(out, in, n * sizeof *out);
    }
}

void rf_row_from_f32(void *restrict out, const float *restrict in, rf_sample sample, size_t n)
{
    if (sample == RF_F32) {
        memcpy(out, in, n * sizeof *in);
        return;
    }
    const float white = sample == RF_U8 ? 255.0f : 65535.0f;
    for (size_t i = 0; i < n; i++) {
        float value = in[i] * white + 0.5f;
        value = value > 0.0f ? value : 0.0f; /* also takes NaN to 0 */
        value = value < white + 0.5f ? value : white;
        if (sample == RF_U8)
            ((uint8_t *)out)[i] = (uint8_t)value;
        else
            ((uint16_t *)out)[i] = (uint16_t)value;
    }
}

typedef struct convert_job {
    const rf_image *in;
    rf_image *out;
    int reduce;
} convert_job;

static void to_f32_rows(void *arg, int begin, int end, int block, int thread)
{
    convert_job *job = arg;
    (void)block;
    (void)thread;
    size_t n = (size_t)job->in->width * (size_t)job->in->channels;
    for (int y = begin; y < end; y++)
        rf_row_to_f32(rf_image_row(job->out, y), rf_image_row(job->in, y), job->in->sample, n);
}

void rf_image_to_f32(const rf_image *in, rf_image *out, rf_pool *pool)
{
    convert_job job = {.in = in, .out = out};
    rf_pool_rows(pool, in->height, BLOCK_ROWS, to_f32_rows, &job);
}

/* Luma of n pixels from `first` on, in the sample's own scale. */
#define LUMA_LINE(type)                                                                                                \
    {                                                                                                                  \
        const type *restrict p = (const type *)row + first * (size_t)channels;                                         \
        if (channels == 3)                                                                                             \
            for (size_t i = 0; i < n; i++)                                                                             \
                line[i] = 0.299f * (float)p[3 * i] + 0.587f * (float)p[3 * i + 1] + 0.114f * (float)p[3 * i + 2];      \
        else                                                                                                           \
            for (size_t i = 0; i < n; i++)                                                                             \
                line[i] = (float)p[i];                                                                                 \
    }

RF_HOT_256 static void luma_line(float *restrict line, const void *row, rf_sample sample, int channels, size_t first,
                                 size_t n)
{
    if (sample == RF_U8)
        LUMA_LINE(uint8_t)
    else if (sample == RF_U16)
        LUMA_LINE(uint16_t)
    else
        LUMA_LINE(float)
}

enum { LUMA_PIXELS = 1024 };

/* sums[i] += the i-th `reduce` of the line, added up. */
RF_HOT_256 static void add_by_two(float *restrict sums, const float *restrict line, int n)
{
    for (int i = 0; i < n; i++)
        sums[i] += line[2 * i] + line[2 * i + 1];
}

static void add_runs(float *restrict sums, const float *restrict line, int n, int reduce)
{
    for (int i = 0; i < n; i++) {
        float sum = 0;
        for (int j = 0; j < reduce; j++)
            sum += line[i * reduce + j];
        sums[i] += sum;
    }
}

/* Luma of n 8-bit pixels in 8 bits, weights in parts of 65536. */
RF_HOT static void luma_line_u8(uint8_t *restrict out, const uint8_t *restrict p, size_t n)
{
    for (size_t i = 0; i < n; i++)
        out[i] = (uint8_t)((19595u * p[3 * i] + 38470u * p[3 * i + 1] + 7471u * p[3 * i + 2] + 32768u) >> 16);
}

/* Row y of the reduced luma, so many columns at a time that the sums stay near. */
static void luma_row(const convert_job *job, int y, float scale)
{
    float line[LUMA_PIXELS], sums[LUMA_PIXELS];
    const rf_image *in = job->in, *out = job->out;
    int reduce = job->reduce, most = LUMA_PIXELS / reduce;
    size_t out_bytes = rf_sample_bytes(out->sample);
    if (reduce == 1 && in->channels == 3 && in->sample == RF_U8 && out->sample == RF_U8) {
        luma_line_u8(rf_image_row(out, y), rf_image_row(in, y), (size_t)out->width);
        return;
    }
    for (int x = 0; x < out->width; x += most) {
        int n = out->width - x < most ? out->width - x : most;
        if (reduce == 1)
            luma_line(sums, rf_image_row(in, y), in->sample, in->channels, (size_t)x, (size_t)n);
        else
            memset(sums, 0, (size_t)n * sizeof *sums);
        for (int i = 0; reduce > 1 && i < reduce; i++) {
            luma_line(line, rf_image_row(in, y * reduce + i), in->sample, in->channels, (size_t)x * (size_t)reduce,
                      (size_t)n * (size_t)reduce);
            if (reduce == 2)
                add_by_two(sums, line, n);
            else
                add_runs(sums, line, n, reduce);
        }
        for (int i = 0; i < n; i++)
            sums[i] *= scale;
        rf_row_from_f32((char *)rf_image_row(out, y) + (size_t)x * out_bytes, sums, out->sample, (size_t)n);
    }
}

static void luma_rows(void *arg, int begin, int end, int block, int thread)
{
    convert_job *job = arg;
    (void)block;
    (void)thread;
    float white = job->in->sample == RF_U8 ? 255.0f : job->in->sample == RF_U16 ? 65535.0f : 1.0f;
    float scale = 1.0f / (white * (float)job->reduce * (float)job->reduce);
    for (int y = begin; y < end; y++)
        luma_row(job, y, scale);
}

void rf_image_luma(const rf_image *in, int reduce, rf_image *out, rf_pool *pool)
{
    convert_job job = {.in = in, .out = out, .reduce = reduce};
    rf_pool_rows(pool, out->height, BLOCK_ROWS, luma_rows, &job);
}

float rf_linear_from_coded(float coded)
{
    coded = coded < 0.0f ? 0.0f : coded > 1.0f ? 1.0f : coded;
    return coded <= 0.04045f ? coded / 12.92f : powf((coded + 0.055f) / 1.055f, 2.4f);
}

float rf_coded_from_linear(float linear)
{
    linear = linear < 0.0f ? 0.0f : linear > 1.0f ? 1.0f : linear;
    return linear <= 0.0031308f ? 12.92f * linear : 1.055f * powf(linear, 1.0f / 2.4f) - 0.055f;
}

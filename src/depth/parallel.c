/* parallel.c - scale undone through the depth map; the geometry is told in parallel.h. */
#include "railfold/parallel.h"

#include <math.h>
#include <string.h>

#include "railfold/memory.h"

enum { BLOCK_ROWS = 16 };

#define ONE_SURFACE_STEPS 1.0f

typedef struct parallel_job {
    const rf_parallel_maps *in;
    rf_image *picture, *depth, *confidence, *sigma;
    double reference, per_step, cx, cy;
    float nearness; /* +1: smaller depth is nearer, -1: larger */
} parallel_job;

static double scale_at(const parallel_job *job, double depth)
{
    double scale = 1 + (depth - job->reference) * job->per_step;
    return scale > 0.1 ? scale : 0.1;
}

/* Sends every pixel's depth to where it lands; the nearer one stays. Unwritten places are NaN. */
static void scatter(const parallel_job *job)
{
    int width = job->depth->width, height = job->depth->height;
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++)
            rf_image_row_f32(job->depth, y)[x] = NAN;
    for (int y = 0; y < height; y++) {
        const float *from = rf_image_row_f32(job->in->depth, y), *sure = rf_image_row_f32(job->in->confidence, y);
        const float *sigma = rf_image_row_f32(job->in->sigma, y);
        for (int x = 0; x < width; x++) {
            double scale = scale_at(job, (double)from[x]);
            double xq = floor(job->cx + (x - job->cx) * scale + 0.5), yq = floor(job->cy + (y - job->cy) * scale + 0.5);
            if (!(xq >= 0 && yq >= 0 && xq < width && yq < height))
                continue;
            float *to = &rf_image_row_f32(job->depth, (int)yq)[(int)xq];
            if (isnan(*to) || job->nearness * from[x] < job->nearness * *to) {
                *to = from[x];
                rf_image_row_f32(job->confidence, (int)yq)[(int)xq] = sure[x];
                rf_image_row_f32(job->sigma, (int)yq)[(int)xq] = sigma[x];
            }
        }
    }
}

/* Seams one pixel wide, where a surface was stretched, take the mean of both sides; between two surfaces they stay
 * open. Reads what was scattered, writes where nothing was. */
static void close_seam(const parallel_job *job, int x, int y, int across, int down)
{
    float before = rf_image_row_f32(job->depth, y - down)[x - across];
    float after = rf_image_row_f32(job->depth, y + down)[x + across];
    if (!(fabsf(before - after) < ONE_SURFACE_STEPS))
        return;
    rf_image_row_f32(job->depth, y)[x] = 0.5f * (before + after);
    rf_image_row_f32(job->confidence, y)[x] = 0.5f;
    rf_image_row_f32(job->sigma, y)[x] =
        fmaxf(rf_image_row_f32(job->sigma, y - down)[x - across], rf_image_row_f32(job->sigma, y + down)[x + across]);
}

static void close_seams(const parallel_job *job, const rf_image *open)
{
    int width = open->width, height = open->height;
    for (int y = 0; y < height; y++) {
        const float *row = rf_image_row_f32(open, y);
        for (int x = 0; x < width; x++) {
            if (!isnan(row[x]))
                continue;
            if (x > 0 && x + 1 < width && !isnan(row[x - 1]) && !isnan(row[x + 1]))
                close_seam(job, x, y, 1, 0);
            else if (y > 0 && y + 1 < height && !isnan(rf_image_row_f32(open, y - 1)[x]) &&
                     !isnan(rf_image_row_f32(open, y + 1)[x]))
                close_seam(job, x, y, 0, 1);
        }
    }
}

static float farther(const parallel_job *job, float a, float b)
{
    if (isnan(a))
        return b;
    return isnan(b) || job->nearness * a > job->nearness * b ? a : b;
}

/* One row or column of the maps: `count` places, `step` floats from one to the next. */
typedef struct sweep {
    float *depth, *sure, *sigma;
    int count;
    size_t step;
} sweep;

static sweep sweep_from(const parallel_job *job, int x, int y, int count, size_t step)
{
    return (sweep){rf_image_row_f32(job->depth, y) + x, rf_image_row_f32(job->confidence, y) + x,
                   rf_image_row_f32(job->sigma, y) + x, count, step};
}

/* What is still open takes the farther of the two ends of its gap; how far they are apart is how little is known. */
static void fill_gaps(const parallel_job *job, sweep s)
{
    for (int i = 0; i < s.count; i++) {
        if (!isnan(s.depth[(size_t)i * s.step]))
            continue;
        int end = i;
        while (end < s.count && isnan(s.depth[(size_t)end * s.step]))
            end++;
        float before = i > 0 ? s.depth[(size_t)(i - 1) * s.step] : NAN;
        float after = end < s.count ? s.depth[(size_t)end * s.step] : NAN;
        float apart = isnan(before) || isnan(after) ? 0.0f : fabsf(before - after);
        for (; i < end; i++) {
            s.depth[(size_t)i * s.step] = farther(job, before, after);
            s.sure[(size_t)i * s.step] = 0;
            s.sigma[(size_t)i * s.step] = fmaxf(apart, ONE_SURFACE_STEPS);
        }
    }
}

static void cubic_weights(float f, float w[4])
{
    w[0] = ((-0.5f * f + 1) * f - 0.5f) * f;
    w[1] = (1.5f * f - 2.5f) * f * f + 1;
    w[2] = ((-1.5f * f + 2) * f + 0.5f) * f;
    w[3] = (0.5f * f - 0.5f) * f * f;
}

static int inside(int i, int n)
{
    return i < 0 ? 0 : i >= n ? n - 1 : i;
}

static void read_colour(const rf_image *picture, double x, double y, float *out)
{
    int channels = picture->channels, xi = (int)floor(x), yi = (int)floor(y);
    float wx[4], wy[4];
    cubic_weights((float)(x - xi), wx);
    cubic_weights((float)(y - yi), wy);
    for (int c = 0; c < channels; c++)
        out[c] = 0;
    for (int j = 0; j < 4; j++) {
        const float *row = rf_image_row_f32(picture, inside(yi + j - 1, picture->height));
        for (int i = 0; i < 4; i++) {
            const float *from = row + inside(xi + i - 1, picture->width) * channels;
            for (int c = 0; c < channels; c++)
                out[c] += wy[j] * wx[i] * from[c];
        }
    }
}

static void colour_rows(void *arg, int begin, int end, int block, int thread)
{
    const parallel_job *job = arg;
    (void)block;
    (void)thread;
    int channels = job->picture->channels;
    for (int y = begin; y < end; y++) {
        const float *depth = rf_image_row_f32(job->depth, y);
        float *out = rf_image_row_f32(job->picture, y);
        for (int x = 0; x < job->picture->width; x++) {
            double scale = scale_at(job, (double)depth[x]);
            read_colour(job->in->picture, job->cx + (x - job->cx) / scale, job->cy + (y - job->cy) / scale,
                        out + x * channels);
        }
    }
}

static rf_status copy_of(const rf_image *image, rf_image *copy, rf_error *err)
{
    rf_status status = rf_image_alloc(copy, image->width, image->height, 1, RF_F32, "the parallel view", err);
    if (status == RF_OK)
        memcpy(copy->data, image->data, (size_t)image->height * image->stride_bytes);
    return status;
}

rf_status rf_parallel_view(const rf_parallel_maps *in, double reference, double scale_per_step, int far_first,
                           rf_parallel_result *out, rf_pool *pool, rf_error *err)
{
    rf_status status;
    rf_image open = {0};
    int width = in->picture->width, height = in->picture->height;
    parallel_job job = {.in = in,
                        .picture = &out->picture,
                        .depth = &out->depth,
                        .confidence = &out->confidence,
                        .sigma = &out->sigma,
                        .reference = reference};
    job.per_step = scale_per_step - 1;
    job.cx = (width - 1) / 2.0;
    job.cy = (height - 1) / 2.0;
    job.nearness = far_first ? -1.0f : 1.0f;
    RF_TRY(rf_image_alloc(job.picture, width, height, in->picture->channels, RF_F32, "the parallel view", err));
    RF_TRY(rf_image_alloc(job.depth, width, height, 1, RF_F32, "the parallel view", err));
    RF_TRY(rf_image_alloc(job.confidence, width, height, 1, RF_F32, "the parallel view", err));
    RF_TRY(rf_image_alloc(job.sigma, width, height, 1, RF_F32, "the parallel view", err));
    scatter(&job);
    RF_TRY(copy_of(job.depth, &open, err));
    close_seams(&job, &open);
    for (int y = 0; y < height; y++)
        fill_gaps(&job, sweep_from(&job, 0, y, width, 1));
    for (int x = 0; x < width; x++) /* rows that nothing reached at all */
        fill_gaps(&job, sweep_from(&job, x, 0, height, job.depth->stride_bytes / sizeof(float)));
    rf_pool_rows(pool, height, BLOCK_ROWS, colour_rows, &job);
done:
    rf_image_free(&open);
    return status;
}

void rf_parallel_free(rf_parallel_result *result)
{
    rf_image_free(&result->picture);
    rf_image_free(&result->depth);
    rf_image_free(&result->confidence);
    rf_image_free(&result->sigma);
}

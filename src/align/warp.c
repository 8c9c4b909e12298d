/* warp.c - one resampling through a nearly upright similarity, as two passes of one dimension.
 *
 * The first pass moves along each frame row to the column where that row meets the output column's line; the second
 * moves down the columns (Catmull & Smith, "3-D transformations of images in scanline order", 1980). For the small
 * turns of a rail this is the same as the 36 taps at once but for a shear of the kernel of a few thousandths. A pose
 * that is far from upright takes the 36 taps. */
#include "railfold/warp.h"

#include <math.h>
#include <string.h>

enum {
    TILE = 128,       /* output columns worked on at once: what is needed of them stays in the cache */
    SOURCE_ROWS = 56, /* RF_WARP_BLOCK_ROWS * MAX_STRETCH + TILE * MAX_TURN + 7, rounded up */
    SOURCE_COLUMNS = 184,
    CHANNELS = 3
};
static const double MAX_STRETCH = 0.25, MAX_TURN = 0.05;

/* w[n] = f (1 - f) (q0 + q1 g + q2 g^2 + q3 g^3), g = f - 1/2, for taps 0..2, mirrored for 5..3; tap 2 has 1 - f and
 * tap 3 has f besides. From the least-squares design named in warp.h. */
static const float KERNEL[3][4] = {{0.137616431f, -0.049791465f, -0.082524545f, 0.028928517f},
                                   {-0.588815813f, 0.371383143f, 0.196078526f, -0.114644586f},
                                   {0.451199382f, -0.873487833f, -0.113553981f, 0.20497636f}};

typedef struct float_six {
    float w[6];
} float_six;

static inline float_six weights_at(float f)
{
    float_six out;
    float g = f - 0.5f, g2 = g * g, p = f - f * f;
    for (int n = 0; n < 3; n++) {
        float even = KERNEL[n][0] + KERNEL[n][2] * g2, odd = (KERNEL[n][1] + KERNEL[n][3] * g2) * g;
        out.w[n] = p * (even + odd);
        out.w[5 - n] = p * (even - odd);
    }
    out.w[2] += 1 - f;
    out.w[3] += f;
    return out;
}

void rf_warp_weights(float f, float weights[6])
{
    float_six w = weights_at(f);
    memcpy(weights, w.w, sizeof w.w);
}

/* ---- where the frame reaches ---- */

static int whole(double v)
{
    return v == floor(v) && fabs(v) < 1e9;
}

static int moves_whole_pixels(const rf_pose *pose)
{
    return pose->a == 1 && pose->d == 1 && pose->b == 0 && pose->c == 0 && whole(pose->tx) && whole(pose->ty);
}

static int nearly_upright(const rf_pose *pose)
{
    return fabs(pose->a - 1) <= MAX_STRETCH && fabs(pose->d - 1) <= MAX_STRETCH && fabs(pose->b) <= MAX_TURN &&
           fabs(pose->c) <= MAX_TURN;
}

/* Narrows [*from, *to] to where low <= slope * x + start <= high. */
static void narrow(double slope, double start, double low, double high, double *from, double *to)
{
    if (!(low <= high) || (slope == 0 && !(start >= low && start <= high))) {
        *to = *from - 1;
        return;
    }
    if (slope == 0)
        return;
    double p = (low - start) / slope, q = (high - start) / slope;
    double least = p < q ? p : q, most = p < q ? q : p;
    *from = least > *from ? least : *from;
    *to = most < *to ? most : *to;
}

void rf_warp_span(const rf_pose *pose, int frame_width, int frame_height, int width, int y, int *x_begin, int *x_end)
{
    double from = 0, to = width - 1, before = 0, after = 0, slack = 0;
    if (!moves_whole_pixels(pose)) {
        before = RF_WARP_BEFORE_PX;
        after = RF_WARP_AFTER_PX;
        /* rounding, and the lean of the first pass over the kernel's rows */
        slack = 1e-6 + 4 * fabs(pose->b) + (nearly_upright(pose) ? 0 : 1);
    }
    narrow(pose->a, pose->b * y + pose->tx, before + slack, frame_width - 1 - after - slack, &from, &to);
    narrow(pose->c, pose->d * y + pose->ty, before + 1e-6 * (before > 0), frame_height - 1 - after - 1e-6 * (after > 0),
           &from, &to);
    from = ceil(from);
    to = floor(to);
    int any = from <= to; /* false for anything that is not a number */
    *x_begin = any ? (int)from : 0;
    *x_end = any ? (int)to + 1 : 0;
}

/* ---- first pass ---- */

typedef struct warp_job {
    const rf_image *frame;
    rf_pose pose;
    int width;
    double column_per_x, column_per_row, column_at; /* frame column = per_x * x + per_row * frame row + at */
} warp_job;

/* Columns [column, column + n) of a frame row as planes of floats; beyond the frame the last sample is repeated (those
 * are read with weights that are 0, or by pixels outside the span). */
static void planes_of_row(float planes[CHANNELS][SOURCE_COLUMNS], const rf_image *frame, int row, int column, int n)
{
    int before = column < 0 ? -column : 0;
    int inside = column + n > frame->width ? frame->width - column : n;
    before = before < n ? before : n;
    float samples[CHANNELS * SOURCE_COLUMNS];
    size_t channels = (size_t)frame->channels;
    if (inside > before) {
        const char *at = (const char *)rf_image_row(frame, row) +
                         (size_t)(column + before) * channels * rf_sample_bytes(frame->sample);
        rf_row_to_f32(samples, at, frame->sample, (size_t)(inside - before) * channels);
    } else {
        before = inside = 0;
        memset(samples, 0, sizeof samples);
    }
    if (channels == 3) {
        float *r = planes[0] + before, *g = planes[1] + before, *b = planes[2] + before;
        for (int i = 0; i < inside - before; i++) {
            r[i] = samples[3 * i];
            g[i] = samples[3 * i + 1];
            b[i] = samples[3 * i + 2];
        }
    } else {
        memcpy(planes[0] + before, samples, (size_t)(inside - before) * sizeof *samples);
    }
    for (size_t c = 0; c < channels; c++) {
        for (int i = 0; i < before; i++)
            planes[c][i] = inside > before ? planes[c][before] : 0;
        for (int i = inside; i < n; i++)
            planes[c][i] = inside > before ? planes[c][inside - 1] : 0;
    }
}

/* out[i] = six taps at from[i + 0..5 * step] of each plane, for n pixels whose fraction is f + slope * i. */
static void six_taps(float *restrict out, size_t out_plane, const float *restrict from, size_t from_plane, size_t step,
                     float f, float slope, int n, int channels)
{
    if (channels == 3) {
        const float *from1 = from + from_plane, *from2 = from1 + from_plane;
        float *out1 = out + out_plane, *out2 = out1 + out_plane;
        for (int i = 0; i < n; i++) {
            float_six w = weights_at(f + slope * (float)i);
            float sum = 0, sum1 = 0, sum2 = 0;
            for (int k = 0; k < 6; k++) {
                size_t at = (size_t)i + (size_t)k * step;
                sum += w.w[k] * from[at];
                sum1 += w.w[k] * from1[at];
                sum2 += w.w[k] * from2[at];
            }
            out[i] = sum;
            out1[i] = sum1;
            out2[i] = sum2;
        }
    } else {
        for (int i = 0; i < n; i++) {
            float_six w = weights_at(f + slope * (float)i);
            float sum = 0;
            for (int k = 0; k < 6; k++)
                sum += w.w[k] * from[(size_t)i + (size_t)k * step];
            out[i] = sum;
        }
    }
}

/* How many of n positions start + slope * i, i = 0.., keep the whole part of the first. */
static int run_length(double start, double slope, int n)
{
    double fraction = start - floor(start), room = n;
    if (slope > 0)
        room = (1 - fraction) / slope;
    else if (slope < 0)
        room = fraction / -slope;
    return room < n ? (int)room + 1 : n;
}

typedef float tile_rows[CHANNELS][SOURCE_ROWS][TILE];

static void first_pass(tile_rows rows, const warp_job *job, int x_begin, int n, int row_first, int row_count)
{
    float planes[CHANNELS][SOURCE_COLUMNS];
    double slope = job->column_per_x - 1;
    for (int r = 0; r < row_count; r++) {
        int row = row_first + r;
        row = row < 0 ? 0 : row >= job->frame->height ? job->frame->height - 1 : row;
        double start = job->column_per_x * x_begin + job->column_per_row * row + job->column_at;
        double end = start + job->column_per_x * (n - 1);
        int column = (int)floor(start) - RF_WARP_BEFORE_PX, columns = (int)floor(end) + RF_WARP_AFTER_PX + 2 - column;
        planes_of_row(planes, job->frame, row, column, columns);
        for (int i = 0; i < n;) {
            double at = start - column + slope * i; /* of pixel i, less i */
            int count = run_length(at, slope, n - i), base = (int)floor(at);
            six_taps(&rows[0][r][i], (size_t)SOURCE_ROWS * TILE, &planes[0][i + base - RF_WARP_BEFORE_PX],
                     SOURCE_COLUMNS, 1, (float)(at - base), (float)slope, count, job->frame->channels);
            i += count;
        }
    }
}

/* ---- second pass ---- */

static void store_row(float *out, float planes[CHANNELS][TILE], const rf_pose *pose, int from, int to, int channels)
{
    if (channels == 3) {
        float r = (float)pose->gain[0], g = (float)pose->gain[1], b = (float)pose->gain[2];
        for (int i = from; i < to; i++) {
            out[3 * i] = r * planes[0][i];
            out[3 * i + 1] = g * planes[1][i];
            out[3 * i + 2] = b * planes[2][i];
        }
    } else {
        float gain = (float)pose->gain[0];
        for (int i = from; i < to; i++)
            out[i] = gain * planes[0][i];
    }
}

static void second_pass(float *out, tile_rows rows, const warp_job *job, int x_begin, int n, int y, int row_first)
{
    float planes[CHANNELS][TILE];
    int from, to, channels = job->frame->channels;
    rf_warp_span(&job->pose, job->frame->width, job->frame->height, job->width, y, &from, &to);
    from = from - x_begin > 0 ? from - x_begin : 0;
    to = to - x_begin < n ? to - x_begin : n;
    if (from >= to)
        return;
    double start = job->pose.c * x_begin + job->pose.d * y + job->pose.ty - row_first, slope = job->pose.c;
    for (int i = 0; i < n;) { /* runs from the tile's edge, whatever the span: the same sums in every call */
        double at = start + slope * i;
        int count = run_length(at, slope, n - i), base = (int)floor(at);
        if (base >= RF_WARP_BEFORE_PX && base + RF_WARP_AFTER_PX < SOURCE_ROWS)
            six_taps(&planes[0][i], TILE, &rows[0][base - RF_WARP_BEFORE_PX][i], (size_t)SOURCE_ROWS * TILE, TILE,
                     (float)(at - base), (float)slope, count, channels);
        i += count;
    }
    store_row(out + (size_t)x_begin * (size_t)channels, planes, &job->pose, from, to, channels);
}

/* At most RF_WARP_BLOCK_ROWS rows. */
static void warp_block(const warp_job *job, int y_begin, int y_end, float *out, size_t stride_floats)
{
    tile_rows rows;
    for (int x = 0; x < job->width; x += TILE) {
        int n = job->width - x < TILE ? job->width - x : TILE;
        double top = job->pose.d * y_begin + job->pose.ty, bottom = job->pose.d * (y_end - 1) + job->pose.ty;
        double left = job->pose.c * x, right = job->pose.c * (x + n - 1);
        double low = top + (left < right ? left : right), high = bottom + (left < right ? right : left);
        if (high < 0 || low > job->frame->height - 1)
            continue;
        int row_first = (int)floor(low) - RF_WARP_BEFORE_PX;
        int row_count = (int)floor(high) + RF_WARP_AFTER_PX + 1 - row_first;
        first_pass(rows, job, x, n, row_first, row_count < SOURCE_ROWS ? row_count : SOURCE_ROWS);
        for (int y = y_begin; y < y_end; y++)
            second_pass(out + (size_t)(y - y_begin) * stride_floats, rows, job, x, n, y, row_first);
    }
}

/* ---- the other ways ---- */

static void copy_row(const rf_image *frame, const rf_pose *pose, int y, int from, int to, float *out)
{
    size_t channels = (size_t)frame->channels, n = (size_t)(to - from) * channels;
    int row = y + (int)pose->ty, column = from + (int)pose->tx;
    const char *at =
        (const char *)rf_image_row(frame, row) + (size_t)column * channels * rf_sample_bytes(frame->sample);
    float *to_row = out + (size_t)from * channels;
    rf_row_to_f32(to_row, at, frame->sample, n);
    for (size_t i = 0; i < n; i++)
        to_row[i] *= (float)pose->gain[channels == 3 ? i % 3 : 0];
}

static void slow_row(const rf_image *frame, const rf_pose *pose, int y, int from, int to, float *out)
{
    size_t channels = (size_t)frame->channels;
    for (int x = from; x < to; x++) {
        double xf, yf;
        rf_pose_apply(pose, x, y, &xf, &yf);
        int column = (int)floor(xf) - RF_WARP_BEFORE_PX, row = (int)floor(yf) - RF_WARP_BEFORE_PX;
        float_six wx = weights_at((float)(xf - floor(xf))), wy = weights_at((float)(yf - floor(yf)));
        float sum[CHANNELS] = {0};
        for (int j = 0; j < 6; j++) {
            float samples[6 * CHANNELS];
            const char *at =
                (const char *)rf_image_row(frame, row + j) + (size_t)column * channels * rf_sample_bytes(frame->sample);
            rf_row_to_f32(samples, at, frame->sample, 6 * channels);
            for (size_t i = 0; i < 6; i++)
                for (size_t c = 0; c < channels; c++)
                    sum[c] += wy.w[j] * wx.w[i] * samples[i * channels + c];
        }
        for (size_t c = 0; c < channels; c++)
            out[(size_t)x * channels + c] = (float)pose->gain[c] * sum[c];
    }
}

void rf_warp_rows(const rf_image *frame, const rf_pose *pose, int width, int row_begin, int row_end, float *out,
                  size_t stride_floats)
{
    size_t row_floats = (size_t)width * (size_t)frame->channels;
    for (int y = row_begin; y < row_end; y++)
        memset(out + (size_t)(y - row_begin) * stride_floats, 0, row_floats * sizeof *out);
    if (!moves_whole_pixels(pose) && nearly_upright(pose)) {
        warp_job job = {.frame = frame, .pose = *pose, .width = width};
        job.column_per_row = pose->b / pose->d;
        job.column_per_x = pose->a - job.column_per_row * pose->c;
        job.column_at = pose->tx - job.column_per_row * pose->ty;
        for (int y = row_begin; y < row_end; y += RF_WARP_BLOCK_ROWS) {
            int end = row_end - y < RF_WARP_BLOCK_ROWS ? row_end : y + RF_WARP_BLOCK_ROWS;
            warp_block(&job, y, end, out + (size_t)(y - row_begin) * stride_floats, stride_floats);
        }
        return;
    }
    for (int y = row_begin; y < row_end; y++) {
        int from, to;
        rf_warp_span(pose, frame->width, frame->height, width, y, &from, &to);
        float *row = out + (size_t)(y - row_begin) * stride_floats;
        if (moves_whole_pixels(pose) && from < to)
            copy_row(frame, pose, y, from, to, row);
        else
            slow_row(frame, pose, y, from, to, row);
    }
}

typedef struct image_job {
    const rf_image *frame;
    const rf_pose *pose;
    rf_image *out, *covered;
} image_job;

static void image_rows(void *arg, int begin, int end, int block, int thread)
{
    image_job *job = arg;
    (void)block, (void)thread;
    rf_warp_rows(job->frame, job->pose, job->out->width, begin, end, rf_image_row_f32(job->out, begin),
                 job->out->stride_bytes / sizeof(float));
    for (int y = begin; job->covered != NULL && y < end; y++) {
        int from, to;
        uint8_t *row = rf_image_row(job->covered, y);
        rf_warp_span(job->pose, job->frame->width, job->frame->height, job->out->width, y, &from, &to);
        memset(row, 0, (size_t)job->covered->width);
        memset(row + from, 255, (size_t)(to - from));
    }
}

void rf_warp_image(const rf_image *frame, const rf_pose *pose, rf_image *out, rf_image *covered, rf_pool *pool)
{
    image_job job = {.frame = frame, .pose = pose, .out = out, .covered = covered};
    rf_pool_rows(pool, out->height, RF_WARP_BLOCK_ROWS, image_rows, &job);
}

/* warp.c - what a frame covers, and its resampling: tile by tile where the pose is nearly upright (warp_tile.c), by
 * copying where it moves whole pixels, else by all 36 taps at once. */
#include "railfold/warp.h"

#include <math.h>
#include <string.h>

#include "warp_kernel.h"
#include "warp_tile.h"

enum { CHANNELS = 3 };
static const float LUMA[CHANNELS] = {0.299f, 0.587f, 0.114f};

void rf_warp_weights(float f, float weights[6])
{
    rf_six w = rf_warp_six(f);
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
    return fabs(pose->a - 1) <= RF_WARP_MAX_STRETCH && fabs(pose->d - 1) <= RF_WARP_MAX_STRETCH &&
           fabs(pose->b) <= RF_WARP_MAX_TURN && fabs(pose->c) <= RF_WARP_MAX_TURN;
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

/* ---- the three ways, over one row ---- */

static void copy_row(const rf_image *frame, const rf_pose *pose, int y, int from, int to, float *out)
{
    size_t channels = (size_t)frame->channels, n = (size_t)(to - from) * channels;
    int row = y + (int)pose->ty, column = from + (int)pose->tx;
    const char *at =
        (const char *)rf_image_row(frame, row) + (size_t)column * channels * rf_sample_bytes(frame->sample);
    rf_row_to_f32(out, at, frame->sample, n);
    const float red = (float)pose->gain[0], green = (float)pose->gain[1], blue = (float)pose->gain[2];
    if (channels == 3)
        for (size_t i = 0; i < n; i += 3) {
            out[i] *= red;
            out[i + 1] *= green;
            out[i + 2] *= blue;
        }
    else
        for (size_t i = 0; i < n; i++)
            out[i] *= red;
}

static void slow_row(const rf_image *frame, const rf_pose *pose, int y, int from, int to, float *out)
{
    size_t channels = (size_t)frame->channels;
    for (int x = from; x < to; x++) {
        double xf, yf;
        rf_pose_apply(pose, x, y, &xf, &yf);
        int column = (int)floor(xf) - RF_WARP_BEFORE_PX, row = (int)floor(yf) - RF_WARP_BEFORE_PX;
        rf_six wx = rf_warp_six((float)(xf - floor(xf))), wy = rf_warp_six((float)(yf - floor(yf)));
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
            out[(size_t)(x - from) * channels + c] = (float)pose->gain[c] * sum[c];
    }
}

/* A piece no wider than RF_PIECE_COLUMNS that is copied or takes the slow way. */
static void row_by_row(const rf_image *frame, const rf_pose *pose, rf_piece piece, const int (*covered)[2],
                       rf_piece_kind kind, float *out, size_t stride_floats)
{
    int mixed = kind == RF_PIECE_LUMA && frame->channels == 3;
    size_t channels = mixed ? 1 : (size_t)frame->channels;
    for (int j = 0; j < piece.height; j++) {
        float colours[CHANNELS * RF_PIECE_COLUMNS], *row = out + (size_t)j * stride_floats;
        int from = covered[j][0] > piece.x ? covered[j][0] : piece.x;
        int to = covered[j][1] < piece.x + piece.width ? covered[j][1] : piece.x + piece.width;
        memset(row, 0, (size_t)piece.width * channels * sizeof *row);
        if (from >= to)
            continue;
        float *place = row + (size_t)(from - piece.x) * channels;
        if (moves_whole_pixels(pose))
            copy_row(frame, pose, piece.y + j, from, to, mixed ? colours : place);
        else
            slow_row(frame, pose, piece.y + j, from, to, mixed ? colours : place);
        for (int i = 0; mixed && i < to - from; i++)
            place[i] = LUMA[0] * colours[3 * i] + LUMA[1] * colours[3 * i + 1] + LUMA[2] * colours[3 * i + 2];
    }
}

/* ---- pieces ---- */

/* Any piece, in tiles; `covered`: spans of its rows. */
static void warp_piece(const rf_image *frame, const rf_pose *pose, rf_piece piece, const int (*covered)[2],
                       rf_piece_kind kind, float *out, size_t stride_floats)
{
    int by_tile = !moves_whole_pixels(pose) && nearly_upright(pose);
    size_t channels = kind == RF_PIECE_LUMA ? 1 : (size_t)frame->channels;
    for (int y = 0; y < piece.height; y += RF_WARP_TILE_ROWS)
        for (int x = 0; x < piece.width; x += RF_PIECE_COLUMNS) {
            rf_piece part = {piece.x + x, piece.y + y, piece.width - x, piece.height - y};
            part.width = part.width < RF_PIECE_COLUMNS ? part.width : RF_PIECE_COLUMNS;
            part.height = part.height < RF_WARP_TILE_ROWS ? part.height : RF_WARP_TILE_ROWS;
            float *to = out + (size_t)y * stride_floats + (size_t)x * channels;
            if (by_tile)
                rf_warp_tile(frame, pose, part, covered + y, kind, to, stride_floats);
            else
                row_by_row(frame, pose, part, covered + y, kind, to, stride_floats);
        }
}

static void read_warped(const rf_source *source, rf_piece piece, rf_piece_kind kind, float *out, size_t stride_floats)
{
    warp_piece(source->frame, source->pose, piece, source->covered + piece.y, kind, out, stride_floats);
}

void rf_warp_spans(const rf_pose *pose, int frame_width, int frame_height, int width, int height, int (*covered)[2])
{
    for (int y = 0; y < height; y++)
        rf_warp_span(pose, frame_width, frame_height, width, y, &covered[y][0], &covered[y][1]);
}

rf_source rf_warp_source(const rf_image *frame, const rf_pose *pose, int width, int height, const int (*covered)[2])
{
    return (rf_source){.width = width,
                       .height = height,
                       .channels = frame->channels,
                       .covered = covered,
                       .frame = frame,
                       .pose = pose,
                       .read = read_warped};
}

void rf_warp_rows(const rf_image *frame, const rf_pose *pose, int width, int row_begin, int row_end, float *out,
                  size_t stride_floats)
{
    for (int y = row_begin; y < row_end; y += RF_WARP_TILE_ROWS) {
        int covered[RF_WARP_TILE_ROWS][2];
        rf_piece piece = {0, y, width, row_end - y < RF_WARP_TILE_ROWS ? row_end - y : RF_WARP_TILE_ROWS};
        for (int j = 0; j < piece.height; j++)
            rf_warp_span(pose, frame->width, frame->height, width, y + j, &covered[j][0], &covered[j][1]);
        warp_piece(frame, pose, piece, (const int(*)[2])covered, RF_PIECE_COLOUR,
                   out + (size_t)(y - row_begin) * stride_floats, stride_floats);
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
    rf_pool_rows(pool, out->height, RF_WARP_TILE_ROWS, image_rows, &job);
}

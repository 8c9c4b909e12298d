/* warp_tile.c - one resampling as two passes of one dimension, a tile at a time.
 *
 * The first pass moves along each frame row to the column where that row meets the output column's line; the second
 * moves down the columns (Catmull & Smith, "3-D transformations of images in scanline order", 1980). For the small
 * turns of a rail this is the same as the 36 taps at once but for a shear of the kernel of a few thousandths. */
#include "warp_tile.h"

#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "railfold/warp.h"
#include "warp_kernel.h"

enum {
    TILE = RF_WARP_TILE_COLUMNS,
    SOURCE_ROWS = 92,    /* RF_WARP_TILE_ROWS * 1.25 + TILE * 0.05 + 7, rounded up */
    SOURCE_COLUMNS = 96, /* TILE * 1.2534 + 9, rounded up */
    PLANES = 3
};

typedef struct tile_job {
    const rf_image *frame;
    const rf_pose *pose;
    int luma;                                       /* alone is asked for */
    int planes;                                     /* of floats worked on: 3, or 1 for grey and for luma */
    float scale[3];                                 /* what a sample of each channel is multiplied by */
    double column_per_x, column_per_row, column_at; /* frame column = per_x * x + per_row * frame row + at */
    int row_first, row_count;                       /* of the frame: what the tile needs */
    float rows[PLANES][SOURCE_ROWS][TILE];
} tile_job;

static void job_start(tile_job *job, const rf_image *frame, const rf_pose *pose, rf_piece_kind kind)
{
    static const float LUMA[3] = {0.299f, 0.587f, 0.114f};
    float white = frame->sample == RF_U8 ? 255.0f : frame->sample == RF_U16 ? 65535.0f : 1.0f;
    int mixed = kind == RF_PIECE_LUMA && frame->channels == 3;
    job->frame = frame;
    job->pose = pose;
    job->luma = kind == RF_PIECE_LUMA;
    job->planes = mixed ? 1 : frame->channels;
    for (int c = 0; c < 3; c++)
        job->scale[c] = (float)pose->gain[c] * (mixed ? LUMA[c] : 1.0f) / white;
    job->column_per_row = pose->b / pose->d;
    job->column_per_x = pose->a - job->column_per_row * pose->c;
    job->column_at = pose->tx - job->column_per_row * pose->ty;
}

/* ---- first pass ---- */

/* n pixels of any sample type, split into planes or mixed to luma. */
#define SPLIT(type)                                                                                                    \
    {                                                                                                                  \
        const type *restrict p = (const type *)row + (size_t)column * (size_t)job->frame->channels;                    \
        if (job->planes == 3)                                                                                          \
            for (int i = 0; i < n; i++) {                                                                              \
                r[i] = (float)p[3 * i] * s0;                                                                           \
                g[i] = (float)p[3 * i + 1] * s1;                                                                       \
                b[i] = (float)p[3 * i + 2] * s2;                                                                       \
            }                                                                                                          \
        else if (job->frame->channels == 3)                                                                            \
            for (int i = 0; i < n; i++)                                                                                \
                r[i] = (float)p[3 * i] * s0 + (float)p[3 * i + 1] * s1 + (float)p[3 * i + 2] * s2;                     \
        else                                                                                                           \
            for (int i = 0; i < n; i++)                                                                                \
                r[i] = (float)p[i] * s0;                                                                               \
    }

RF_HOT_256 static void split(const tile_job *job, const void *row, int column, int n, float *restrict r,
                             float *restrict g, float *restrict b)
{
    const float s0 = job->scale[0], s1 = job->scale[1], s2 = job->scale[2];
    if (job->frame->sample == RF_U8)
        SPLIT(uint8_t)
    else if (job->frame->sample == RF_U16)
        SPLIT(uint16_t)
    else
        SPLIT(float)
}

/* Columns [column, column + n) of a frame row as planes of floats; beyond the frame the last sample is repeated (those
 * are read with weights that are 0, or by pixels outside the span). */
static inline void planes_of_row(float planes[PLANES][SOURCE_COLUMNS], const tile_job *job, int row, int column, int n)
{
    const rf_image *frame = job->frame;
    int from = column < 0 ? 0 : column, to = column + n < frame->width ? column + n : frame->width;
    if (from >= to) {
        memset(planes, 0, PLANES * sizeof planes[0]);
        return;
    }
    int before = from - column, after = to - column;
    split(job, rf_image_row(frame, row), from, to - from, planes[0] + before, planes[1] + before, planes[2] + before);
    if (before == 0 && after == n)
        return;
    for (int c = 0; c < job->planes; c++) {
        for (int i = 0; i < before; i++)
            planes[c][i] = planes[c][before];
        for (int i = after; i < n; i++)
            planes[c][i] = planes[c][after - 1];
    }
}

/* out[i] = six taps at from[i + 0..5 * step] of each plane, for n pixels whose fraction is f + slope * i. */
static inline void six_taps(float *restrict out, size_t out_plane, const float *restrict from, size_t from_plane,
                            size_t step, float f, float slope, int n, int planes)
{
    if (planes == 3) {
        const float *from1 = from + from_plane, *from2 = from1 + from_plane;
        float *out1 = out + out_plane, *out2 = out1 + out_plane;
        for (int i = 0; i < n; i++) {
            rf_six w = rf_warp_six(f + slope * (float)i);
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
            rf_six w = rf_warp_six(f + slope * (float)i);
            float sum = 0;
            for (int k = 0; k < 6; k++)
                sum += w.w[k] * from[(size_t)i + (size_t)k * step];
            out[i] = sum;
        }
    }
}

/* How many of n positions start + slope * i, i = 0.., keep the whole part of the first. */
static inline int run_length(double start, double slope, int n)
{
    double fraction = start - floor(start), room = n;
    if (slope > 0)
        room = (1 - fraction) / slope;
    else if (slope < 0)
        room = fraction / -slope;
    return room < n ? (int)room + 1 : n;
}

RF_HOT static void first_pass(tile_job *job, int x_begin, int n)
{
    float planes[PLANES][SOURCE_COLUMNS];
    double slope = job->column_per_x - 1;
    for (int r = 0; r < job->row_count; r++) {
        int row = job->row_first + r;
        row = row < 0 ? 0 : row >= job->frame->height ? job->frame->height - 1 : row;
        double start = job->column_per_x * x_begin + job->column_per_row * row + job->column_at;
        double end = start + job->column_per_x * (n - 1);
        int column = (int)floor(start) - RF_WARP_BEFORE_PX, columns = (int)floor(end) + RF_WARP_AFTER_PX + 2 - column;
        planes_of_row(planes, job, row, column, columns);
        for (int i = 0; i < n;) {
            double at = start - column + slope * i; /* of pixel i, less i */
            int count = run_length(at, slope, n - i), base = (int)floor(at);
            six_taps(&job->rows[0][r][i], (size_t)SOURCE_ROWS * TILE, &planes[0][i + base - RF_WARP_BEFORE_PX],
                     SOURCE_COLUMNS, 1, (float)(at - base), (float)slope, count, job->planes);
            i += count;
        }
    }
}

/* ---- luma ----
 *
 * What luma is read for (how sharp a place is) does not ask for every thousandth of a pixel, and for one plane the six
 * weights cost more than what they weigh. So those of a row serve the rows around it, and those of a column the columns
 * beside it, as far as the turn of the frame moves either by a 64th of a pixel. */

static const double LUMA_SLACK_PX = 1.0 / 64;

/* How many rows or columns share weights: a power of 2, so that they begin at the same ones in every call. */
static int shared(double turn)
{
    int n = TILE;
    while (n > 1 && fabs(turn) * n / 2 > LUMA_SLACK_PX)
        n /= 2;
    return n;
}

typedef struct shared_weights {
    int column, columns;       /* of the frame that are read */
    int run[TILE], base[TILE]; /* pixels of each run, and where its first tap lies beyond the pixel's number */
    float w[6][TILE];
} shared_weights;

RF_HOT_PART void luma_weights(shared_weights *s, double start, double per_x, int n)
{
    double slope = per_x - 1;
    s->column = (int)floor(start) - RF_WARP_BEFORE_PX;
    s->columns = (int)floor(start + per_x * (n - 1)) + RF_WARP_AFTER_PX + 2 - s->column;
    for (int i = 0, r = 0; i < n; r++) {
        double at = start - s->column + slope * i;
        int count = s->run[r] = run_length(at, slope, n - i), below = (int)floor(at);
        float f = (float)(at - below);
        s->base[r] = below - RF_WARP_BEFORE_PX;
        for (int k = 0; k < count; k++) {
            rf_six w = rf_warp_six(f + (float)slope * (float)k);
            for (int t = 0; t < 6; t++)
                s->w[t][i + k] = w.w[t];
        }
        i += count;
    }
}

RF_HOT static void first_pass_luma(tile_job *job, int x_begin, int n)
{
    float planes[PLANES][SOURCE_COLUMNS];
    shared_weights s = {.columns = 0};
    int rows = shared(job->column_per_row), group = -1;
    for (int r = 0; r < job->row_count; r++) {
        int row = job->row_first + r;
        row = row < 0 ? 0 : row >= job->frame->height ? job->frame->height - 1 : row;
        if (row / rows != group) {
            group = row / rows;
            double middle = (double)group * rows + 0.5 * (rows - 1);
            luma_weights(&s, job->column_per_x * x_begin + job->column_per_row * middle + job->column_at,
                         job->column_per_x, n);
        }
        planes_of_row(planes, job, row, s.column, s.columns);
        float *restrict out = job->rows[0][r];
        for (int i = 0, k = 0; i < n; i += s.run[k++]) {
            const float *restrict from = &planes[0][s.base[k]];
            for (int x = i; x < i + s.run[k]; x++)
                out[x] = s.w[0][x] * from[x] + s.w[1][x] * from[x + 1] + s.w[2][x] * from[x + 2] +
                         s.w[3][x] * from[x + 3] + s.w[4][x] * from[x + 4] + s.w[5][x] * from[x + 5];
        }
    }
}

RF_HOT static void second_pass_luma(const tile_job *job, rf_piece piece, int y, float *restrict out)
{
    int columns = shared(job->pose->c);
    for (int i = 0; i < piece.width; i += columns) {
        double at = job->pose->c * (piece.x + i + 0.5 * (columns - 1)) + job->pose->d * y + job->pose->ty;
        int base = (int)floor(at) - job->row_first - RF_WARP_BEFORE_PX;
        int end = i + columns < piece.width ? i + columns : piece.width;
        base = base < 0 ? 0 : base + 6 > job->row_count ? job->row_count - 6 : base;
        rf_six w = rf_warp_six((float)(at - floor(at)));
        const float *a = job->rows[0][base], *b = a + TILE, *c = b + TILE, *d = c + TILE, *e = d + TILE, *f = e + TILE;
        for (int x = i; x < end; x++)
            out[x] = w.w[0] * a[x] + w.w[1] * b[x] + w.w[2] * c[x] + w.w[3] * d[x] + w.w[4] * e[x] + w.w[5] * f[x];
    }
}

/* ---- second pass ---- */

static inline void store_row(float *restrict out, float planes[PLANES][TILE], int from, int to, int n, int count)
{
    memset(out, 0, (size_t)(from * count) * sizeof *out);
    if (count == 3)
        for (int i = from; i < to; i++) {
            out[3 * i] = planes[0][i];
            out[3 * i + 1] = planes[1][i];
            out[3 * i + 2] = planes[2][i];
        }
    else
        for (int i = from; i < to; i++)
            out[i] = planes[0][i];
    memset(out + to * count, 0, (size_t)((n - to) * count) * sizeof *out);
}

RF_HOT static void second_pass(const tile_job *job, rf_piece piece, int y, const int covered[2], float *out)
{
    float planes[PLANES][TILE];
    int n = piece.width, from = covered[0] - piece.x, to = covered[1] - piece.x;
    from = from < 0 ? 0 : from;
    to = to > n ? n : to;
    if (from >= to) {
        memset(out, 0, (size_t)(n * job->planes) * sizeof *out);
        return;
    }
    if (job->luma) {
        second_pass_luma(job, piece, y, planes[0]);
        store_row(out, planes, from, to, n, 1);
        return;
    }
    double start = job->pose->c * piece.x + job->pose->d * y + job->pose->ty, slope = job->pose->c;
    for (int i = 0; i < n;) { /* runs from the tile's edge, whatever the span: the same sums in every call */
        double at = start + slope * i, below = floor(at);
        int count = run_length(at, slope, n - i), base = (int)below - job->row_first;
        if (base >= RF_WARP_BEFORE_PX && base + RF_WARP_AFTER_PX < job->row_count)
            six_taps(&planes[0][i], TILE, &job->rows[0][base - RF_WARP_BEFORE_PX][i], (size_t)SOURCE_ROWS * TILE, TILE,
                     (float)(at - below), (float)slope, count, job->planes);
        i += count;
    }
    store_row(out, planes, from, to, n, job->planes);
}

void rf_warp_tile(const rf_image *frame, const rf_pose *pose, rf_piece piece, const int (*covered)[2],
                  rf_piece_kind kind, float *out, size_t stride_floats)
{
    tile_job job;
    int any = 0;
    job_start(&job, frame, pose, kind);
    for (int y = 0; y < piece.height; y++)
        any |= covered[y][0] < piece.x + piece.width && covered[y][1] > piece.x;
    if (!any) {
        for (int y = 0; y < piece.height; y++)
            memset(out + (size_t)y * stride_floats, 0, (size_t)(piece.width * job.planes) * sizeof *out);
        return;
    }
    double top = pose->d * piece.y + pose->ty, bottom = pose->d * (piece.y + piece.height - 1) + pose->ty;
    double left = pose->c * piece.x, right = pose->c * (piece.x + piece.width - 1);
    double low = top + (left < right ? left : right), high = bottom + (left < right ? right : left);
    if (job.luma) { /* the middle of shared columns may lie beyond the piece */
        low -= LUMA_SLACK_PX;
        high += LUMA_SLACK_PX;
    }
    job.row_first = (int)floor(low) - RF_WARP_BEFORE_PX;
    job.row_count = (int)floor(high) + RF_WARP_AFTER_PX + 1 - job.row_first;
    job.row_count = job.row_count < SOURCE_ROWS ? job.row_count : SOURCE_ROWS;
    if (job.luma)
        first_pass_luma(&job, piece.x, piece.width);
    else
        first_pass(&job, piece.x, piece.width);
    for (int y = 0; y < piece.height; y++)
        second_pass(&job, piece, piece.y + y, covered[y], out + (size_t)y * stride_floats);
}

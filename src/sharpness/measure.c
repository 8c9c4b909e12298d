/* measure.c - luma, smoothing, Laplacian, square at full size; pooling at half size. Row by row, with as many rows kept
 * as the next step looks at. */
#include <string.h>

#include "base/hot.h"
#include "sharpness/state.h"

enum {
    ACROSS_ROWS = 2 * RF_SMOOTH_RADIUS + 1,
    SMOOTH_ROWS = 4, /* under the Laplacians of two rows */
    RAW_ROWS = 2 * RF_GATHER_RADIUS + 1,
    BAND_ROWS = 64,                                                              /* luma rows asked for at once */
    BLOCK_ROWS = (3 * BAND_ROWS - 2 * RF_SUPPORT_PX) / 2 - 2 * RF_GATHER_RADIUS, /* energy rows per job */
    MARGIN = 16, /* floats to either side of a row in scratch; keeps rows aligned, too */
    LOWEST_BITS = (127 - 44) << 7
};

typedef struct measure_job {
    rf_sharpness *s;
    const rf_source *source;
    int top, bottom; /* energy rows that are measured; beyond, these are repeated */
} measure_job;

/* Rows of scratch on the way through one block. */
typedef struct rows {
    float *band, *squared, *sum;
    float *across[ACROSS_ROWS], *smooth[SMOOTH_ROWS], *raw[RAW_ROWS];
    int next;             /* luma row to be taken next */
    int first, end, last; /* those in the band, and the last that the block reads */
} rows;

static size_t row_floats(int width)
{
    return ((size_t)width + 2 * MARGIN + 15) / 16 * 16;
}

size_t rf_pooled_scratch(int width)
{
    return (BAND_ROWS + 2 + ACROSS_ROWS + SMOOTH_ROWS) * row_floats(width) + RAW_ROWS * row_floats((width + 1) / 2);
}

static void lay_out(rows *r, float *scratch, int width)
{
    size_t whole = row_floats(width), half = row_floats((width + 1) / 2);
    float *at = scratch + MARGIN;
    r->band = at;
    r->squared = at += BAND_ROWS * whole;
    for (int i = 0; i < ACROSS_ROWS; i++)
        r->across[i] = at += whole;
    for (int i = 0; i < SMOOTH_ROWS; i++)
        r->smooth[i] = at += whole;
    r->sum = at += whole;
    at += whole;
    for (int i = 0; i < RAW_ROWS; i++, at += half)
        r->raw[i] = at;
}

/* ---- full size ---- */

/* Luma row y of the picture; rows are asked for downwards. */
static float *luma_row(const measure_job *job, rows *r, int y)
{
    size_t stride = row_floats(job->s->width);
    if (y >= r->end) {
        rf_piece piece = {0, y, job->s->width, r->last + 1 - y < BAND_ROWS ? r->last + 1 - y : BAND_ROWS};
        job->source->read(job->source, piece, RF_PIECE_LUMA, r->band, stride);
        r->first = y;
        r->end = y + piece.height;
    }
    return r->band + (size_t)(y - r->first) * stride;
}

/* Along the row; `luma` has room for the radius on both sides. */
RF_HOT static void smooth_across(const rf_kernel *k, float *luma, int width, float *restrict out)
{
    const float t0 = k->tap[0], t1 = k->tap[1], t2 = k->tap[2];
    for (int i = 1; i <= RF_SMOOTH_RADIUS; i++) {
        luma[-i] = luma[0];
        luma[width - 1 + i] = luma[width - 1];
    }
    for (int x = 0; x < width; x++)
        out[x] = t0 * luma[x] + t1 * (luma[x - 1] + luma[x + 1]) + t2 * (luma[x - 2] + luma[x + 2]);
}

RF_HOT static void smooth_down(const rf_kernel *k, float *const ring[ACROSS_ROWS], int width, float *restrict out)
{
    const float t0 = k->tap[0], t1 = k->tap[1], t2 = k->tap[2];
    const float *a = ring[0], *b = ring[1], *c = ring[2], *d = ring[3], *e = ring[4];
    for (int x = 0; x < width; x++)
        out[x] = t0 * c[x] + t1 * (b[x] + d[x]) + t2 * (a[x] + e[x]);
    out[-1] = out[0];
    out[width] = out[width - 1];
}

/* Squared Laplacians of the middle two of four rows, averaged over 2 x 2. */
RF_HOT static void laplacian_energy(float *const ring[SMOOTH_ROWS], int width, float *restrict squared,
                                    float *restrict out)
{
    const float *a = ring[0], *b = ring[1], *c = ring[2], *d = ring[3];
    for (int x = 0; x < width; x++) {
        float upper = a[x] + c[x] + b[x - 1] + b[x + 1] - 4.0f * b[x];
        float lower = b[x] + d[x] + c[x - 1] + c[x + 1] - 4.0f * c[x];
        squared[x] = upper * upper + lower * lower;
    }
    squared[width] = squared[width - 1]; /* the pair of the last column when the width is odd */
    for (int i = 0; i < (width + 1) / 2; i++)
        out[i] = 0.25f * (squared[2 * i] + squared[2 * i + 1]);
}

static float *turn(float **ring, int n)
{
    float *oldest = ring[0];
    memmove(ring, ring + 1, (size_t)(n - 1) * sizeof *ring);
    return ring[n - 1] = oldest;
}

/* Energy row j before pooling; rows are asked for downwards. */
static void raw_row(const measure_job *job, rows *r, int j, float *out)
{
    const rf_sharpness *s = job->s;
    for (; r->next <= 2 * j + 1 + RF_SUPPORT_PX; r->next++) {
        float *luma = luma_row(job, r, rf_within(r->next, 0, s->height - 1)); /* repeated beyond */
        smooth_across(&s->smooth, luma, s->width, turn(r->across, ACROSS_ROWS));
        smooth_down(&s->smooth, r->across, s->width, turn(r->smooth, SMOOTH_ROWS));
    }
    laplacian_energy(r->smooth, s->width, r->squared, out);
    rf_continue_row(out, s->inside[j][0], s->inside[j][1], s->energy_width);
}

/* ---- half size ---- */

RF_HOT static void gather_down(const rf_kernel *k, const float *const row[RAW_ROWS], int width, float *restrict sum)
{
    const float t0 = k->tap[0], t1 = k->tap[1], t2 = k->tap[2], t3 = k->tap[3];
    const float *a = row[0], *b = row[1], *c = row[2], *d = row[3], *e = row[4], *f = row[5], *g = row[6];
    for (int i = 0; i < width; i++)
        sum[i] = t0 * d[i] + t1 * (c[i] + e[i]) + t2 * (b[i] + f[i]) + t3 * (a[i] + g[i]);
}

/* Along the row; `sum` has room for the radius on both sides. */
RF_HOT static void gather_across(const rf_kernel *k, float *sum, int width, float *restrict out)
{
    const float t0 = k->tap[0], t1 = k->tap[1], t2 = k->tap[2], t3 = k->tap[3];
    for (int i = 1; i <= RF_GATHER_RADIUS; i++) {
        sum[-i] = sum[0];
        sum[width - 1 + i] = sum[width - 1];
    }
    for (int i = 0; i < width; i++)
        out[i] = t0 * sum[i] + t1 * (sum[i - 1] + sum[i + 1]) + t2 * (sum[i - 2] + sum[i + 2]) +
                 t3 * (sum[i - 3] + sum[i + 3]);
}

/* Every second energy of a span, counted by 128ths of an octave: exponent and leading digits as they are stored. */
static void count_energies(const float *row, int first, int last, int *count)
{
    for (int i = first; i < last; i += 2) {
        uint32_t bits;
        memcpy(&bits, &row[i], sizeof bits);
        count[rf_within((int)(bits >> 16) - LOWEST_BITS, 0, RF_FLOOR_BINS - 1)]++;
    }
}

static void measure_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    const measure_job *job = arg;
    rf_sharpness *s = job->s;
    rows r = {.end = 0};
    const float *window[RAW_ROWS] = {NULL};
    int first = rf_within(begin - RF_GATHER_RADIUS, job->top, job->bottom), done = first - 1;
    lay_out(&r, s->scratch + (size_t)thread * s->scratch_floats, s->width);
    r.next = 2 * first - RF_SUPPORT_PX;
    r.last = 2 * rf_within(end - 1 + RF_GATHER_RADIUS, job->top, job->bottom) + 1 + RF_SUPPORT_PX;
    r.last = rf_within(r.last, 0, s->height - 1);
    for (int j = begin - RF_GATHER_RADIUS; j < end + RF_GATHER_RADIUS; j++) {
        int at = rf_within(j, job->top, job->bottom), row = j - RF_GATHER_RADIUS;
        memmove(window, window + 1, (RAW_ROWS - 1) * sizeof *window);
        if (at > done) { /* else the row before is repeated */
            window[RAW_ROWS - 1] = turn(r.raw, RAW_ROWS);
            raw_row(job, &r, at, r.raw[RAW_ROWS - 1]);
            done = at;
        }
        if (row < begin)
            continue;
        float *out = rf_image_row_f32(&s->pooled, row);
        gather_down(&s->gather, window, s->energy_width, r.sum);
        gather_across(&s->gather, r.sum, s->energy_width, out);
        if (row % 2 == 0)
            count_energies(out, s->inside[row][0], s->inside[row][1], s->counts[thread]);
    }
}

void rf_pooled_energy(rf_sharpness *s, const rf_source *source, int top, int bottom)
{
    measure_job job = {.s = s, .source = source, .top = top, .bottom = bottom};
    memset(s->counts, 0, (size_t)rf_pool_threads(s->pool) * sizeof *s->counts);
    rf_pool_rows(s->pool, s->energy_height, BLOCK_ROWS, measure_rows, &job);
}

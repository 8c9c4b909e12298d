/* sharpness.c - Laplacian energy of one frame: measured at full size, pooled and drawn back in at half size. */
#include "railfold/sharpness.h"

#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "railfold/memory.h"

enum {
    SUPPORT_PX = 3,    /* how far the measure at a pixel looks: smoothing 2, Laplacian 1 */
    SMOOTH_RADIUS = 2, /* taps of the 0.7 px Gaussian */
    MAX_RADIUS = 4,
    RING = 5,                                      /* luma rows under the smoothing kernel */
    BAND_ROWS = 64,                                /* luma rows asked for at once */
    BLOCK_ROWS = (BAND_ROWS - 2 * SUPPORT_PX) / 2, /* energy rows per job */
    SCRATCH_ROWS = 10 + BAND_ROWS                  /* floats per frame column and thread */
};

static const double SMOOTH_PX = 0.7;
static const double POOL_PX = 0.85;    /* in energy pixels: 1.7 frame pixels */
static const double DRAW_IN_PX = 0.7;  /* 1.4 frame pixels: more loses thin bristles, less lets outlines grow */
static const float FLOOR_SHARE = 0.2f; /* keeps reciprocals finite; 0.03 to 1 give the same depth */
static const float TINY_ENERGY = 1e-12f;
enum { FLOOR_BINS = 256, BINS_PER_OCTAVE = 4, FLOOR_LOWEST_OCTAVE = -44 };

typedef struct kernel {
    int radius;
    float tap[MAX_RADIUS + 1]; /* from the centre outwards; the whole kernel sums to 1 */
} kernel;

struct rf_sharpness {
    int width, height, energy_width, energy_height;
    rf_pool *pool;
    kernel smooth, gather, draw_in;
    rf_image raw, pooled; /* half size; raw before, reciprocal after pooling */
    float *scratch;       /* SCRATCH_ROWS * padded width per thread */
    size_t scratch_floats;
    int (*inside)[2]; /* per energy row: the span whose support is covered */
    float noise_floor;
};

static kernel gaussian(double sigma, int radius)
{
    kernel k = {.radius = radius};
    double sum = 0.0, tap[MAX_RADIUS + 1] = {0};
    for (int i = 0; i <= radius; i++) {
        tap[i] = exp(-0.5 * i * i / (sigma * sigma));
        sum += i == 0 ? tap[i] : 2.0 * tap[i];
    }
    for (int i = 0; i <= radius; i++)
        k.tap[i] = (float)(tap[i] / sum);
    return k;
}

int rf_sharpness_side(int frame_side)
{
    return (frame_side + 1) / 2;
}

rf_status rf_sharpness_create(rf_sharpness **out, int width, int height, rf_pool *pool, rf_error *err)
{
    rf_status status;
    rf_sharpness *s = NULL;
    *out = NULL;
    RF_TRY(rf_alloc(&s, 1, sizeof *s, "the sharpness measure", err));
    *s = (rf_sharpness){.width = width, .height = height, .pool = pool};
    s->energy_width = rf_sharpness_side(width);
    s->energy_height = rf_sharpness_side(height);
    s->smooth = gaussian(SMOOTH_PX, SMOOTH_RADIUS);
    s->gather = gaussian(POOL_PX, 3);
    s->draw_in = gaussian(DRAW_IN_PX, 4);
    RF_TRY(rf_image_alloc_raw(&s->raw, s->energy_width, s->energy_height, 1, RF_F32, "the sharpness measure", err));
    RF_TRY(rf_image_alloc_raw(&s->pooled, s->energy_width, s->energy_height, 1, RF_F32, "the sharpness measure", err));
    s->scratch_floats = SCRATCH_ROWS * ((size_t)width + 2 * SUPPORT_PX);
    RF_TRY(rf_alloc(&s->scratch, (size_t)rf_pool_threads(pool) * s->scratch_floats, sizeof *s->scratch,
                    "the sharpness measure", err));
    RF_TRY(rf_alloc(&s->inside, (size_t)s->energy_height, sizeof *s->inside, "the sharpness measure", err));
    *out = s;
    return RF_OK;
done:
    rf_sharpness_destroy(&s);
    return status;
}

void rf_sharpness_destroy(rf_sharpness **sharpness)
{
    rf_sharpness *s = *sharpness;
    if (s == NULL)
        return;
    rf_image_free(&s->raw);
    rf_image_free(&s->pooled);
    rf_free(s->scratch);
    rf_free(s->inside);
    rf_free(s);
    *sharpness = NULL;
}

float rf_sharpness_noise_floor(const rf_sharpness *sharpness)
{
    return sharpness->noise_floor;
}

/* ---- full size: luma, smoothing, Laplacian, square ---- */

typedef struct measure_job {
    rf_sharpness *s;
    const rf_source *source;
} measure_job;

static int clamp_int(int v, int low, int high)
{
    return v < low ? low : v > high ? high : v;
}

/* A row of luma smoothed along itself. `padded` is scratch. */
RF_HOT static void smooth_across(const rf_sharpness *s, const float *restrict row, float *restrict padded,
                                 float *restrict out)
{
    int width = s->width;
    float *luma = padded + SMOOTH_RADIUS;
    memcpy(luma, row, (size_t)width * sizeof *luma);
    for (int i = 1; i <= SMOOTH_RADIUS; i++) {
        luma[-i] = luma[0];
        luma[width - 1 + i] = luma[width - 1];
    }
    const float *tap = s->smooth.tap;
    for (int x = 0; x < width; x++)
        out[x] = tap[0] * luma[x] + tap[1] * (luma[x - 1] + luma[x + 1]) + tap[2] * (luma[x - 2] + luma[x + 2]);
}

RF_HOT static void smooth_down(const rf_sharpness *s, float *const ring[RING], float *restrict out)
{
    const float *tap = s->smooth.tap;
    const float *a = ring[0], *b = ring[1], *c = ring[2], *d = ring[3], *e = ring[4];
    for (int x = 0; x < s->width; x++)
        out[x] = tap[0] * c[x] + tap[1] * (b[x] + d[x]) + tap[2] * (a[x] + e[x]);
    out[-1] = out[0];
    out[s->width] = out[s->width - 1];
}

/* Squared Laplacian of the middle row of three, a quarter of each pair into (or added to) `out`. */
RF_HOT static void laplacian_energy(int width, int energy_width, const float *above, const float *here,
                                    const float *below, float *restrict squared, float *restrict out, int add)
{
    for (int x = 0; x < width; x++) {
        float l = above[x] + below[x] + here[x - 1] + here[x + 1] - 4.0f * here[x];
        squared[x] = l * l;
    }
    squared[width] = squared[width - 1]; /* the pair of the last column when the width is odd */
    if (add)
        for (int i = 0; i < energy_width; i++)
            out[i] += 0.25f * (squared[2 * i] + squared[2 * i + 1]);
    else
        for (int i = 0; i < energy_width; i++)
            out[i] = 0.25f * (squared[2 * i] + squared[2 * i + 1]);
}

static void measure_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    measure_job *job = arg;
    rf_sharpness *s = job->s;
    size_t stride = (size_t)s->width + 2 * SUPPORT_PX;
    float *base = s->scratch + (size_t)thread * s->scratch_floats;
    float *ring[RING], *smooth[3], *padded = base + 8 * stride, *squared = base + 9 * stride,
                                   *band = base + 10 * stride;
    for (int i = 0; i < RING; i++)
        ring[i] = base + (size_t)i * stride + 1;
    for (int i = 0; i < 3; i++)
        smooth[i] = base + (size_t)(RING + i) * stride + 1;
    int first = 2 * begin - SUPPORT_PX, last = s->height - 1;
    rf_piece piece = {0, clamp_int(first, 0, last), s->width, 0};
    piece.height = clamp_int(2 * end + SUPPORT_PX - 1, 0, last) + 1 - piece.y;
    job->source->read(job->source, piece, RF_PIECE_LUMA, band, stride);
    for (int y = first; y < 2 * end + SUPPORT_PX; y++) {
        float *oldest = ring[0];
        memmove(ring, ring + 1, (RING - 1) * sizeof *ring);
        ring[RING - 1] = oldest;
        smooth_across(s, band + (size_t)(clamp_int(y, 0, last) - piece.y) * stride, padded,
                      oldest); /* repeated beyond */
        if (y < first + RING - 1)
            continue;
        oldest = smooth[0];
        smooth[0] = smooth[1], smooth[1] = smooth[2], smooth[2] = oldest;
        smooth_down(s, ring, oldest);
        int row = y - SUPPORT_PX; /* the row the Laplacian is centred on */
        if (row >= 2 * begin)
            laplacian_energy(s->width, s->energy_width, smooth[0], smooth[1], smooth[2], squared,
                             rf_image_row_f32(&s->raw, row / 2), row % 2);
    }
}

/* ---- coverage ---- */

static void find_inside(rf_sharpness *s, const int (*covered)[2])
{
    for (int j = 0; j < s->energy_height; j++) {
        int begin = 0, end = s->width;
        for (int y = 2 * j - SUPPORT_PX; covered != NULL && y <= 2 * j + 1 + SUPPORT_PX; y++) {
            if (y < 0 || y >= s->height)
                continue;
            begin = covered[y][0] > begin ? covered[y][0] : begin;
            end = covered[y][1] < end ? covered[y][1] : end;
        }
        int first = begin <= 0 ? 0 : (begin + SUPPORT_PX + 1) / 2;
        int last = end >= s->width ? s->energy_width : (end - SUPPORT_PX) / 2;
        s->inside[j][0] = clamp_int(first, 0, s->energy_width);
        s->inside[j][1] = clamp_int(last, s->inside[j][0], s->energy_width);
    }
}

/* Continues the covered energy outwards, so that pooling near the rim sees neither a wall nor a hole. */
static void continue_outwards(rf_sharpness *s)
{
    int top = -1, bottom = -1;
    for (int j = 0; j < s->energy_height; j++) {
        int first = s->inside[j][0], last = s->inside[j][1];
        if (first >= last)
            continue;
        top = top < 0 ? j : top;
        bottom = j;
        float *row = rf_image_row_f32(&s->raw, j);
        for (int i = 0; i < first; i++)
            row[i] = row[first];
        for (int i = last; i < s->energy_width; i++)
            row[i] = row[last - 1];
    }
    for (int j = 0; j < s->energy_height; j++)
        if (top < 0)
            memset(rf_image_row(&s->raw, j), 0, s->raw.stride_bytes);
        else if (j < top || j > bottom)
            memcpy(rf_image_row(&s->raw, j), rf_image_row(&s->raw, j < top ? top : bottom), s->raw.stride_bytes);
}

/* ---- half size: pooling and drawing in ---- */

typedef struct filter_job {
    rf_sharpness *s;
    const rf_image *in;
    rf_image *out;
    const kernel *k;
    float add; /* added before the reciprocal */
    int clear_outside;
    int reciprocal;
} filter_job;

RF_HOT static void filter_down(const filter_job *job, int j, float *restrict sum)
{
    const rf_image *in = job->in;
    const float *centre = rf_image_row_f32(in, j);
    for (int i = 0; i < in->width; i++)
        sum[i] = job->k->tap[0] * centre[i];
    for (int r = 1; r <= job->k->radius; r++) {
        const float *above = rf_image_row_f32(in, clamp_int(j - r, 0, in->height - 1));
        const float *below = rf_image_row_f32(in, clamp_int(j + r, 0, in->height - 1));
        float tap = job->k->tap[r];
        for (int i = 0; i < in->width; i++)
            sum[i] += tap * (above[i] + below[i]);
    }
}

/* The same along the row; `sum` has room for the radius on both sides. */
RF_HOT static void filter_across(const filter_job *job, float *restrict sum, float *restrict out)
{
    int width = job->in->width, radius = job->k->radius;
    const float *tap = job->k->tap;
    for (int r = 1; r <= radius; r++) {
        sum[-r] = sum[0];
        sum[width - 1 + r] = sum[width - 1];
    }
    for (int i = 0; i < width; i++)
        out[i] = tap[0] * sum[i];
    for (int r = 1; r <= radius; r++)
        for (int i = 0; i < width; i++)
            out[i] += tap[r] * (sum[i - r] + sum[i + r]);
    if (job->reciprocal)
        for (int i = 0; i < width; i++)
            out[i] = 1.0f / (out[i] + job->add);
}

static void filter_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    filter_job *job = arg;
    rf_sharpness *s = job->s;
    int width = job->in->width;
    float *sum = s->scratch + (size_t)thread * s->scratch_floats + MAX_RADIUS;
    for (int j = begin; j < end; j++) {
        float *out = rf_image_row_f32(job->out, j);
        filter_down(job, j, sum);
        filter_across(job, sum, out);
        if (job->clear_outside) {
            memset(out, 0, (size_t)s->inside[j][0] * sizeof *out);
            memset(out + s->inside[j][1], 0, (size_t)(width - s->inside[j][1]) * sizeof *out);
        }
    }
}

/* The value below which a twentieth of the covered energies lie, to a quarter of an octave. */
static float low_twentieth(const rf_sharpness *s, const rf_image *pooled)
{
    long count[FLOOR_BINS] = {0}, total = 0, below = 0;
    for (int j = 0; j < s->energy_height; j += 2) {
        const float *row = rf_image_row_f32(pooled, j);
        for (int i = s->inside[j][0]; i < s->inside[j][1]; i += 2, total++) {
            float octaves = log2f(row[i] > TINY_ENERGY ? row[i] : TINY_ENERGY) - (float)FLOOR_LOWEST_OCTAVE;
            count[clamp_int((int)(octaves * BINS_PER_OCTAVE), 0, FLOOR_BINS - 1)]++;
        }
    }
    for (int b = 0; b < FLOOR_BINS; b++) {
        below += count[b];
        if (20 * below >= total && total > 0)
            return exp2f((float)FLOOR_LOWEST_OCTAVE + ((float)b + 0.5f) / BINS_PER_OCTAVE);
    }
    return TINY_ENERGY;
}

static void invert_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const filter_job *job = arg;
    for (int j = begin; j < end; j++) {
        float *row = rf_image_row_f32(job->out, j);
        for (int i = 0; i < job->out->width; i++)
            row[i] = 1.0f / (row[i] + job->add);
    }
}

rf_status rf_sharpness_measure_source(rf_sharpness *s, const rf_source *source, rf_image *energy, rf_error *err)
{
    if (source->width != s->width || source->height != s->height || (source->channels != 1 && source->channels != 3))
        return rf_fail(err, RF_ERR_INPUT,
                       "a frame of %d x %d pixels and %d channels cannot be measured: %d x %d was announced",
                       source->width, source->height, source->channels, s->width, s->height);
    if (energy->width != s->energy_width || energy->height != s->energy_height || energy->channels != 1 ||
        energy->sample != RF_F32)
        return rf_fail(err, RF_ERR_INTERNAL, "an energy map of %d x %d pixels does not fit a frame of %d x %d",
                       energy->width, energy->height, s->width, s->height);
    measure_job measure = {.s = s, .source = source};
    rf_pool_rows(s->pool, s->energy_height, BLOCK_ROWS, measure_rows, &measure);
    find_inside(s, source->covered);
    if (source->covered != NULL)
        continue_outwards(s);
    filter_job gather = {.s = s, .in = &s->raw, .out = &s->pooled, .k = &s->gather};
    rf_pool_rows(s->pool, s->energy_height, BLOCK_ROWS, filter_rows, &gather);
    s->noise_floor = low_twentieth(s, &s->pooled);
    gather.add = FLOOR_SHARE * s->noise_floor;
    rf_pool_rows(s->pool, s->energy_height, BLOCK_ROWS, invert_rows, &gather);
    filter_job draw_in = {
        .s = s, .in = &s->pooled, .out = energy, .k = &s->draw_in, .reciprocal = 1, .clear_outside = 1};
    rf_pool_rows(s->pool, s->energy_height, BLOCK_ROWS, filter_rows, &draw_in);
    return RF_OK;
}

rf_status rf_sharpness_measure(rf_sharpness *s, const rf_image *frame, const int (*covered)[2], rf_image *energy,
                               rf_error *err)
{
    if (frame->sample != RF_F32)
        return rf_fail(err, RF_ERR_INPUT, "a frame that is not of floats cannot be measured");
    rf_source source = rf_source_of_image(frame, covered);
    return rf_sharpness_measure_source(s, &source, energy, err);
}

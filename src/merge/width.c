/* width.c - how far from its depth a pixel may take frames: where blur starts to cost more than noise.
 *
 * Blurred by a disc of radius r, band l of a Laplacian pyramid (centre frequency f_l) keeps the share MTF(r f_l); what
 * is lost, E_l (1 - MTF)^2, is the squared error. With the disc's MTF ~ 1 / (1 + u), u = (pi r f_l)^2 / 2 (exact to
 * second order in r), the width is the defocus at which the sum over bands reaches the noise variance of one frame.
 * Where nothing has detail the width is MAX: many frames are averaged and the noise falls. */
#include "width.h"

#include <math.h>
#include <string.h>

#include "apart.h"
#include "base/hot.h"
#include "railfold/memory.h"

enum { BANDS = RF_WIDTH_BANDS, BLOCK_ROWS = 16, STEPS = 24, FRACTIONS = 8, CELLS = 64, LANES = 16 };

/* Power gain of band l for white noise, measured on the 1 4 6 4 1 pyramid. */
static const float BAND_NOISE[BANDS] = {0.889f, 0.0534f, 0.0102f, 0.00235f, 0.00059f};
/* Centre frequency of band 0 in cycles per pixel (its power lies between 0.15 and 0.5); halves with each band. */
static const float BAND0_FREQUENCY = 0.28f;
/* What a local kernel leaves of detail falls off late and steeply, so it is judged higher up in each band, and may be
 * less of the noise. */
static const float LOCAL_BAND0_FREQUENCY = 0.42f, LOCAL_LOSS_SHARE = 0.7f;
static const float LEAST_SUPPORT = 2.05f; /* steps: narrower saves no detail and gathers more noise (0.1 dB) */
/* Beside a depth edge depth itself is less sure: the range is never narrower than this there (0.12 dB on crossing
 * bristles). */
static const float EDGE_WIDTH = 0.7f, EDGE_STEPS = 0.7f;
enum { EDGE_REACH_PX = 3 };
static const float ENOUGH_SHARE = 0.7f; /* of the support wanted: less, and the plain kernel averages more */
static const float PLAIN_SHARE = 0.72f; /* of the support, as reach: from there on the plain mean has less noise */
/* The reach of a plain kernel of a width: frames at the width itself count seven tenths. */
static const float REACH_PER_WIDTH = 1.85f;
static const float WIDTH_MIN = 0.35f; /* below this only the nearest frame counts anyway */
/* Depth this near the first or last frame may lie beyond it: how far the frames are out of focus is not known. */
static const float PAST_END = 0.02f;
static const float MOST_BLUR_PX = 1.7f; /* per step: more, and frames beside the nearest add next to nothing */

typedef struct width_job {
    rf_image *energy; /* BANDS pictures, coarser and coarser */
    rf_image *out;
    const rf_image *depth;
    float noise_variance;
    float loss[BANDS][STEPS]; /* (1 - MTF)^2 at step i */
    uint8_t plain[STEPS];     /* the kernel of step i */
    float local_loss[BANDS][STEPS];
    float support[STEPS]; /* of the local kernel of step i */
    int may_be_local;
    float last_frame;
    rf_image cone; /* apart.h */
} width_job;

static float width_of_step(int i)
{
    return WIDTH_MIN * powf(RF_REACH_MAX / (REACH_PER_WIDTH * WIDTH_MIN), (float)i / (float)(STEPS - 1));
}

/* (1 - MTF)^2 of what a local kernel leaves of frequency f, the mean over where depth lies between two frames. */
static float local_loss(float support, float blur_px_per_step, float f)
{
    const double pi = 3.14159265358979;
    double loss = 0;
    int reach = (int)support + 1;
    for (int i = 0; i < FRACTIONS; i++) {
        double fraction = (i + 0.5) / FRACTIONS, sum = 0, kept = 0;
        float q = rf_kernel_q(support, fraction, -reach, reach + 1);
        for (int k = -reach; k <= reach + 1; k++) {
            double d = k - fraction, w = rf_kernel_local_weight(support, q, (float)d);
            double u = pi * blur_px_per_step * d * f;
            sum += w;
            kept += w / (1 + 0.5 * u * u);
        }
        loss += (1 - kept / sum) * (1 - kept / sum) / FRACTIONS;
    }
    return (float)loss;
}

static void fill_loss(width_job *job, float blur_px_per_step)
{
    const float pi = 3.14159265f;
    for (int i = 0; i < STEPS; i++) {
        float support = LEAST_SUPPORT * powf(RF_SUPPORT_MAX / LEAST_SUPPORT, (float)i / (float)(STEPS - 1));
        job->plain[i] = rf_kernel_plain(REACH_PER_WIDTH * width_of_step(i));
        job->support[i] = rf_kernel_support(rf_kernel_local(support));
        for (int l = 0; l < BANDS; l++)
            job->local_loss[l][i] = local_loss(support, blur_px_per_step, LOCAL_BAND0_FREQUENCY / (float)(1 << l));
    }
    for (int l = 0; l < BANDS; l++)
        for (int i = 0; i < STEPS; i++) {
            float f = BAND0_FREQUENCY / (float)(1 << l), u = pi * blur_px_per_step * width_of_step(i) * f;
            u = 0.5f * u * u;
            job->loss[l][i] = (u / (1 + u)) * (u / (1 + u));
        }
}

/* One row of a band's energies at the middles of n cells of 2 x 2 pixels, the first at column x: bilinear between the
 * band's own cells; pooling has made the energy smooth. */
RF_HOT static void energy_row(const rf_image *band, int level, int x, float y, int n, float *restrict out)
{
    float scale = 1.0f / (float)(1 << level), last_u = (float)(band->width - 1), last_v = (float)(band->height - 1);
    float v = (y + 0.5f) * scale - 0.5f;
    v = v < 0 ? 0 : v > last_v ? last_v : v;
    int j = (int)v, j1 = j + 1 < band->height ? j + 1 : j, last = band->width - 1;
    float fy = v - (float)j;
    const float *a = rf_image_row_f32(band, j), *b = rf_image_row_f32(band, j1);
    for (int cell = 0; cell < n; cell++) {
        float u = ((float)(x + 2 * cell) + 0.5f + 0.5f) * scale - 0.5f;
        u = u < 0 ? 0 : u > last_u ? last_u : u;
        int i = (int)u, i1 = i < last ? i + 1 : i;
        float fx = u - (float)i;
        out[cell] = (1 - fy) * ((1 - fx) * a[i] + fx * a[i1]) + fy * ((1 - fx) * b[i] + fx * b[i1]);
    }
}

/* Whether depth jumps around a pixel. */
static int at_edge(const rf_image *depth, int x, int y)
{
    float low = INFINITY, high = -INFINITY;
    for (int dy = -EDGE_REACH_PX; dy <= EDGE_REACH_PX; dy += EDGE_REACH_PX) {
        int row = y + dy < 0 ? 0 : y + dy >= depth->height ? depth->height - 1 : y + dy;
        const float *from = rf_image_row_f32(depth, row);
        for (int dx = -EDGE_REACH_PX; dx <= EDGE_REACH_PX; dx += EDGE_REACH_PX) {
            float at = from[x + dx < 0 ? 0 : x + dx >= depth->width ? depth->width - 1 : x + dx];
            low = at < low ? at : low;
            high = at > high ? at : high;
        }
    }
    return high - low > EDGE_STEPS;
}

/* The widest step at which the loss stays below the noise, for each cell; LANES of them are followed until the last has
 * stopped, most of them soon. */
RF_HOT static void steps_of_cells(const float loss[BANDS][STEPS], float energy[BANDS][CELLS], float noise_variance,
                                  int step[CELLS])
{
    for (int first = 0; first < CELLS; first += LANES) {
        int count[LANES] = {0}, going[LANES], any = 1;
        for (int n = 0; n < LANES; n++)
            going[n] = 1;
        for (int i = 1; i < STEPS && any; i++) {
            any = 0;
            for (int n = 0; n < LANES; n++) {
                float lost = 0;
                for (int l = 0; l < BANDS; l++)
                    lost += energy[l][first + n] * loss[l][i];
                going[n] &= !(lost > noise_variance);
                count[n] += going[n];
                any |= going[n];
            }
        }
        memcpy(step + first, count, sizeof count);
    }
}

/* Beside edges and in their blur the plain kernel, elsewhere the local one, no wider than its own surface is seen. */
static uint8_t kernel_at(const width_job *job, int plain_step, int local_step, int x, int y)
{
    uint8_t plain = job->plain[plain_step];
    if (job->may_be_local) {
        float depth = rf_image_row_f32(job->depth, y)[x], alone = rf_image_row_f32(&job->cone, y / 2)[x / 2] - depth;
        float support = job->support[local_step];
        int inside = depth >= PAST_END && depth <= job->last_frame - PAST_END;
        float least = ENOUGH_SHARE * support > RF_SUPPORT_MIN ? ENOUGH_SHARE * support : RF_SUPPORT_MIN;
        if (inside && alone >= least && (float)(int)plain < PLAIN_SHARE * RF_REACH_UNIT * support)
            return rf_kernel_local(alone < support ? alone : support);
    }
    uint8_t edge = rf_kernel_plain(REACH_PER_WIDTH * EDGE_WIDTH);
    return plain < edge && at_edge(job->depth, x, y) ? edge : plain;
}

/* The cells of two rows of pixels, CELLS at a time. */
static void width_cells(const width_job *job, int y, int x, int cells)
{
    float energy[BANDS][CELLS] = {{0}};
    int plain[CELLS] = {0}, local[CELLS] = {0};
    uint8_t *out = rf_image_row(job->out, y);
    for (int l = 0; l < BANDS; l++)
        energy_row(&job->energy[l], l, x, (float)y + 0.5f, cells, energy[l]);
    steps_of_cells(job->loss, energy, job->noise_variance, plain);
    if (job->may_be_local)
        steps_of_cells(job->local_loss, energy, LOCAL_LOSS_SHARE * job->noise_variance, local);
    for (int n = 0; n < cells; n++, x += 2) {
        out[x] = kernel_at(job, plain[n], local[n], x, y);
        if (x + 1 < job->out->width)
            out[x + 1] = out[x];
    }
}

/* Told once for every 2 x 2 pixels: the energies are pooled over seven. `begin` and BLOCK_ROWS are even. */
static void width_rows(void *arg, int begin, int end, int block, int thread)
{
    width_job *job = arg;
    (void)block;
    (void)thread;
    int width = job->out->width;
    for (int y = begin; y < end; y += 2) {
        for (int x = 0; x < width; x += 2 * CELLS)
            width_cells(job, y, x, (width - x + 1) / 2 < CELLS ? (width - x + 1) / 2 : CELLS);
        if (y + 1 < end)
            memcpy(rf_image_row(job->out, y + 1), rf_image_row(job->out, y), (size_t)width);
    }
}

typedef struct square_job {
    rf_image *band;
    float floor;
} square_job;

static void square_rows(void *arg, int begin, int end, int block, int thread)
{
    square_job *job = arg;
    (void)block;
    (void)thread;
    for (int y = begin; y < end; y++) {
        float *row = rf_image_row_f32(job->band, y);
        for (int x = 0; x < job->band->width; x++)
            row[x] *= row[x];
    }
}

static void floor_rows(void *arg, int begin, int end, int block, int thread)
{
    square_job *job = arg;
    (void)block;
    (void)thread;
    for (int y = begin; y < end; y++) {
        float *row = rf_image_row_f32(job->band, y);
        for (int x = 0; x < job->band->width; x++)
            row[x] = row[x] > job->floor ? row[x] - job->floor : 0;
    }
}

/* Pools by REDUCE and EXPAND (a smooth window about 7 wide) and takes the noise share off. */
static rf_status pool_energy(rf_image *band, float floor, rf_pool *pool, rf_error *err)
{
    rf_status status;
    rf_image half = {0};
    square_job job = {.band = band, .floor = floor};
    rf_pool_rows(pool, band->height, BLOCK_ROWS, square_rows, &job);
    RF_TRY(rf_image_alloc_raw(&half, (band->width + 1) / 2, (band->height + 1) / 2, 1, RF_F32, "detail energy", err));
    RF_TRY(rf_pyramid_reduce(band, &half, pool, err));
    RF_TRY(rf_pyramid_expand(&half, band, 0, pool, err));
    rf_pool_rows(pool, band->height, BLOCK_ROWS, floor_rows, &job);
done:
    rf_image_free(&half);
    return status;
}

rf_status rf_width_map(const rf_image *picture, const rf_image *depth, const rf_merge_settings *settings, rf_image *out,
                       rf_pool *pool, rf_error *err)
{
    rf_status status = RF_OK;
    rf_image bands[BANDS + 1];
    memset(bands, 0, sizeof bands);
    float blur_px_per_step = settings->blur_px_per_step, noise = settings->noise;
    width_job job = {.energy = bands, .out = out, .depth = depth, .noise_variance = noise * noise};
    job.last_frame = (float)(settings->frame_count - 1);
    job.may_be_local = blur_px_per_step < MOST_BLUR_PX;
    RF_TRY(rf_image_alloc_raw(&job.cone, (picture->width + 1) / 2, (picture->height + 1) / 2, 1, RF_F32,
                              "detail energy", err));
    rf_apart_cone(picture, depth, blur_px_per_step, &job.cone, pool);
    RF_TRY(rf_image_alloc_raw(&bands[0], picture->width, picture->height, 1, RF_F32, "detail energy", err));
    rf_image_luma(picture, 1, &bands[0], pool);
    for (int l = 0; l < BANDS; l++) {
        RF_TRY(rf_image_alloc_raw(&bands[l + 1], (bands[l].width + 1) / 2, (bands[l].height + 1) / 2, 1, RF_F32,
                                  "detail energy", err));
        RF_TRY(rf_pyramid_reduce(&bands[l], &bands[l + 1], pool, err));
        RF_TRY(rf_pyramid_expand(&bands[l + 1], &bands[l], -1, pool, err));
        /* The picture is a mean of frames, its noise lower than one frame's: half the variance is a cautious floor. */
        RF_TRY(pool_energy(&bands[l], 0.5f * BAND_NOISE[l] * noise * noise, pool, err));
    }
    fill_loss(&job, blur_px_per_step);
    rf_pool_rows(pool, out->height, BLOCK_ROWS, width_rows, &job);
done:
    rf_image_free(&job.cone);
    for (int l = 0; l <= BANDS; l++)
        rf_image_free(&bands[l]);
    return status;
}

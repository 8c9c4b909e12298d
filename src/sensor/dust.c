/* dust.c - where dust may lie: the survey at half and quarter size, and the crops its suspects are judged on.
 *
 * At every pixel of the reduced log luma, smoothed a little, D is how much darker the pixel is than the mean of eight
 * samples 5 px around it. They form four pairs of opposites, which cancel a slope; how much the pairs differ says
 * whether the surroundings are even enough to judge. D over those quiet frames alone must be steady; D over all frames
 * says how much the take changes at this scale. */
#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "faults.h"
#include "railfold/memory.h"

enum { BLOCK_ROWS = 16, RING_PX = DUST_RING_PX };
static const float DARKEST = 0.002f;  /* linear: keeps the logarithm of black finite and noise in it small */
static const float LEAST_DIP = 0.03f; /* of log luma; fainter dust hardly shows */
static const float EVEN = 0.2f;       /* the pairs' spread, as a share of D, at most */

/* ---- memory ---- */

static rf_status open_level(dust_level *level, int width, int height, int reduce, rf_pool *pool, rf_error *err)
{
    rf_status status;
    enum { FILLED = 3 }; /* the first ones are by every frame, the others are sums */
    rf_image *maps[] = {&level->linear, &level->log,       &level->smooth,      &level->sum,
                        &level->square, &level->quiet_sum, &level->quiet_square};
    level->reduce = reduce;
    level->width = width / reduce;
    level->height = height / reduce;
    for (size_t i = 0; i < sizeof maps / sizeof maps[0]; i++)
        RF_TRY(rf_image_alloc_raw(maps[i], level->width, level->height, 1, RF_F32, "the search for dust", err));
    for (size_t i = FILLED; i < sizeof maps / sizeof maps[0]; i++)
        rf_image_clear(maps[i], pool);
    RF_TRY(rf_alloc(&level->quiet, (size_t)level->width * (size_t)level->height, 1, "the search for dust", err));
done:
    return status;
}

rf_status rf_dust_open(dust_finder *self, int width, int height, int channels, rf_sample sample, rf_pool *pool,
                       rf_error *err)
{
    rf_status status;
    int values = sample == RF_U8 ? 256 : 65536;
    *self = (dust_finder){.width = width, .height = height, .channels = channels, .sample = sample};
    RF_TRY(rf_alloc(&self->linear_of, (size_t)values, sizeof *self->linear_of, "the search for dust", err));
    for (int v = 0; v < values; v++)
        self->linear_of[v] = rf_linear_from_coded((float)v / (float)(values - 1));
    while (self->levels < DUST_LEVELS && width >> (self->levels + 1) > 4 * RING_PX &&
           height >> (self->levels + 1) > 4 * RING_PX) {
        self->levels++;
        RF_TRY(open_level(&self->level[self->levels - 1], width, height, 1 << self->levels, pool, err));
    }
    self->scratch_floats = (size_t)width / 2 + 4;
    RF_TRY(rf_alloc(&self->scratch, (size_t)rf_pool_threads(pool) * self->scratch_floats, sizeof *self->scratch,
                    "the search for dust", err));
done:
    return status;
}

void rf_dust_close(dust_finder *self)
{
    for (int l = 0; l < DUST_LEVELS; l++) {
        dust_level *level = &self->level[l];
        rf_image *maps[] = {&level->linear, &level->log,       &level->smooth,      &level->sum,
                            &level->square, &level->quiet_sum, &level->quiet_square};
        for (size_t i = 0; i < sizeof maps / sizeof maps[0]; i++)
            rf_image_free(maps[i]);
        rf_free(level->quiet);
    }
    for (int i = 0; i < self->count; i++)
        rf_free(self->suspects[i].crops);
    rf_free(self->suspects);
    rf_free(self->linear_of);
    rf_free(self->scratch);
    *self = (dust_finder){0};
}

/* ---- survey ---- */

/* Linear luma (Rec. ITU-R BT.709 weights) of one sample. */
static inline float luma_at(const dust_finder *self, const rf_image *frame, int x, int y)
{
    const void *row = rf_image_row(frame, y);
    const float *linear = self->linear_of;
    size_t at = (size_t)x * (size_t)frame->channels;
    if (frame->sample == RF_U8) {
        const uint8_t *p = (const uint8_t *)row + at;
        return frame->channels == 1 ? linear[p[0]]
                                    : 0.2126f * linear[p[0]] + 0.7152f * linear[p[1]] + 0.0722f * linear[p[2]];
    }
    const uint16_t *p = (const uint16_t *)row + at;
    return frame->channels == 1 ? linear[p[0]]
                                : 0.2126f * linear[p[0]] + 0.7152f * linear[p[1]] + 0.0722f * linear[p[2]];
}

typedef struct survey_job {
    dust_finder *self;
    const rf_image *frame;
    dust_level *level;
    const dust_level *finer;
} survey_job;

/* Natural logarithm of a positive, normal number, within 2e-7 of it or of 1: exponent and mantissa apart, and the
 * series of ln((1 + t) / (1 - t)) = 2 (t + t^3 / 3 + ...) for a mantissa from 1 / sqrt(2) to sqrt(2), |t| < 0.172. */
static inline float log_of(float v)
{
    int32_t bits, exponent;
    memcpy(&bits, &v, sizeof bits);
    exponent = (bits - 0x3F3504F3) >> 23;
    bits -= exponent * (1 << 23);
    memcpy(&v, &bits, sizeof v);
    float t = (v - 1.0f) / (v + 1.0f), t2 = t * t;
    return (float)exponent * 0.69314718f + 2.0f * t * (1.0f + t2 * (1.0f / 3 + t2 * (1.0f / 5 + t2 * (1.0f / 7))));
}

RF_HOT static void log_row(const float *restrict linear, float *restrict out, int n)
{
    for (int x = 0; x < n; x++)
        out[x] = log_of(linear[x] + DARKEST);
}

static void linear_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const survey_job *job = arg;
    dust_level *level = job->level;
    for (int y = begin; y < end; y++) {
        float *linear = rf_image_row_f32(&level->linear, y), *out = rf_image_row_f32(&level->log, y);
        if (job->finer == NULL) {
            for (int x = 0; x < level->width; x++)
                linear[x] = 0.25f * (luma_at(job->self, job->frame, 2 * x, 2 * y) +
                                     luma_at(job->self, job->frame, 2 * x + 1, 2 * y) +
                                     luma_at(job->self, job->frame, 2 * x, 2 * y + 1) +
                                     luma_at(job->self, job->frame, 2 * x + 1, 2 * y + 1));
        } else {
            const float *a = rf_image_row_f32(&job->finer->linear, 2 * y),
                        *b = rf_image_row_f32(&job->finer->linear, 2 * y + 1);
            for (int x = 0; x < level->width; x++)
                linear[x] = 0.25f * (a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]);
        }
        log_row(linear, out, level->width);
    }
}

/* Binomial 1 4 6 4 1 both ways: a standard deviation of 1 px. */
RF_HOT static void smooth_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    const survey_job *job = arg;
    dust_level *level = job->level;
    int width = level->width, last = level->height - 1;
    float *column = job->self->scratch + (size_t)thread * job->self->scratch_floats + 2;
    for (int y = begin; y < end; y++) {
        const float *row[5];
        for (int i = 0; i < 5; i++)
            row[i] = rf_image_row_f32(&level->log, rf_clamp_int(y + i - 2, 0, last));
        for (int x = 0; x < width; x++)
            column[x] = (row[0][x] + row[4][x] + 4.0f * (row[1][x] + row[3][x]) + 6.0f * row[2][x]) * (1.0f / 16.0f);
        for (int i = 1; i <= 2; i++)
            column[-i] = column[0], column[width - 1 + i] = column[width - 1];
        float *out = rf_image_row_f32(&level->smooth, y);
        for (int x = 0; x < width; x++)
            out[x] = (column[x - 2] + column[x + 2] + 4.0f * (column[x - 1] + column[x + 1]) + 6.0f * column[x]) *
                     (1.0f / 16.0f);
    }
}

/* What row y of the level's statistics gains by the current frame; `smooth` are its rows y - 5, y - 4, y, y + 4, y + 5.
 */
RF_HOT static void dip_row(const float *const smooth[5], float *restrict sum, float *restrict square,
                           float *restrict quiet_sum, float *restrict quiet_square, uint8_t *restrict quiet, int width)
{
    const float *above = smooth[0], *high = smooth[1], *here = smooth[2], *low = smooth[3], *below = smooth[4];
    for (int x = RING_PX; x < width - RING_PX; x++) {
        /* east, west, south, north, and the diagonals */
        float e = here[x + 5], w = here[x - 5], n = above[x], o = below[x];
        float ne = high[x + 4], nw = high[x - 4], oe = low[x + 4], ow = low[x - 4];
        float ring = 0.125f * (e + w + n + o + ne + nw + oe + ow), dip = ring - here[x];
        float along = 5.0f * (e - w) + 4.0f * (ne + oe - nw - ow), down = 5.0f * (o - n) + 4.0f * (oe + ow - ne - nw);
        float squares = e * e + w * w + n * n + o * o + ne * ne + nw * nw + oe * oe + ow * ow;
        float spread = 0.125f * (squares - (along * along + down * down) * (1.0f / 114.0f)) - ring * ring;
        int even = (dip > LEAST_DIP) & (spread < EVEN * EVEN * dip * dip);
        float judge = even ? 1.0f : 0.0f;
        sum[x] += dip;
        square[x] += dip * dip;
        quiet_sum[x] += judge * dip;
        quiet_square[x] += judge * dip * dip;
        quiet[x] = (uint8_t)(quiet[x] + even);
    }
}

static void dip_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    static const int offset[5] = {-5, -4, 0, 4, 5};
    const survey_job *job = arg;
    dust_level *level = job->level;
    for (int y = begin; y < end; y++) {
        if (y < RING_PX || y >= level->height - RING_PX)
            continue;
        const float *smooth[5];
        for (int i = 0; i < 5; i++)
            smooth[i] = rf_image_row_f32(&level->smooth, y + offset[i]);
        dip_row(smooth, rf_image_row_f32(&level->sum, y), rf_image_row_f32(&level->square, y),
                rf_image_row_f32(&level->quiet_sum, y), rf_image_row_f32(&level->quiet_square, y),
                level->quiet + (size_t)y * (size_t)level->width, level->width);
    }
}

void rf_dust_survey(dust_finder *self, const rf_image *frame, rf_pool *pool)
{
    for (int l = 0; l < self->levels; l++) {
        dust_level *level = &self->level[l];
        survey_job job = {.self = self, .frame = frame, .level = level, .finer = l > 0 ? level - 1 : NULL};
        rf_pool_rows(pool, level->height, BLOCK_ROWS, linear_rows, &job);
        rf_pool_rows(pool, level->height, BLOCK_ROWS, smooth_rows, &job);
        rf_pool_rows(pool, level->height, BLOCK_ROWS, dip_rows, &job);
    }
    self->surveyed++;
}

/* ---- examination ---- */

/* Log luma around a suspect; NAN out of the picture. */
static void take_crop(const dust_finder *self, const rf_image *frame, const dust_suspect *suspect, float *crop)
{
    int left = suspect->x - DUST_REACH;
    int from = rf_clamp_int(-left, 0, DUST_SIDE), to = rf_clamp_int(self->width - left, 0, DUST_SIDE);
    for (int row = 0; row < DUST_SIDE; row++, crop += DUST_SIDE) {
        int y = suspect->y - DUST_REACH + row, inside = y >= 0 && y < self->height;
        float linear[DUST_SIDE] = {0};
        for (int i = from; inside && i < to; i++)
            linear[i] = luma_at(self, frame, left + i, y);
        log_row(linear, crop, DUST_SIDE);
        for (int i = 0; i < DUST_SIDE; i++)
            if (!inside || i < from || i >= to)
                crop[i] = NAN;
    }
}

typedef struct examine_job {
    dust_finder *self;
    const rf_image *frame;
} examine_job;

static void examine_suspects(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const examine_job *job = arg;
    const dust_finder *self = job->self;
    for (int i = begin; i < end; i++)
        take_crop(self, job->frame, &self->suspects[i], self->suspects[i].crops + (size_t)self->examined * DUST_AREA);
}

void rf_dust_examine(dust_finder *self, const rf_image *frame, rf_pool *pool)
{
    examine_job job = {.self = self, .frame = frame};
    rf_pool_rows(pool, self->count, 1, examine_suspects, &job);
    self->examined++;
}

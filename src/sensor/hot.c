/* hot.c - hot and dead pixels: the survey, and whom it suspects.
 *
 * A sample counts as bright (dark) in a frame when it lies STAND_OUT above all (below all) but one of eight samples of
 * its channel about 3 px away. Suspects are the samples that count in nearly all frames. What may still become one
 * after the first few frames is examined (hot_judge.c) as further frames are surveyed, so that none need be seen again.
 */
#include <limits.h>
#include <string.h>

#include "base/hot.h"
#include "faults.h"
#include "railfold/memory.h"

enum {
    BLOCK_ROWS = 32,
    MOST_SUSPECTS = 16384, /* 32 MiB of them */
    RING_PX = 3,           /* reaches past a fault that demosaicing has widened to 5 px */
    RING_ROWS = 2 * RING_PX + 1,
    CHUNK = 256,
    DARK = 16 /* what a dark frame adds to a sample's count; a bright one adds 1 */
};
static const int STAND_OUT =
    65535 * 4 / 100; /* of white: what shows; five times the noise of a frame at high sensitivity */
static const double MOST_PERSISTENT = 5e-4; /* of all pixels; hot pixels are ten times rarer even on warm sensors */
static const double MOST_OF_SPOTS = 0.3;    /* of a frame's spots: more, and the frames are alike */

static void clear_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    hot_finder *self = arg;
    size_t row = (size_t)self->width * (size_t)self->channels;
    memset(self->spots + (size_t)begin * row, 0, (size_t)(end - begin) * row);
}

rf_status rf_hot_open(hot_finder *self, int width, int height, int channels, rf_sample sample, rf_pool *pool,
                      rf_error *err)
{
    rf_status status;
    size_t samples = (size_t)width * (size_t)height * (size_t)channels;
    *self = (hot_finder){.width = width, .height = height, .channels = channels, .sample = sample};
    self->scratch_samples = RING_ROWS * ((size_t)width + 2 * RING_PX) * (size_t)channels;
    RF_TRY(rf_alloc_raw(&self->spots, samples, 1, "the sensor faults", err));
    rf_pool_rows(pool, height, BLOCK_ROWS, clear_rows, self);
    RF_TRY(rf_alloc(&self->scratch, (size_t)rf_pool_threads(pool) * self->scratch_samples, sizeof *self->scratch,
                    "the sensor faults", err));
done:
    return status;
}

void rf_hot_close(hot_finder *self)
{
    rf_free(self->spots);
    rf_free(self->scratch);
    rf_free(self->suspects);
    *self = (hot_finder){0};
}

/* ---- survey ---- */

static int mirror(int v, int count)
{
    v = v < 0 ? -v : v;
    v = v >= count ? 2 * (count - 1) - v : v;
    return rf_clamp_int(v, 0, count - 1); /* pictures smaller than the ring */
}

/* Row y, mirrored RING_PX pixels beyond both ends, in samples of its own type. */
static void padded_row(const hot_finder *self, const rf_image *frame, int y, void *restrict out)
{
    int width = self->width;
    size_t pixel = (size_t)self->channels * rf_sample_bytes(self->sample);
    char *middle = (char *)out + RING_PX * pixel;
    memcpy(middle, rf_image_row(frame, mirror(y, self->height)), (size_t)width * pixel);
    for (int i = 1; i <= RING_PX; i++) {
        memcpy(middle - (size_t)i * pixel, middle + (size_t)mirror(i, width) * pixel, pixel);
        memcpy(middle + (size_t)(width - 1 + i) * pixel, middle + (size_t)mirror(width - 1 + i, width) * pixel, pixel);
    }
}

/* Samples of row `rows[3]` that stand out more than `least_out` are counted; where none of a chunk does, and that is
 * nearly everywhere, the counts are not touched. The widest type in here is the sample's own: as many as a register
 * holds go at once. */
#define COUNT_ROW(name, type, white)                                                                                   \
    RF_HOT static void name(uint8_t *restrict spots, void *const rows[RING_ROWS], size_t samples, size_t one,          \
                            type least_out)                                                                            \
    {                                                                                                                  \
        const type *restrict above = rows[0], *restrict high = rows[1], *restrict here = rows[3],                      \
                             *restrict low = rows[5], *restrict below = rows[6];                                       \
        for (size_t begin = 0; begin < samples; begin += CHUNK) {                                                      \
            size_t end = begin + CHUNK < samples ? begin + CHUNK : samples;                                            \
            uint8_t out[CHUNK], any = 0;                                                                               \
            for (size_t i = begin; i < end; i++) {                                                                     \
                const type ring[8] = {above[i + 3 * one], below[i + 3 * one], here[i],      here[i + 6 * one],         \
                                      high[i + one],      high[i + 5 * one],  low[i + one], low[i + 5 * one]};         \
                type most = 0, second_most = 0, least = white, second_least = white, value = here[i + 3 * one];        \
                for (int n = 0; n < 8; n++) {                                                                          \
                    type under = most < ring[n] ? most : ring[n], over = least > ring[n] ? least : ring[n];            \
                    second_most = second_most > under ? second_most : under;                                           \
                    most = most > ring[n] ? most : ring[n];                                                            \
                    second_least = second_least < over ? second_least : over;                                          \
                    least = least < ring[n] ? least : ring[n];                                                         \
                }                                                                                                      \
                type above_ring = (type)((value > second_most ? value : second_most) - second_most);                   \
                type below_ring = (type)(second_least - (value < second_least ? value : second_least));                \
                out[i - begin] = (uint8_t)((above_ring > least_out) + DARK * (below_ring > least_out));                \
                any |= out[i - begin];                                                                                 \
            }                                                                                                          \
            for (size_t i = begin; any != 0 && i < end; i++)                                                           \
                spots[i] = (uint8_t)(spots[i] + out[i - begin]);                                                       \
        }                                                                                                              \
    }

COUNT_ROW(count_row_u8, uint8_t, 255)
COUNT_ROW(count_row_u16, uint16_t, 65535)

static void count_row(const hot_finder *self, void *const rows[RING_ROWS], int y)
{
    size_t one = (size_t)self->channels, samples = (size_t)self->width * one, at = (size_t)y * samples;
    if (self->sample == RF_U8)
        count_row_u8(self->spots + at, rows, samples, one, STAND_OUT / 257);
    else
        count_row_u16(self->spots + at, rows, samples, one, STAND_OUT);
}

typedef struct survey_job {
    hot_finder *self;
    const rf_image *frame;
} survey_job;

static void survey_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    const survey_job *job = arg;
    hot_finder *self = job->self;
    uint16_t *base = self->scratch + (size_t)thread * self->scratch_samples;
    void *rows[RING_ROWS];
    size_t stride = self->scratch_samples / RING_ROWS;
    for (int i = 0; i < RING_ROWS; i++) {
        rows[i] = base + (size_t)i * stride;
        if (i > 0)
            padded_row(self, job->frame, begin - RING_PX + i - 1, rows[i]);
    }
    for (int y = begin; y < end; y++) {
        void *oldest = rows[0];
        memmove(rows, rows + 1, (RING_ROWS - 1) * sizeof *rows);
        rows[RING_ROWS - 1] = oldest;
        padded_row(self, job->frame, y + RING_PX, oldest);
        count_row(self, rows, y);
    }
}

void rf_hot_survey(hot_finder *self, const rf_image *frame, rf_pool *pool)
{
    survey_job job = {.self = self, .frame = frame};
    rf_pool_rows(pool, self->height, BLOCK_ROWS, survey_rows, &job);
    self->surveyed++;
    if (self->followed)
        rf_hot_examine(self, frame, pool);
}

/* ---- suspects ---- */

typedef struct spot_count {
    uint32_t persistent, all;
} spot_count;

/* Over `n` samples, fewer than 2^24: in how many frames they stand out, and how many do in `wanted` or more. */
RF_HOT static spot_count count_spots(const uint8_t *restrict spots, size_t n, int wanted)
{
    uint32_t persistent = 0, all = 0;
    for (size_t i = 0; i < n; i++) {
        int bright = spots[i] % DARK, dark = spots[i] / DARK;
        persistent += (uint32_t)(bright >= wanted) + (uint32_t)(dark >= wanted);
        all += (uint32_t)(bright + dark);
    }
    return (spot_count){persistent, all};
}

typedef struct count_job {
    const hot_finder *self;
    int wanted;
    spot_count *rows;
} count_job;

static void count_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const count_job *job = arg;
    size_t row = (size_t)job->self->width * (size_t)job->self->channels;
    for (int y = begin; y < end; y++)
        job->rows[y] = count_spots(job->self->spots + (size_t)y * row, row, job->wanted);
}

typedef struct spot_sum {
    size_t persistent, all;
} spot_sum;

/* job->rows is freed by the caller. */
static rf_status count_all(count_job *job, spot_sum *sum, rf_pool *pool, rf_error *err)
{
    int height = job->self->height;
    rf_status status = rf_alloc(&job->rows, (size_t)height, sizeof *job->rows, "the suspected hot pixels", err);
    *sum = (spot_sum){0};
    if (status != RF_OK)
        return status;
    rf_pool_rows(pool, height, BLOCK_ROWS, count_rows, job);
    for (int y = 0; y < height; y++) {
        sum->persistent += job->rows[y].persistent;
        sum->all += job->rows[y].all;
    }
    return RF_OK;
}

/* Lists the persistent samples of row y: while few frames are wanted, one may be among the bright and the dark. */
static void list_row(hot_finder *self, int y, int wanted)
{
    int channels = self->channels;
    size_t row = (size_t)self->width * (size_t)channels, first = (size_t)y * row;
    for (size_t i = 0; i < row; i++)
        for (int sign = 1; sign >= -1; sign -= 2)
            if ((sign > 0 ? self->spots[first + i] % DARK : self->spots[first + i] / DARK) >= wanted)
                self->suspects[self->count++] =
                    (hot_suspect){.x = (int)i / channels, .y = y, .channel = (int)i % channels, .sign = sign};
}

int rf_hot_spots(const hot_finder *self, const hot_suspect *s)
{
    size_t row = (size_t)self->width * (size_t)self->channels;
    int spots = self->spots[(size_t)s->y * row + (size_t)s->x * (size_t)self->channels + (size_t)s->channel];
    return s->sign > 0 ? spots % DARK : spots / DARK;
}

/* Who stands out in job->wanted frames becomes a suspect. */
static rf_status list_all(hot_finder *self, const count_job *job, size_t persistent, rf_error *err)
{
    rf_status status = rf_alloc(&self->suspects, persistent, sizeof *self->suspects, "the suspected hot pixels", err);
    for (int y = 0; y < self->height && status == RF_OK; y++)
        if (job->rows[y].persistent > 0)
            list_row(self, y, job->wanted);
    return status;
}

/* Of those followed the ones that stood out often enough in the end. */
static void narrow(hot_finder *self, int wanted)
{
    int count = 0;
    for (int i = 0; i < self->count; i++)
        if (rf_hot_spots(self, &self->suspects[i]) >= wanted)
            self->suspects[count++] = self->suspects[i];
    self->count = count;
}

rf_status rf_hot_suspects(hot_finder *self, int take_changes, rf_pool *pool, rf_error *err)
{
    rf_status status;
    double pixels = (double)self->width * self->height, per_frame;
    spot_sum sum;
    count_job job = {.self = self, .wanted = rf_hot_frames_wanted(self->surveyed)};
    RF_TRY(count_all(&job, &sum, pool, err));
    per_frame = (double)sum.all / self->surveyed; /* samples that stand out; neighbours in a row count once */
    int plausible = (double)sum.persistent <= MOST_PERSISTENT * pixels * self->channels + 64 &&
                    sum.persistent <= MOST_SUSPECTS &&
                    (take_changes || (double)sum.persistent <= MOST_OF_SPOTS * per_frame);
    if (self->followed)
        narrow(self, plausible ? job.wanted : INT_MAX);
    else if (plausible)
        RF_TRY(list_all(self, &job, sum.persistent, err));
done:
    rf_free(job.rows);
    return status;
}

rf_status rf_hot_follow(hot_finder *self, const rf_image *const *frames, int count, rf_pool *pool, rf_error *err)
{
    rf_status status;
    spot_sum sum;
    count_job job = {.self = self, .wanted = count - HOT_MISSING_MOST};
    RF_TRY(count_all(&job, &sum, pool, err));
    if (sum.persistent <= MOST_SUSPECTS) {
        RF_TRY(list_all(self, &job, sum.persistent, err));
        self->followed = 1;
        for (int k = 0; k < count; k++)
            rf_hot_examine(self, frames[k], pool);
    }
done:
    rf_free(job.rows);
    return status;
}

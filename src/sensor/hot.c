/* hot.c - hot and dead pixels.
 *
 * Survey: a sample counts as bright (dark) in a frame when it lies STAND_OUT above all (below all) but one of eight
 * samples of its channel about 3 px away. Suspects are the samples that count in nearly all frames. Examination: each
 * suspect's excess is taken frame by frame against the median of the ring 4 px around it. */
#include <math.h>
#include <stdlib.h>
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
    CROWD_PX = 20, /* a neighbourhood ... */
    CROWD_MIN = 3, /* ... in which so many other persistent spots mean that the subject persists */
    DARK = 16,     /* what a dark frame adds to a sample's count; a bright one adds 1 */
    APART_PX = 3   /* suspects nearer than this are one fault */
};
static const int STAND_OUT =
    65535 * 4 / 100; /* of white: what shows; five times the noise of a frame at high sensitivity */
static const double MOST_PERSISTENT = 5e-4; /* of all pixels; hot pixels are ten times rarer even on warm sensors */
static const double MOST_OF_SPOTS = 0.3;    /* of a frame's spots: more, and the frames are alike */
static const float LIKE = 2.0f;             /* excess within this factor of its median */
static const float WHITE = 0.985f, BLACK = 0.015f;

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
}

/* ---- suspects ---- */

static int frames_wanted(int frames)
{
    return frames - frames / 6; /* 4 of 4, 5 of 6, 10 of 12 */
}

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

/* Lists the persistent samples of row y. */
static void list_row(hot_finder *self, int y, int wanted)
{
    int channels = self->channels;
    size_t row = (size_t)self->width * (size_t)channels, first = (size_t)y * row;
    for (size_t i = 0; i < row; i++) {
        int spots = self->spots[first + i], sign = spots % DARK >= wanted ? 1 : spots / DARK >= wanted ? -1 : 0;
        if (sign != 0)
            self->suspects[self->count++] =
                (hot_suspect){.x = (int)i / channels, .y = y, .channel = (int)i % channels, .sign = sign};
    }
}

rf_status rf_hot_suspects(hot_finder *self, int take_changes, rf_pool *pool, rf_error *err)
{
    rf_status status;
    double pixels = (double)self->width * self->height, per_frame;
    size_t persistent = 0, all = 0;
    count_job job = {.self = self, .wanted = frames_wanted(self->surveyed)};
    RF_TRY(rf_alloc(&job.rows, (size_t)self->height, sizeof *job.rows, "the suspected hot pixels", err));
    rf_pool_rows(pool, self->height, BLOCK_ROWS, count_rows, &job);
    for (int y = 0; y < self->height; y++) {
        persistent += job.rows[y].persistent;
        all += job.rows[y].all;
    }
    per_frame = (double)all / self->surveyed; /* samples that stand out; neighbours in a row count once */
    if ((double)persistent <= MOST_PERSISTENT * pixels * self->channels + 64 && persistent <= MOST_SUSPECTS &&
        (take_changes || (double)persistent <= MOST_OF_SPOTS * per_frame)) {
        RF_TRY(rf_alloc(&self->suspects, persistent, sizeof *self->suspects, "the suspected hot pixels", err));
        for (int y = 0; y < self->height; y++)
            if (job.rows[y].persistent > 0)
                list_row(self, y, job.wanted);
    }
done:
    rf_free(job.rows);
    return status;
}

/* ---- examination ---- */

static float median(float *values, int count)
{
    for (int i = 1; i < count; i++) { /* at most 32 of them */
        float v = values[i];
        int j = i;
        for (; j > 0 && values[j - 1] > v; j--)
            values[j] = values[j - 1];
        values[j] = v;
    }
    return count % 2 != 0 ? values[count / 2] : 0.5f * (values[count / 2 - 1] + values[count / 2]);
}

/* Median of the patch's rim inside the picture. */
static float surroundings(const rf_image *frame, const hot_suspect *s, int channel)
{
    float rim[4 * (HOT_PATCH_SIDE - 1)];
    int count = 0;
    for (int dy = -HOT_PATCH_RADIUS; dy <= HOT_PATCH_RADIUS; dy++)
        for (int dx = -HOT_PATCH_RADIUS; dx <= HOT_PATCH_RADIUS; dx++) {
            int x = s->x + dx, y = s->y + dy;
            int on_rim =
                dx == -HOT_PATCH_RADIUS || dx == HOT_PATCH_RADIUS || dy == -HOT_PATCH_RADIUS || dy == HOT_PATCH_RADIUS;
            if (on_rim && x >= 0 && y >= 0 && x < frame->width && y < frame->height)
                rim[count++] = rf_sample_coded(frame, x, y, channel);
        }
    return count > 0 ? median(rim, count) : 0.0f;
}

static void examine_one(hot_suspect *s, const rf_image *frame, int k)
{
    for (int c = 0; c < frame->channels; c++) {
        float around = surroundings(frame, s, c);
        for (int i = 0; i < HOT_PATCH; i++) {
            int x = s->x + i % HOT_PATCH_SIDE - HOT_PATCH_RADIUS, y = s->y + i / HOT_PATCH_SIDE - HOT_PATCH_RADIUS;
            if (x < 0 || y < 0 || x >= frame->width || y >= frame->height)
                continue;
            float excess = rf_sample_coded(frame, x, y, c) - around;
            s->sum[c][i] += excess;
            s->square[c][i] += excess * excess;
        }
        if (c != s->channel)
            continue;
        float value = rf_sample_coded(frame, s->x, s->y, c);
        float light = rf_linear_from_coded(value), light_around = rf_linear_from_coded(around);
        s->excess[k] = s->sign > 0 ? light - light_around : (light_around - light) / fmaxf(light_around, 1e-3f);
        if (s->sign > 0 ? value > WHITE : value < BLACK)
            s->clipped |= 1 << k;
    }
}

void rf_hot_examine(hot_finder *self, const rf_image *frame)
{
    for (int i = 0; i < self->count; i++)
        examine_one(&self->suspects[i], frame, self->examined);
    self->examined++;
}

/* ---- verdict ---- */

static int is_consistent(const hot_suspect *s, int frames)
{
    float sorted[RF_SENSOR_SAMPLE_MAX];
    memcpy(sorted, s->excess, sizeof sorted);
    float middle = median(sorted, frames);
    int alike = 0;
    for (int k = 0; k < frames; k++)
        alike += (s->clipped >> k & 1) != 0 || (s->excess[k] * LIKE >= middle && s->excess[k] <= LIKE * middle);
    return middle > 0 && alike >= frames_wanted(frames);
}

static float strength(const hot_suspect *s)
{
    return fabsf(s->sum[s->channel][HOT_PATCH / 2]);
}

static int far_apart(const hot_suspect *a, const hot_suspect *b, int px)
{
    return abs(a->x - b->x) > px || abs(a->y - b->y) > px;
}

/* The suspects from *begin to before *end lie in the rows within `px` of the i-th: they are in reading order. */
static void rows_near(const hot_suspect *const *faults, int count, int i, int px, int *begin, int *end)
{
    *begin = *end = i;
    while (*begin > 0 && faults[i]->y - faults[*begin - 1]->y <= px)
        --*begin;
    while (*end < count && faults[*end]->y - faults[i]->y <= px)
        ++*end;
}

/* Of faults close together the strongest stands for all. */
static int is_strongest(const hot_suspect *const *faults, int count, int i)
{
    const hot_suspect *s = faults[i];
    int begin, end;
    rows_near(faults, count, i, APART_PX, &begin, &end);
    for (int j = begin; j < end; j++) {
        const hot_suspect *other = faults[j];
        if (j == i || far_apart(s, other, APART_PX))
            continue;
        if (strength(other) > strength(s) || (strength(other) == strength(s) && j < i))
            return 0;
    }
    return 1;
}

static int is_crowded(const hot_suspect *const *faults, int count, int i)
{
    int others = 0, begin, end;
    rows_near(faults, count, i, CROWD_PX, &begin, &end);
    for (int j = begin; j < end; j++)
        others += j != i && !far_apart(faults[i], faults[j], CROWD_PX);
    return others >= CROWD_MIN;
}

/* Keeps of list[0..count) what `keep` says, judged on the whole list; `kept` is room for as many. */
static int sift(const hot_suspect **list, int count, const hot_suspect **kept,
                int (*keep)(const hot_suspect *const *, int, int))
{
    int kept_count = 0;
    for (int i = 0; i < count; i++)
        if (keep(list, count, i))
            kept[kept_count++] = list[i];
    return kept_count;
}

static int is_lonely(const hot_suspect *const *faults, int count, int i)
{
    return !is_crowded(faults, count, i);
}

rf_status rf_hot_finish(hot_finder *self, rf_sensor_map *map, rf_error *err)
{
    rf_status status;
    const hot_suspect **list = NULL, **other = NULL;
    int count = 0;
    RF_TRY(rf_alloc(&list, (size_t)self->count, sizeof *list, "the suspected hot pixels", err));
    RF_TRY(rf_alloc(&other, (size_t)self->count, sizeof *other, "the suspected hot pixels", err));
    for (int i = 0; i < self->count; i++)
        if (is_consistent(&self->suspects[i], self->examined))
            list[count++] = &self->suspects[i];
    count = sift(list, count, other, is_strongest);
    count = sift(other, count, list, is_lonely);
    if (count > 0)
        RF_TRY(rf_hot_extent(self, list, count, map, err));
done:
    rf_free(list);
    rf_free(other);
    return status;
}

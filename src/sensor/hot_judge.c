/* hot_judge.c - suspected hot and dead pixels: their excess is taken frame by frame against the median of the ring 4 px
 * around them, and must be alike in nearly all. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "faults.h"
#include "railfold/memory.h"

enum {
    CROWD_PX = 20, /* a neighbourhood ... */
    CROWD_MIN = 3, /* ... in which so many other persistent spots mean that the subject persists */
    APART_PX = 3,  /* suspects nearer than this are one fault */
    BLOCK = 64     /* suspects a thread takes at once */
};
static const float LIKE = 2.0f; /* excess within this factor of its median */
static const float WHITE = 0.985f, BLACK = 0.015f;

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

typedef struct examine_job {
    hot_finder *self;
    const rf_image *frame;
} examine_job;

static void examine_some(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const examine_job *job = arg;
    hot_finder *self = job->self;
    int least = self->followed ? self->surveyed - HOT_MISSING_MOST : 0; /* who missed more is none any longer */
    for (int i = begin; i < end; i++)
        if (rf_hot_spots(self, &self->suspects[i]) >= least)
            examine_one(&self->suspects[i], job->frame, self->examined);
}

void rf_hot_examine(hot_finder *self, const rf_image *frame, rf_pool *pool)
{
    examine_job job = {.self = self, .frame = frame};
    if (self->count > 0)
        rf_pool_rows(pool, self->count, BLOCK, examine_some, &job);
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
    return middle > 0 && alike >= rf_hot_frames_wanted(frames);
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

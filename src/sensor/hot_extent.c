/* hot_extent.c - how far each hot pixel reaches after demosaicing and compression, and what its samples are replaced
 * from. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "faults.h"
#include "railfold/memory.h"

enum { GROW_PX = 3, LOOK_PX = 8, DIRECTIONS = 4 };
enum {
    ECHO_PX = 8,
    ECHO_TIMES = 3
}; /* a JPEG block is 8 px wide: what rings in it is fainter by that and no fault of its own */
static const int STEP[DIRECTIONS][2] = {{1, 0}, {0, 1}, {1, 1}, {1, -1}};

/* A neighbour belongs to the fault when its mean excess shows (3 levels of 255), is not just the ringing of the code (3
 * % of the middle), and is not chance (3.5 standard errors of the mean over the sample). */
static const float SHOWS = 0.006f, SHARE = 0.01f, ERRORS = 4.0f;

/* It stands out as well from how the rim varies: in a take that hardly moves the subject's own detail persists. */
static const float OVER_RIM = 2.5f;

static int belongs(const hot_suspect *s, int channel, int i, int frames, float middle, float rim)
{
    float mean = s->sum[channel][i] / (float)frames;
    float variance = s->square[channel][i] / (float)frames - mean * mean;
    float error = sqrtf(fmaxf(variance, 0.0f) / (float)(frames - 1));
    return fabsf(mean) > fmaxf(fmaxf(SHOWS, SHARE * middle), fmaxf(ERRORS * error, OVER_RIM * rim));
}

static int compare(const void *a, const void *b)
{
    float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

/* How the mean picture varies along the rim of the patch: standard deviation, from the median of the distances to the
 * median. */
static float spread_of_rim(const hot_suspect *s, int channel, int frames)
{
    float rim[4 * (HOT_PATCH_SIDE - 1)];
    int count = 0;
    for (int i = 0; i < HOT_PATCH; i++) {
        int x = i % HOT_PATCH_SIDE, y = i / HOT_PATCH_SIDE;
        if (x == 0 || y == 0 || x == HOT_PATCH_SIDE - 1 || y == HOT_PATCH_SIDE - 1)
            rim[count++] = s->sum[channel][i] / (float)frames;
    }
    qsort(rim, (size_t)count, sizeof *rim, compare);
    float middle = rim[count / 2];
    for (int i = 0; i < count; i++)
        rim[i] = fabsf(rim[i] - middle);
    qsort(rim, (size_t)count, sizeof *rim, compare);
    return 1.4826f * rim[count / 2];
}

/* Marks what hangs together with the middle: ring by ring, a pixel joins when a neighbour nearer the middle did. */
static void grow(const hot_suspect *s, int channel, int frames, float middle, char joined[HOT_PATCH])
{
    float rim = spread_of_rim(s, channel, frames);
    memset(joined, 0, HOT_PATCH);
    joined[HOT_PATCH / 2] = channel == s->channel || belongs(s, channel, HOT_PATCH / 2, frames, middle, rim);
    for (int ring = 1; ring <= GROW_PX; ring++)
        for (int dy = -ring; dy <= ring; dy++)
            for (int dx = -ring; dx <= ring; dx++) {
                if (abs(dx) != ring && abs(dy) != ring)
                    continue;
                int inner_x = dx - (dx > 0) + (dx < 0), inner_y = dy - (dy > 0) + (dy < 0);
                int inner = (inner_y + HOT_PATCH_RADIUS) * HOT_PATCH_SIDE + inner_x + HOT_PATCH_RADIUS;
                int i = (dy + HOT_PATCH_RADIUS) * HOT_PATCH_SIDE + dx + HOT_PATCH_RADIUS;
                int near_middle = joined[inner] || ring == 1;
                joined[i] = near_middle && belongs(s, channel, i, frames, middle, rim);
            }
}

typedef struct extent {
    const hot_finder *self;
    uint8_t *bad; /* per pixel: bit c set when channel c is bad; the survey's counts are over and lend the space */
    rf_bad_sample *list;
    int count;
} extent;

static uint8_t *bad_at(const extent *e, int x, int y)
{
    return &e->bad[(size_t)y * (size_t)e->self->width + (size_t)x];
}

static void mark(extent *e, const hot_suspect *s)
{
    int frames = e->self->examined;
    float middle = fabsf(s->sum[s->channel][HOT_PATCH / 2]) / (float)frames;
    char joined[HOT_PATCH];
    for (int c = 0; c < e->self->channels; c++) {
        grow(s, c, frames, middle, joined);
        for (int i = 0; i < HOT_PATCH; i++) {
            int x = s->x + i % HOT_PATCH_SIDE - HOT_PATCH_RADIUS, y = s->y + i / HOT_PATCH_SIDE - HOT_PATCH_RADIUS;
            if (!joined[i] || x < 0 || y < 0 || x >= e->self->width || y >= e->self->height ||
                (*bad_at(e, x, y) >> c & 1) != 0)
                continue;
            *bad_at(e, x, y) |= (uint8_t)(1 << c);
            e->list[e->count++] = (rf_bad_sample){.x = x, .y = y, .channel = c};
        }
    }
}

static unsigned char steps_to_good(const extent *e, const rf_bad_sample *b, int channels, int step_x, int step_y)
{
    for (int n = 1; n <= LOOK_PX; n++) {
        int x = b->x + n * step_x, y = b->y + n * step_y;
        if (x < 0 || y < 0 || x >= e->self->width || y >= e->self->height)
            return 0;
        if ((*bad_at(e, x, y) & channels) == 0)
            return (unsigned char)n;
    }
    return 0;
}

/* `channels`: bit c set where channel c is to be good. */
static void find_good(const extent *e, rf_bad_sample *b, int channels)
{
    for (int d = 0; d < DIRECTIONS; d++) {
        b->before[d] = steps_to_good(e, b, channels, -STEP[d][0], -STEP[d][1]);
        b->after[d] = steps_to_good(e, b, channels, STEP[d][0], STEP[d][1]);
    }
}

/* A pixel's luma is bad where any of its channels is. */
static void list_luma(const extent *e, rf_sensor_map *map)
{
    for (int i = 0; i < e->count; i++) {
        rf_bad_sample b = {.x = e->list[i].x, .y = e->list[i].y};
        if ((*bad_at(e, b.x, b.y) & ((1 << e->list[i].channel) - 1)) != 0)
            continue; /* listed for an earlier channel */
        find_good(e, &b, ~0);
        map->bad_luma[map->bad_luma_count++] = b;
    }
}

static float strength(const hot_suspect *s)
{
    return fabsf(s->sum[s->channel][HOT_PATCH / 2]);
}

static int is_echo(const hot_suspect *const *accepted, int count, int i)
{
    for (int j = 0; j < count; j++)
        if (abs(accepted[i]->x - accepted[j]->x) <= ECHO_PX && abs(accepted[i]->y - accepted[j]->y) <= ECHO_PX &&
            strength(accepted[j]) > ECHO_TIMES * strength(accepted[i]))
            return 1;
    return 0;
}

rf_status rf_hot_extent(const hot_finder *self, const hot_suspect *const *accepted, int count, rf_sensor_map *map,
                        rf_error *err)
{
    rf_status status;
    extent e = {.self = self, .bad = self->spots};
    enum { MOST_A_FAULT = 3 * (2 * GROW_PX + 1) * (2 * GROW_PX + 1) };
    memset(e.bad, 0, (size_t)self->width * (size_t)self->height);
    RF_TRY(rf_alloc(&map->hot, (size_t)count, sizeof *map->hot, "the hot pixels", err));
    RF_TRY(rf_alloc(&map->bad, (size_t)count * MOST_A_FAULT, sizeof *map->bad, "the hot pixels", err));
    e.list = map->bad;
    for (int i = 0; i < count; i++) {
        const hot_suspect *s = accepted[i];
        float excess = s->sum[s->channel][HOT_PATCH / 2] / (float)self->examined;
        if (!is_echo(accepted, count, i))
            map->hot[map->hot_count++] = (rf_hot_pixel){.x = s->x, .y = s->y, .excess = excess};
        mark(&e, s);
    }
    map->bad_count = e.count;
    for (int i = 0; i < e.count; i++)
        find_good(&e, &e.list[i], 1 << e.list[i].channel);
    RF_TRY(rf_alloc(&map->bad_luma, (size_t)e.count, sizeof *map->bad_luma, "the hot pixels", err));
    list_luma(&e, map);
done:
    return status;
}

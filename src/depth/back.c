/* back.c - faint ground beside strong outlines. What an outline leaves some pixels away (through the measure's own
 * width, as the remains of a JPEG block) is more than faint ground has of its own, so the ground's peak comes second
 * there, or first but too faint to be believed alone. It is taken where it continues a surface known next to it: grown
 * from place to place, as weak edges are from strong ones (Canny, PAMI 8, 1986). Known is what many places in touch
 * agree on: false peaks, such as the rims of bright things out of focus, agree over a few places at the most. */
#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "depth/state.h"
#include "railfold/memory.h"

static const float TOUCH_STEPS = 0.5f; /* places in touch that lie on one surface */
enum { KNOWN_PLACES = 60 };            /* and how many must */
static const float LONE_SHARE = 0.03f; /* of the strongest energy around: less, on fewer places, is no measurement */
static const float OVER_NOISE = 6.0f;  /* what a peak must have that continues a surface */
static const float FIRST_SHARE = 0.2f, SECOND_SHARE = 0.5f; /* the same, of the energy of the place continued */
static const float TRAIL_SHARE = 0.03f; /* an outline leaves less than this of its energy where its trail begins */
enum { TRAIL_REACH = 6 };               /* energy pixels: how far it goes */
static const float GROWN_TRUST = 0.6f;

typedef struct growth {
    rf_depth *d;
    float *level; /* energy of the surface at the places it was continued to, else 0 */
    int *queue;
    size_t count;
    uint8_t *open;
} growth;

static size_t place_at(const rf_depth *d, int x, int y)
{
    return (size_t)y * (size_t)d->energy_width + (size_t)x;
}

/* Neighbour n of 9 of the place `at`; 0 outside. */
static int neighbour(const rf_depth *d, size_t at, int n, int *x, int *y)
{
    *x = (int)(at % (size_t)d->energy_width) + n % 3 - 1;
    *y = (int)(at / (size_t)d->energy_width) + n / 3 - 1;
    return *x >= 0 && *y >= 0 && *x < d->energy_width && *y < d->energy_height;
}

static float way_at(const rf_depth *d, size_t at)
{
    return rf_image_row_f32(&d->way, (int)(at / (size_t)d->energy_width))[at % (size_t)d->energy_width];
}

/* ---- what is known ---- */

/* Collects the trusted places joined to `at` into queue[0...]; returns how many. They are marked in `known`. */
static size_t join_places(growth *g, size_t at)
{
    rf_depth *d = g->d;
    size_t next = 0, end = 0;
    d->known[at] = RF_LONE;
    g->queue[end++] = (int)at;
    while (next < end) {
        size_t here = (size_t)g->queue[next++];
        float way = way_at(d, here);
        for (int n = 0; n < 9; n++) {
            int x, y;
            if (!neighbour(d, here, n, &x, &y) || d->known[place_at(d, x, y)] ||
                rf_image_row_f32(&d->trust, y)[x] == 0.0f || fabsf(rf_image_row_f32(&d->way, y)[x] - way) > TOUCH_STEPS)
                continue;
            d->known[place_at(d, x, y)] = RF_LONE;
            g->queue[end++] = (int)place_at(d, x, y);
        }
    }
    return end;
}

/* The rim of a bright thing out of focus is faint beside it, and agrees with nothing around. */
static void doubt_lone(rf_depth *d, int x, int y)
{
    if (rf_focus_row(d, y)[x].peak[0].energy < LONE_SHARE * rf_image_row_f32(&d->guide_at, y)[x])
        rf_image_row_f32(&d->trust, y)[x] = 0.0f;
}

static void find_known(growth *g)
{
    rf_depth *d = g->d;
    for (int y = 0; y < d->energy_height; y++)
        for (int x = 0; x < d->energy_width; x++) {
            if (d->known[place_at(d, x, y)] || rf_image_row_f32(&d->trust, y)[x] == 0.0f)
                continue;
            size_t count = join_places(g, place_at(d, x, y));
            for (size_t n = 0; n < count; n++) {
                int at = g->queue[n];
                if (count >= KNOWN_PLACES)
                    d->known[at] = RF_KNOWN;
                else
                    doubt_lone(d, at % d->energy_width, at / d->energy_width);
            }
        }
}

/* ---- growing ---- */

/* Whether the place's sharpest peak is the trail of something much stronger at the same depth. */
static int is_trail(const rf_depth *d, int x, int y)
{
    const rf_peak *own = &rf_focus_row(d, y)[x].peak[0];
    for (int j = y - TRAIL_REACH; j <= y + TRAIL_REACH; j++) {
        if (j < 0 || j >= d->energy_height)
            continue;
        const rf_focus *focus = rf_focus_row(d, j);
        int first = x > TRAIL_REACH ? x - TRAIL_REACH : 0;
        for (int i = first; i <= x + TRAIL_REACH && i < d->energy_width; i++)
            if (TRAIL_SHARE * focus[i].peak[0].energy > own->energy &&
                fabsf(focus[i].peak[0].position - own->position) < RF_SAME_STEPS)
                return 1;
    }
    return 0;
}

/* The peak of a place that continues a surface at `way` of energy `level`; -1 when it has none. */
static int continuing_peak(const rf_depth *d, const rf_focus *focus, float way, float level)
{
    for (int p = 0; p < RF_DEPTH_PEAKS; p++)
        if (focus->peak[p].energy > OVER_NOISE * d->noise_floor &&
            focus->peak[p].energy > (p == 0 ? FIRST_SHARE : SECOND_SHARE) * level &&
            fabsf(rf_way_sign(d) * focus->peak[p].position - way) < RF_SAME_STEPS)
            return p;
    return -1;
}

/* The peaks before `p` are no surface of this place. */
static void drop_before(rf_focus *focus, int p)
{
    if (p == 0)
        return;
    focus->peak[0] = focus->peak[p];
    for (int n = 1; n < RF_DEPTH_PEAKS; n++)
        focus->peak[n] = p + n < RF_DEPTH_PEAKS ? focus->peak[p + n] : (rf_peak){0};
}

static void continue_into(growth *g, float way, float level, int x, int y)
{
    rf_depth *d = g->d;
    size_t at = place_at(d, x, y);
    rf_focus *focus = rf_focus_row(d, y) + x;
    float *own = rf_image_row_f32(&d->way, y) + x, *trust = rf_image_row_f32(&d->trust, y) + x;
    int trusted = *trust > 0.0f;
    if (g->level[at] > 0.0f || (trusted && *own > way - RF_APART_STEPS))
        return;
    int p = continuing_peak(d, focus, way, level);
    if (p < 0 || (trusted && !is_trail(d, x, y)))
        return;
    drop_before(focus, p);
    *own = rf_way_sign(d) * focus->peak[0].position;
    *trust = GROWN_TRUST;
    d->known[at] = RF_KNOWN;
    g->level[at] = level;
    g->queue[g->count++] = (int)at;
}

static void continue_from(growth *g, size_t at, float level)
{
    for (int n = 0; n < 9; n++) {
        int x, y;
        if (n != 4 && neighbour(g->d, at, n, &x, &y))
            continue_into(g, way_at(g->d, at), level, x, y);
    }
}

RF_HOT static void open_beside(const float *way, const float *ways, const float *trust, int dx, int width,
                               uint8_t *restrict open)
{
    for (int x = dx < 0 ? 1 : 0; x < (dx > 0 ? width - 1 : width); x++)
        open[x] |= !(trust[x + dx] > 0.0f) | !(ways[x + dx] > way[x] - RF_APART_STEPS);
}

/* Where a known place has a neighbour that it may continue into. Growing makes no more of them: what it changes is
 * continued into once. */
static void open_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    growth *g = arg;
    const rf_depth *d = g->d;
    int width = d->energy_width, last = d->energy_height - 1;
    for (int y = begin; y < end; y++) {
        const float *way = rf_image_row_f32(&d->way, y);
        uint8_t *open = g->open + (size_t)y * (size_t)width;
        memset(open, 0, (size_t)width);
        for (int dy = -1; dy <= 1; dy++) {
            const float *ways = rf_image_row_f32(&d->way, rf_clamp_int(y + dy, 0, last));
            const float *trust = rf_image_row_f32(&d->trust, rf_clamp_int(y + dy, 0, last));
            for (int dx = -1; dx <= 1; dx++)
                open_beside(way, ways, trust, dx, width, open);
        }
        for (int x = 0; x < width; x++)
            open[x] &= d->known[place_at(d, x, y)] == RF_KNOWN;
    }
}

/* One thread: the order decides ties. Every place is continued to at most once. */
rf_status rf_back_grow(rf_depth *d, rf_error *err)
{
    rf_status status;
    growth g = {.d = d};
    size_t size = (size_t)d->energy_width * (size_t)d->energy_height;
    RF_TRY(rf_alloc(&d->known, size, sizeof *d->known, "the depth edges", err));
    RF_TRY(rf_alloc(&g.level, size, sizeof *g.level, "the depth edges", err));
    RF_TRY(rf_alloc_raw(&g.queue, size, sizeof *g.queue, "the depth edges", err));
    RF_TRY(rf_alloc_raw(&g.open, size, sizeof *g.open, "the depth edges", err));
    find_known(&g);
    rf_pool_rows(d->pool, d->energy_height, RF_DEPTH_BLOCK_ROWS, open_rows, &g);
    for (size_t at = 0; at < size; at++)
        if (g.open[at] && g.level[at] == 0.0f)
            continue_from(&g, at, d->focus[at].peak[0].energy);
    for (size_t next = 0; next < g.count; next++)
        continue_from(&g, (size_t)g.queue[next], g.level[g.queue[next]]);
done:
    rf_free(g.level);
    rf_free(g.open);
    rf_free(g.queue);
    return status;
}

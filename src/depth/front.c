/* front.c - from the focus peaks to surfaces, and where a nearer surface may reach.
 *
 * A bristle in front of sharp ground is often less sharp than the ground seen through its blur: its own peak comes
 * second. So second and third peaks are taken for the front when they continue a surface that is the sharpest next to
 * them: grown from pixel to pixel, as weak edges are from strong ones (Canny, PAMI 8, 1986). */
#include <float.h>
#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "depth/state.h"
#include "railfold/memory.h"

static const float TRUST_FROM = 7.0f,
                   TRUST_FULL = 18.0f; /* peak height over the noise floor: the floor is the least of any frame,
                                           the greatest of 25 frames' noise in the shadows stands that much higher */
static const float DARK_NOISE = 4.0f;  /* noise of coded values is that much stronger in the shadows, at the most */
static const float LEAST_TRUST = 0.2f; /* less is none: many faint lies would add up to a measurement when filling */
static const float FAINT_SHARE = 0.006f, FAINT_REACH = 6.0f; /* energy pixels */
static const float WEAK_SHARE = 0.1f;                        /* of the sharpest peak's energy */
static const float WEAK_OVER_NOISE = 8.0f;
static const float LONE_SHARE = 0.2f;  /* the same where nothing is to be continued */
enum { LONE_PLACES = 60 };             /* and how many places must agree */
static const float GUIDE_REACH = 2.5f; /* energy pixels: 5 frame pixels */

static void energy_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_depth *d = arg;
    for (int j = begin; j < end; j++)
        for (int i = 0; i < d->energy_width; i++)
            rf_image_row_f32(&d->way, j)[i] = rf_focus_row(d, j)[i].peak[0].energy;
}

/* A smooth place beside texture is "sharpest" in the frames that blur the texture over it: a false peak, betrayed by
 * how faint it is against the true ones around (in guide_at for the time being). */
static void way_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_depth *d = arg;
    float sign = rf_way_sign(d), most = DARK_NOISE * d->noise_floor;
    for (int j = begin; j < end; j++) {
        const rf_focus *focus = rf_focus_row(d, j);
        float *way = rf_image_row_f32(&d->front, j), *trust = rf_image_row_f32(&d->trust, j);
        const float *strongest = rf_image_row_f32(&d->guide_at, j);
        for (int i = 0; i < d->energy_width; i++) {
            float noise = rf_lower(rf_higher(focus[i].lowest, d->noise_floor), most);
            float over = (focus[i].peak[0].energy - focus[i].lowest) / (noise + FLT_MIN);
            float t = (over - TRUST_FROM) / (TRUST_FULL - TRUST_FROM);
            float own = focus[i].peak[0].energy / (FAINT_SHARE * strongest[i] + FLT_MIN);
            t = t < own ? t : own;
            trust[i] = t < LEAST_TRUST ? 0.0f : t > 1.0f ? 1.0f : t;
            way[i] = sign * focus[i].peak[0].position;
        }
    }
}

/* ---- growing the front ---- */

typedef struct growth {
    rf_depth *d;
    int *queue; /* a ring of pixel numbers; every pixel is in it at most once */
    unsigned char *queued;
    uint8_t *open; /* whether a place has to be looked at in the first round */
    size_t head, count, size;
} growth;

static void grow_enqueue(growth *g, size_t at)
{
    if (g->queued[at])
        return;
    g->queued[at] = 1;
    g->queue[(g->head + g->count++) % g->size] = (int)at;
}

/* The nearest weak peak of the pixel that lies on the surface `way` (INFINITY: on any); INFINITY when there is none. */
static float weak_peak(const rf_depth *d, const rf_focus *focus, float way, float own, float least_share)
{
    float noise = focus->lowest > d->noise_floor ? focus->lowest : d->noise_floor, best = INFINITY;
    for (int p = 1; p < RF_DEPTH_PEAKS; p++) {
        const rf_peak *peak = &focus->peak[p];
        float w = rf_way_sign(d) * peak->position;
        if (peak->energy > least_share * focus->peak[0].energy && peak->energy > WEAK_OVER_NOISE * noise &&
            w < own - RF_APART_STEPS && (way == INFINITY || fabsf(w - way) < RF_SAME_STEPS) && w < best)
            best = w;
    }
    return best;
}

static void grow_into(growth *g, float way, int x, int y)
{
    rf_depth *d = g->d;
    if (x < 0 || y < 0 || x >= d->energy_width || y >= d->energy_height)
        return;
    float *front = rf_image_row_f32(&d->front, y) + x;
    if (*front <= way + RF_SAME_STEPS)
        return;
    float own = rf_image_row_f32(&d->way, y)[x];
    float weak = weak_peak(d, rf_focus_row(d, y) + x, way, own, WEAK_SHARE);
    if (weak < *front - RF_SAME_STEPS) {
        *front = weak;
        size_t at = (size_t)y * (size_t)d->energy_width + (size_t)x;
        g->open[at] = 1;
        grow_enqueue(g, at);
    }
}

RF_HOT static void open_beside(const float *way, const float *ways, int dx, int width, uint8_t *restrict open)
{
    for (int x = dx < 0 ? 1 : 0; x < (dx > 0 ? width - 1 : width); x++)
        open[x] |= ways[x + dx] > way[x] + RF_SAME_STEPS;
}

/* Where a place has a neighbour that may be grown into, before any is. */
static void open_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    growth *g = arg;
    const rf_depth *d = g->d;
    int width = d->energy_width;
    for (int y = begin; y < end; y++) {
        uint8_t *open = g->open + (size_t)y * (size_t)width;
        const float *way = rf_image_row_f32(&d->way, y);
        memset(open, 0, (size_t)width);
        for (int dy = -1; dy <= 1; dy++)
            for (int dx = -1; dx <= 1; dx++)
                open_beside(way, rf_image_row_f32(&d->way, rf_clamp_int(y + dy, 0, d->energy_height - 1)), dx, width,
                            open);
    }
}

static void grow_from(growth *g, size_t at)
{
    rf_depth *d = g->d;
    int x = (int)(at % (size_t)d->energy_width), y = (int)(at / (size_t)d->energy_width);
    float way = rf_image_row_f32(&d->front, y)[x];
    for (int dy = -1; dy <= 1; dy++)
        for (int dx = -1; dx <= 1; dx++)
            grow_into(g, way, x + dx, y + dy);
}

/* Collects the weak peaks joined to the one at `at` into queue[head...]; returns how many. Their ways go into guide_at.
 */
static size_t join_weak(growth *g, size_t at, float way)
{
    rf_depth *d = g->d;
    size_t next = g->head, end = g->head;
    g->queued[at] = 1;
    g->queue[end++] = (int)at;
    rf_image_row_f32(&d->guide_at, (int)(at / (size_t)d->energy_width))[at % (size_t)d->energy_width] = way;
    while (next < end) {
        size_t here = (size_t)g->queue[next++];
        int x = (int)(here % (size_t)d->energy_width), y = (int)(here / (size_t)d->energy_width);
        way = rf_image_row_f32(&d->guide_at, y)[x];
        for (int n = 0; n < 9; n++) {
            int nx = x + n % 3 - 1, ny = y + n / 3 - 1;
            if (nx < 0 || ny < 0 || nx >= d->energy_width || ny >= d->energy_height)
                continue;
            size_t there = (size_t)ny * (size_t)d->energy_width + (size_t)nx;
            float weak = weak_peak(d, rf_focus_row(d, ny) + nx, way, rf_image_row_f32(&d->way, ny)[nx], LONE_SHARE);
            if (g->queued[there] || weak == INFINITY)
                continue;
            g->queued[there] = 1;
            rf_image_row_f32(&d->guide_at, ny)[nx] = weak;
            g->queue[end++] = (int)there;
        }
    }
    return end - g->head;
}

/* A bristle that is nowhere the sharpest thing still shows as a long run of second peaks of one depth. */
static void add_lone_fronts(growth *g)
{
    rf_depth *d = g->d;
    g->head = 0;
    for (size_t at = 0; at < g->size; at++) {
        int x = (int)(at % (size_t)d->energy_width), y = (int)(at / (size_t)d->energy_width);
        float weak = g->queued[at]
                         ? INFINITY
                         : weak_peak(d, rf_focus_row(d, y) + x, INFINITY, rf_image_row_f32(&d->way, y)[x], LONE_SHARE);
        if (weak == INFINITY)
            continue;
        size_t count = join_weak(g, at, weak);
        for (size_t n = 0; n < count && count >= LONE_PLACES; n++) {
            size_t there = (size_t)g->queue[g->head + n];
            int tx = (int)(there % (size_t)d->energy_width), ty = (int)(there / (size_t)d->energy_width);
            float *front = rf_image_row_f32(&d->front, ty) + tx;
            *front = rf_lower(*front, rf_image_row_f32(&d->guide_at, ty)[tx]);
        }
        g->head += count; /* each place is joined at most once, so the queue never runs out */
    }
}

/* Every front only moves nearer, from one peak of its pixel to another, so this ends after at most RF_DEPTH_PEAKS
 * visits a pixel. One thread: the order decides ties. */
static rf_status grow_front(rf_depth *d, rf_error *err)
{
    rf_status status;
    growth g = {.d = d, .size = (size_t)d->energy_width * (size_t)d->energy_height};
    RF_TRY(rf_alloc_raw(&g.queue, g.size, sizeof *g.queue, "the depth edges", err));
    RF_TRY(rf_alloc(&g.queued, g.size, sizeof *g.queued, "the depth edges", err));
    RF_TRY(rf_alloc_raw(&g.open, g.size, sizeof *g.open, "the depth edges", err));
    for (int j = 0; j < d->energy_height; j++)
        memcpy(rf_image_row(&d->front, j), rf_image_row(&d->way, j), (size_t)d->energy_width * sizeof(float));
    rf_pool_rows(d->pool, d->energy_height, RF_DEPTH_BLOCK_ROWS, open_rows, &g);
    for (size_t at = 0; at < g.size; at++)
        if (g.open[at])
            grow_from(&g, at);
    while (g.count > 0) {
        size_t at = (size_t)g.queue[g.head];
        g.head = (g.head + 1) % g.size;
        g.count--;
        g.queued[at] = 0;
        grow_from(&g, at);
    }
    add_lone_fronts(&g);
done:
    rf_free(g.queue);
    rf_free(g.queued);
    rf_free(g.open);
    return status;
}

static void swap_planes(rf_image *a, rf_image *b)
{
    rf_image swap = *a;
    *a = *b;
    *b = swap;
}

rf_status rf_front_find(rf_depth *d, rf_error *err)
{
    rf_status status;
    rf_image *plane[4] = {&d->way, &d->trust, &d->front, &d->guide_at};
    for (int i = 0; i < 4; i++)
        RF_TRY(rf_image_alloc_raw(plane[i], d->energy_width, d->energy_height, 1, RF_F32, "the depth map", err));
    rf_pool_rows(d->pool, d->energy_height, RF_DEPTH_BLOCK_ROWS, energy_rows, d);
    rf_plane_extreme(&d->way, &d->guide_at, FAINT_REACH, -1.0f, d->pool);
    rf_pool_rows(d->pool, d->energy_height, RF_DEPTH_BLOCK_ROWS, way_rows, d);
    swap_planes(&d->way, &d->front);
    RF_TRY(rf_back_grow(d, err));
    RF_TRY(rf_plane_fill(&d->way, &d->trust, d->pool, err));
    RF_TRY(grow_front(d, err));
    rf_plane_median(&d->front, &d->guide_at, d->pool);
    swap_planes(&d->front, &d->guide_at);
    rf_plane_extreme(&d->front, &d->guide_at, GUIDE_REACH, 1.0f, d->pool);
done:
    return status;
}

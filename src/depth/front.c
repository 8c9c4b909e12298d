/* front.c - from the focus peaks to surfaces, and where a nearer surface may reach.
 *
 * A bristle in front of sharp ground is often less sharp than the ground seen through its blur: its own peak comes
 * second. So second and third peaks are taken for the front when they continue a surface that is the sharpest next to
 * them: grown from pixel to pixel, as weak edges are from strong ones (Canny, PAMI 8, 1986). */
#include <float.h>
#include <math.h>
#include <string.h>

#include "depth/state.h"
#include "railfold/memory.h"

static const float TRUST_FROM = 3.0f, TRUST_FULL = 8.0f; /* peak height over the noise floor */
static const float LEAST_TRUST = 0.2f; /* less is none: many faint lies would add up to a measurement when filling */
static const float FAINT_SHARE = 0.003f, FAINT_REACH = 6.0f; /* energy pixels */
static const float WEAK_SHARE = 0.1f;                        /* of the sharpest peak's energy */
static const float WEAK_OVER_NOISE = 8.0f;
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
    float sign = rf_way_sign(d), noise = d->noise_floor > 0.0f ? 1.0f / d->noise_floor : 0.0f;
    for (int j = begin; j < end; j++) {
        const rf_focus *focus = rf_focus_row(d, j);
        float *way = rf_image_row_f32(&d->front, j), *trust = rf_image_row_f32(&d->trust, j);
        const float *strongest = rf_image_row_f32(&d->guide_at, j);
        for (int i = 0; i < d->energy_width; i++) {
            float over = (focus[i].peak[0].energy - focus[i].lowest) * noise;
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
    size_t head, count, size;
} growth;

static void grow_enqueue(growth *g, size_t at)
{
    if (g->queued[at])
        return;
    g->queued[at] = 1;
    g->queue[(g->head + g->count++) % g->size] = (int)at;
}

/* The nearest weak peak of the pixel that lies on the surface `way`; INFINITY when there is none. */
static float weak_peak(const rf_depth *d, const rf_focus *focus, float way, float own)
{
    float noise = focus->lowest > d->noise_floor ? focus->lowest : d->noise_floor, best = INFINITY;
    for (int p = 1; p < RF_DEPTH_PEAKS; p++) {
        const rf_peak *peak = &focus->peak[p];
        float w = rf_way_sign(d) * peak->position;
        if (peak->energy > WEAK_SHARE * focus->peak[0].energy && peak->energy > WEAK_OVER_NOISE * noise &&
            w < own - RF_APART_STEPS && fabsf(w - way) < RF_SAME_STEPS && w < best)
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
    float weak = weak_peak(d, rf_focus_row(d, y) + x, way, own);
    if (weak < *front - RF_SAME_STEPS) {
        *front = weak;
        grow_enqueue(g, (size_t)y * (size_t)d->energy_width + (size_t)x);
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

/* Every front only moves nearer, from one peak of its pixel to another, so this ends after at most RF_DEPTH_PEAKS
 * visits a pixel. One thread: the order decides ties. */
static rf_status grow_front(rf_depth *d, rf_error *err)
{
    rf_status status;
    growth g = {.d = d, .size = (size_t)d->energy_width * (size_t)d->energy_height};
    RF_TRY(rf_alloc_raw(&g.queue, g.size, sizeof *g.queue, "the depth edges", err));
    RF_TRY(rf_alloc(&g.queued, g.size, sizeof *g.queued, "the depth edges", err));
    for (int j = 0; j < d->energy_height; j++)
        memcpy(rf_image_row(&d->front, j), rf_image_row(&d->way, j), (size_t)d->energy_width * sizeof(float));
    for (size_t at = 0; at < g.size; at++)
        grow_from(&g, at);
    while (g.count > 0) {
        size_t at = (size_t)g.queue[g.head];
        g.head = (g.head + 1) % g.size;
        g.count--;
        g.queued[at] = 0;
        grow_from(&g, at);
    }
done:
    rf_free(g.queue);
    rf_free(g.queued);
    return status;
}

rf_status rf_front_find(rf_depth *d, rf_error *err)
{
    rf_status status;
    rf_image *plane[4] = {&d->way, &d->trust, &d->front, &d->guide_at};
    for (int i = 0; i < 4; i++)
        RF_TRY(rf_image_alloc(plane[i], d->energy_width, d->energy_height, 1, RF_F32, "the depth map", err));
    rf_pool_rows(d->pool, d->energy_height, RF_DEPTH_BLOCK_ROWS, energy_rows, d);
    rf_plane_extreme(&d->way, &d->guide_at, FAINT_REACH, -1.0f, d->pool);
    rf_pool_rows(d->pool, d->energy_height, RF_DEPTH_BLOCK_ROWS, way_rows, d);
    RF_TRY(rf_plane_fill(&d->front, &d->trust, d->pool, err));
    rf_plane_median(&d->front, &d->way, d->pool);
    RF_TRY(grow_front(d, err));
    rf_plane_median(&d->front, &d->guide_at, d->pool);
    rf_image swap = d->front;
    d->front = d->guide_at;
    d->guide_at = swap;
    rf_plane_extreme(&d->front, &d->guide_at, GUIDE_REACH, 1.0f, d->pool);
done:
    return status;
}

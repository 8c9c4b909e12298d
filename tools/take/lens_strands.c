/* lens_strands.c - bristles and leaves: each a cloud of patches, spread and laid over one after another. */
#include "lens_private.h"

typedef struct strands_job {
    exposure *e;
    const strand_layer *strands;
} strands_job;

/* Part of a band that a strand can reach, end exclusive. */
typedef struct box {
    int x0, x1, y0, y1;
} box;

/* A strand is taken from a coarser level when its least blur hides the coarser spacing. */
static int level_for(float least_radius_px, float spacing_px)
{
    if (least_radius_px > 7 * spacing_px)
        return 2;
    return least_radius_px > 3.5f * spacing_px ? 1 : 0;
}

static float magnification(const exposure *e, float z)
{
    float d = (float)e->self->plan->view.distance;
    return d / (d + z - (float)e->frame->focus);
}

static box reach_box(const exposure *e, const strand *s, float radius)
{
    const rail_view *view = &e->self->plan->view;
    float big = magnification(e, s->low_z), small = magnification(e, s->high_z);
    float moved = s->loose ? (float)e->frame->moved_px : 0, far = radius + profile_tail_px(e->self) + 2;
    float lx = 1e9f, hx = -1e9f, ly = 1e9f, hy = -1e9f;
    for (int corner = 0; corner < 8; corner++) {
        float m = corner & 4 ? big : small;
        float x = (corner & 1 ? s->high_x + moved : s->low_x) - (float)e->frame->shift_x;
        float y = (corner & 2 ? s->high_y + moved : s->low_y) - (float)e->frame->shift_y;
        float px = m * ((float)e->cosine * x - (float)e->sine * y) + (float)view->cx;
        float py = m * ((float)e->sine * x + (float)e->cosine * y) + (float)view->cy;
        lx = minf(lx, px);
        hx = maxf(hx, px);
        ly = minf(ly, py);
        hy = maxf(hy, py);
    }
    return (box){(int)floorf(clampf(lx - far, -1e6f, 1e6f)), (int)ceilf(clampf(hx + far, -1e6f, 1e6f)) + 1,
                 (int)floorf(clampf(ly - far, -1e6f, 1e6f)), (int)ceilf(clampf(hy + far, -1e6f, 1e6f)) + 1};
}

static void splat_profile(const lens *self, v4 *direct, const box *part, int band_begin, float x, float y, float radius,
                          v4 rgba)
{
    int index = (int)(radius * PROFILE_RADIUS_STEPS + 0.5f);
    const float *profile = self->profiles + (size_t)index * (size_t)self->profile_length;
    float reach = (float)index / PROFILE_RADIUS_STEPS + profile_tail_px(self);
    int x0 = (int)ceilf(x - reach), x1 = (int)floorf(x + reach), y0 = (int)ceilf(y - reach),
        y1 = (int)floorf(y + reach);
    x0 = x0 < part->x0 ? part->x0 : x0;
    x1 = x1 >= part->x1 ? part->x1 - 1 : x1;
    y0 = y0 < part->y0 ? part->y0 : y0;
    y1 = y1 >= part->y1 ? part->y1 - 1 : y1;
    for (int row = y0; row <= y1; row++) {
        v4 *out = direct + (size_t)(row - band_begin) * (size_t)self->scratch_stride;
        float dy = (float)row - y;
        for (int column = x0; column <= x1; column++) {
            float dx = (float)column - x;
            out[column] += rgba * v4_all(profile[(int)((dx * dx + dy * dy) * PROFILE_SQUARES)]);
        }
    }
}

/* A plain disc between pixels: radius widened so that its second moment includes the softness of lens and sensor. */
static void splat_disc(const lens *self, v4 *ends, const box *part, int band_begin, float x, float y, float radius,
                       v4 rgba)
{
    float soft = (float)self->mtf_px, square = radius * radius + 4 * soft * soft - 1.0f / 3;
    float drawn = sqrtf(square);
    int y0 = (int)ceilf(y - drawn), y1 = (int)floorf(y + drawn);
    y0 = y0 < part->y0 ? part->y0 : y0;
    y1 = y1 >= part->y1 ? part->y1 - 1 : y1;
    rgba *= v4_all(1 / ((float)TAKE_PI * square));
    float low = (float)part->x0, high = (float)part->x1;
    for (int row = y0; row <= y1; row++) {
        float dy = (float)row - y, half = sqrtf(maxf(square - dy * dy, 0));
        float a = clampf(x + 0.5f - half, low, high), b = clampf(x + 0.5f + half, low, high);
        int ia = (int)a, ib = (int)b; /* not negative: part lies inside the frame */
        float fa = a - (float)ia, fb = b - (float)ib;
        v4 *out = ends + (size_t)(row - band_begin) * (size_t)self->scratch_stride;
        out[ia] += rgba * v4_all(1 - fa);
        out[ia + 1] += rgba * v4_all(fa);
        out[ib] -= rgba * v4_all(1 - fb);
        out[ib + 1] -= rgba * v4_all(fb);
    }
}

static void enter_points(const exposure *e, const strand_layer *strands, const strand *s, int level,
                         const band_scratch *scratch, const box *part, int band_begin)
{
    const lens *self = e->self;
    const rail_view *view = &self->plan->view;
    const float cosine = (float)e->cosine, sine = (float)e->sine, cx = (float)view->cx, cy = (float)view->cy;
    const float colour = LAYER_WHITE / 65535, moved = s->loose ? (float)e->frame->moved_px : 0;
    const float offset_x = moved - (float)e->frame->shift_x, offset_y = 0.5f * moved - (float)e->frame->shift_y;
    const float level_area = strands->spacing_px * strands->spacing_px * (float)(1 << (2 * level)) / 65535;
    const strand_point *point = strands->points + s->first[level];
    for (int i = 0; i < s->count[level]; i++, point++) {
        float m = magnification(e, point->z), x = point->x + offset_x, y = point->y + offset_y;
        float px = m * (cosine * x - sine * y) + cx, py = m * (sine * x + cosine * y) + cy;
        float radius = blur_radius_px(e, point->z), reach = radius + profile_tail_px(self) + 1;
        if (py + reach < (float)part->y0 || py - reach > (float)part->y1)
            continue;
        float area = (float)point->area * level_area * m * m;
        v4 rgba = {(float)point->r * colour, (float)point->g * colour, (float)point->b * colour, 1};
        if (e->depth != NULL)
            rgba = (v4){point->z, 0, 0, 1};
        rgba *= v4_all(area);
        if (radius < PROFILE_LARGEST_PX - 0.1f)
            splat_profile(self, scratch->direct, part, band_begin, px, py, radius, rgba);
        else
            splat_disc(self, scratch->ends, part, band_begin, px, py, radius, rgba);
    }
}

static void lay_over(exposure *e, const band_scratch *scratch, const box *part, int band_begin)
{
    const lens *self = e->self;
    int width = self->plan->view.width;
    for (int y = part->y0; y < part->y1; y++) {
        v4 *ends = scratch->ends + (size_t)(y - band_begin) * (size_t)self->scratch_stride;
        v4 *direct = scratch->direct + (size_t)(y - band_begin) * (size_t)self->scratch_stride;
        v4 sum = {0, 0, 0, 0};
        for (int x = part->x0; x < part->x1; x++) {
            sum += ends[x];
            v4 seen = sum + direct[x];
            ends[x] = direct[x] = v4_all(0); /* clean for the next strand */
            if (seen[3] < 1e-4f)
                continue;
            size_t at = (size_t)y * (size_t)width + (size_t)x;
            if (e->depth != NULL) {
                if (seen[3] >= 0.5f) {
                    e->depth[at] = seen[0] / seen[3];
                    e->subject[at] = 1;
                }
                continue;
            }
            if (seen[3] > 1)
                seen *= v4_all(1 / seen[3]); /* folded parts overlap */
            float *out = e->rgb + at * 3, through = 1 - seen[3];
            for (int c = 0; c < 3; c++)
                out[c] = maxf(seen[c], 0) + through * out[c];
        }
        for (int x = part->x1; x < part->x1 + 2; x++)
            ends[x] = v4_all(0);
    }
}

static void strand_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    (void)block;
    strands_job *job = arg;
    exposure *e = job->e;
    lens *self = e->self;
    band_scratch *scratch = &self->scratch[thread];
    size_t cells = (size_t)(row_end - row_begin) * (size_t)self->scratch_stride;
    memset(scratch->ends, 0, cells * sizeof *scratch->ends);
    memset(scratch->direct, 0, cells * sizeof *scratch->direct);
    for (int i = 0; i < job->strands->count; i++) {
        const strand *s = &job->strands->strands[i];
        float a = blur_radius_px(e, s->low_z), b = blur_radius_px(e, s->high_z), focus = (float)e->frame->focus;
        float least = s->low_z <= focus && focus <= s->high_z ? 0 : minf(a, b);
        box part = reach_box(e, s, maxf(a, b));
        part.x0 = part.x0 < 0 ? 0 : part.x0;
        part.x1 = part.x1 > self->plan->view.width ? self->plan->view.width : part.x1;
        part.y0 = part.y0 < row_begin ? row_begin : part.y0;
        part.y1 = part.y1 > row_end ? row_end : part.y1;
        if (part.x0 >= part.x1 || part.y0 >= part.y1)
            continue;
        int level = e->blur > 0 ? level_for(least, job->strands->spacing_px) : 0;
        enter_points(e, job->strands, s, level, scratch, &part, row_begin);
        lay_over(e, scratch, &part, row_begin);
    }
}

void lens_strands(exposure *e, const strand_layer *strands)
{
    strands_job job = {.e = e, .strands = strands};
    rf_pool_rows(e->self->pool, e->self->plan->view.height, BAND_ROWS, strand_rows, &job);
}

/* surface.c - see surface.h.
 *
 * The function is sampled on a grid of `fine` samples a pixel side. Shadows of its own relief: a walk towards the lamp
 * over a pyramid of mean depths, wider the farther, so the penumbra grows as that of a diffused lamp does. Hollows get
 * less of the room's light: depth against the mean depth around, at several widths. */
#include "surface.h"

#include "railfold/memory.h"

enum { MAX_LEVELS = 9, SHADE_STRIDE = 4, BLOCK_ROWS = 16 };

typedef struct grid_level {
    int width, height;
    float *depth; /* owned */
} grid_level;

typedef struct grid {
    const scene_maker *maker;
    const surface *body;
    raster_layer *out;
    int fine;
    float units; /* between samples */
    int width, height;
    grid_level levels[MAX_LEVELS];
    int level_count;
    uint8_t *skin;     /* owned; albedo r, g, b (square-root coded), gloss, shine, translucent, cover, spare */
    float *key, *room; /* owned; canopy light at every SHADE_STRIDE-th sample, or NULL */
    int shade_width, shade_height;
    float taps[64];
    int tap_count;
} grid;

float surface_octaves(const scene_maker *maker, float units)
{
    return maxf(1, take_log2(maxf(units * (float)maker->unit_px / 2, 1)));
}

static float sample_x(const grid *g, int i)
{
    float pixel = (float)g->out->x0 + ((float)i + 0.5f) / (float)g->fine - 0.5f;
    return (pixel - (float)g->maker->plan->view.cx) / (float)g->maker->unit_px;
}

static float sample_y(const grid *g, int i)
{
    float pixel = (float)g->out->y0 + ((float)i + 0.5f) / (float)g->fine - 0.5f;
    return (pixel - (float)g->maker->plan->view.cy) / (float)g->maker->unit_px;
}

static uint8_t to_byte(float x)
{
    return (uint8_t)(255 * clampf(x, 0, 1) + 0.5f);
}

static void sample_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    (void)block;
    (void)thread;
    grid *g = arg;
    for (int y = row_begin; y < row_end; y++) {
        float *depth = g->levels[0].depth + (size_t)y * (size_t)g->width;
        uint8_t *skin = g->skin + (size_t)y * (size_t)g->width * 8;
        for (int x = 0; x < g->width; x++, skin += 8) {
            surface_point p = {0};
            g->body->at(g->body->arg, sample_x(g, x), sample_y(g, y), &p);
            depth[x] = p.depth;
            skin[0] = to_byte(sqrtf(maxf(p.skin.albedo.x, 0)));
            skin[1] = to_byte(sqrtf(maxf(p.skin.albedo.y, 0)));
            skin[2] = to_byte(sqrtf(maxf(p.skin.albedo.z, 0)));
            skin[3] = to_byte(p.skin.gloss);
            skin[4] = (uint8_t)clampf(p.skin.shine, 1, 255);
            skin[5] = to_byte(p.skin.translucent);
            skin[6] = to_byte(p.inside * (float)(g->maker->unit_px * g->fine) + 0.5f);
        }
    }
}

static void halve_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    (void)block;
    (void)thread;
    const grid_level *pair = arg, *in = &pair[0], *out = &pair[1];
    for (int y = row_begin; y < row_end; y++) {
        const float *a = in->depth + (size_t)(2 * y) * (size_t)in->width;
        const float *b = 2 * y + 1 < in->height ? a + in->width : a;
        for (int x = 0; x < out->width; x++) {
            int i = 2 * x, j = i + 1 < in->width ? i + 1 : i;
            out->depth[(size_t)y * (size_t)out->width + (size_t)x] = 0.25f * (a[i] + a[j] + b[i] + b[j]);
        }
    }
}

/* Depth of a level at sample position (x, y) of level 0, bilinear. */
static float level_depth(const grid *g, int level, float x, float y)
{
    const grid_level *l = &g->levels[level];
    float shrink = 1.0f / (float)(1 << level);
    x = clampf((x + 0.5f) * shrink - 0.5f, 0, (float)(l->width - 1));
    y = clampf((y + 0.5f) * shrink - 0.5f, 0, (float)(l->height - 1));
    int ix = (int)x, iy = (int)y, nx = ix + 1 < l->width ? ix + 1 : ix, ny = iy + 1 < l->height ? iy + 1 : iy;
    const float *a = l->depth + (size_t)iy * (size_t)l->width, *b = l->depth + (size_t)ny * (size_t)l->width;
    float u = x - (float)ix;
    return mixf(mixf(a[ix], a[nx], u), mixf(b[ix], b[nx], u), y - (float)iy);
}

/* 0..1 of the lamp is seen over the surface's own relief. */
static float own_shadow(const grid *g, int x, int y)
{
    vec3 lamp = light_key_direction();
    float flat = sqrtf(lamp.x * lamp.x + lamp.y * lamp.y), rise = -lamp.z / flat;
    float dx = lamp.x / flat, dy = lamp.y / flat, start = g->levels[0].depth[(size_t)y * (size_t)g->width + (size_t)x];
    float seen = 1;
    int level = 0;
    for (float along = 1.5f; along * g->units < 150; along *= 1.3f) {
        while (level + 1 < g->level_count && along > (float)(6 << level))
            level++;
        float ray = start - along * g->units * rise;
        float there = level_depth(g, level, (float)x + dx * along, (float)y + dy * along);
        float over = (ray - there) / (along * g->units); /* slope by which the relief stands above the ray */
        seen = minf(seen, 1 - smoothstep(-0.12f, 0.22f, over));
        if (seen <= 0)
            return 0;
    }
    return seen;
}

/* 0..1 of the room is seen: less in hollows, a little more on ridges. */
static float own_room(const grid *g, int x, int y)
{
    float depth = g->levels[0].depth[(size_t)y * (size_t)g->width + (size_t)x], room = 1;
    for (int level = 1; level < g->level_count; level++) {
        float width = (float)(1 << level) * g->units;
        if (width > 64)
            break;
        float hollow = (depth - level_depth(g, level, (float)x, (float)y)) / width;
        room *= hollow > 0 ? 1 / (1 + 1.5f * hollow) : 1 + 0.25f * minf(-hollow, 1);
    }
    return minf(room, 1.3f);
}

static void canopy_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    (void)block;
    (void)thread;
    grid *g = arg;
    vec3 lamp = light_key_direction();
    for (int y = row_begin; y < row_end; y++)
        for (int x = 0; x < g->shade_width; x++) {
            int sx = x * SHADE_STRIDE, sy = y * SHADE_STRIDE;
            sx = sx < g->width ? sx : g->width - 1;
            sy = sy < g->height ? sy : g->height - 1;
            vec3 at =
                v3(sample_x(g, sx), sample_y(g, sy), g->levels[0].depth[(size_t)sy * (size_t)g->width + (size_t)sx]);
            size_t to = (size_t)y * (size_t)g->shade_width + (size_t)x;
            g->key[to] = canopy_through(g->body->shade, at, lamp, 2, 200);
            g->room[to] = canopy_room(g->body->shade, at);
        }
}

static float shade_at(const grid *g, const float *map, int x, int y)
{
    if (map == NULL)
        return 1;
    int ix = x / SHADE_STRIDE, iy = y / SHADE_STRIDE;
    float u = (float)(x % SHADE_STRIDE) / SHADE_STRIDE, v = (float)(y % SHADE_STRIDE) / SHADE_STRIDE;
    const float *a = map + (size_t)iy * (size_t)g->shade_width + (size_t)ix, *b = a + g->shade_width;
    return mixf(mixf(a[0], a[1], u), mixf(b[0], b[1], u), v);
}

static vec3 normal_at(const grid *g, int x, int y)
{
    const float *depth = g->levels[0].depth;
    int l = x > 0 ? x - 1 : 0, r = x + 1 < g->width ? x + 1 : x, u = y > 0 ? y - 1 : 0,
        d = y + 1 < g->height ? y + 1 : y;
    size_t row = (size_t)y * (size_t)g->width;
    float sx = (depth[row + (size_t)r] - depth[row + (size_t)l]) / ((float)(r - l) * g->units);
    float sy = (depth[(size_t)d * (size_t)g->width + (size_t)x] - depth[(size_t)u * (size_t)g->width + (size_t)x]) /
               ((float)(d - u) * g->units);
    float steep = sqrtf(sx * sx + sy * sy);
    if (steep > g->body->step_cap) {
        sx *= g->body->step_cap / steep;
        sy *= g->body->step_cap / steep;
    }
    return v3_unit(v3(sx, sy, -1)); /* depth grows along (sx, sy): the surface turns that way */
}

/* Premultiplied light of one sample. */
static void shade_sample(const grid *g, int x, int y, float out[4])
{
    const uint8_t *skin = g->skin + ((size_t)y * (size_t)g->width + (size_t)x) * 8;
    float cover = (float)skin[6] / 255;
    out[0] = out[1] = out[2] = 0;
    out[3] = cover;
    if (cover <= 0)
        return;
    float r = (float)skin[0] / 255, gr = (float)skin[1] / 255, b = (float)skin[2] / 255;
    material m = {.albedo = v3(r * r, gr * gr, b * b),
                  .gloss = (float)skin[3] / 255,
                  .shine = skin[4],
                  .translucent = (float)skin[5] / 255};
    float key = own_shadow(g, x, y) * shade_at(g, g->key, x, y), room = own_room(g, x, y) * shade_at(g, g->room, x, y);
    vec3 seen = light_shade(&m, normal_at(g, x, y), key, room);
    out[0] = minf(seen.x, LAYER_WHITE) * cover;
    out[1] = minf(seen.y, LAYER_WHITE) * cover;
    out[2] = minf(seen.z, LAYER_WHITE) * cover;
}

typedef struct shade_job {
    grid *g;
    float *samples; /* per thread: shaded rows of the block, RGBA */
    size_t thread_floats;
} shade_job;

static int first_tap(const grid *g, int pixel)
{
    return g->fine * pixel + (g->fine - 1) / 2 - (g->tap_count - 1) / 2;
}

static void filter_pixel(const grid *g, const float *samples, int first_row, int x, int y)
{
    float sum[4] = {0, 0, 0, 0}, depth = 0;
    int sx = first_tap(g, x), sy = first_tap(g, y);
    for (int j = 0; j < g->tap_count; j++) {
        int row = sy + j < 0 ? 0 : sy + j >= g->height ? g->height - 1 : sy + j;
        float line[4] = {0, 0, 0, 0};
        for (int i = 0; i < g->tap_count; i++) {
            int column = sx + i < 0 ? 0 : sx + i >= g->width ? g->width - 1 : sx + i;
            const float *in = samples + ((size_t)(row - first_row) * (size_t)g->width + (size_t)column) * 4;
            for (int c = 0; c < 4; c++)
                line[c] += g->taps[i] * in[c];
        }
        for (int c = 0; c < 4; c++)
            sum[c] += g->taps[j] * line[c];
    }
    for (int j = 0; j < g->fine; j++)
        for (int i = 0; i < g->fine; i++)
            depth += g->levels[0].depth[(size_t)(g->fine * y + j) * (size_t)g->width + (size_t)(g->fine * x + i)];
    size_t to = (size_t)y * (size_t)g->out->width + (size_t)x;
    for (int c = 0; c < 3; c++)
        g->out->rgba[4 * to + (size_t)c] = (uint16_t)(clampf(sum[c] / LAYER_WHITE, 0, 1) * 65535 + 0.5f);
    g->out->rgba[4 * to + 3] = (uint16_t)(clampf(sum[3], 0, 1) * 65535 + 0.5f);
    g->out->depth[to] = scene_steps(g->maker, depth / (float)(g->fine * g->fine));
}

static void shade_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    (void)block;
    shade_job *job = arg;
    grid *g = job->g;
    float *samples = job->samples + (size_t)thread * job->thread_floats;
    int from = first_tap(g, row_begin), to = first_tap(g, row_end - 1) + g->tap_count;
    from = from < 0 ? 0 : from;
    to = to > g->height ? g->height : to;
    for (int y = from; y < to; y++)
        for (int x = 0; x < g->width; x++)
            shade_sample(g, x, y, samples + ((size_t)(y - from) * (size_t)g->width + (size_t)x) * 4);
    for (int y = row_begin; y < row_end; y++)
        for (int x = 0; x < g->out->width; x++)
            filter_pixel(g, samples, from, x, y);
}

/* A Gaussian of the lens's and sensor's softness, centred on the pixel: an even number of taps for an even grid. */
static void make_taps(grid *g, double mtf_px)
{
    float spread = (float)(mtf_px * g->fine), sum = 0;
    int half = (int)ceilf(3 * spread);
    g->tap_count = g->fine % 2 == 0 ? 2 * half : 2 * half + 1;
    if (g->tap_count > 64)
        g->tap_count = 64;
    for (int i = 0; i < g->tap_count; i++) {
        float x = (float)i - 0.5f * (float)(g->tap_count - 1);
        g->taps[i] = spread > 0 ? take_exp(-x * x / (2 * spread * spread)) : 1;
        sum += g->taps[i];
    }
    for (int i = 0; i < g->tap_count; i++)
        g->taps[i] /= sum;
}

static void grid_free(grid *g)
{
    for (int i = 0; i < MAX_LEVELS; i++)
        rf_free(g->levels[i].depth);
    rf_free(g->skin);
    rf_free(g->key);
    rf_free(g->room);
}

static rf_status make_grid(grid *g, rf_error *err)
{
    rf_status status;
    size_t samples = (size_t)g->width * (size_t)g->height;
    g->levels[0] = (grid_level){.width = g->width, .height = g->height};
    RF_TRY(rf_alloc_raw(&g->levels[0].depth, samples, sizeof(float), "a surface", err));
    RF_TRY(rf_alloc_raw(&g->skin, samples, 8, "a surface", err));
    rf_pool_rows(g->maker->pool, g->height, 8, sample_rows, g);
    g->level_count = 1;
    while (g->level_count < MAX_LEVELS && g->levels[g->level_count - 1].width > 3 &&
           g->levels[g->level_count - 1].height > 3) {
        grid_level *in = &g->levels[g->level_count - 1], *half = in + 1;
        half->width = (in->width + 1) / 2;
        half->height = (in->height + 1) / 2;
        RF_TRY(rf_alloc_raw(&half->depth, (size_t)half->width * (size_t)half->height, sizeof(float), "a surface", err));
        rf_pool_rows(g->maker->pool, half->height, 64, halve_rows, in);
        g->level_count++;
    }
    if (g->body->shade != NULL) {
        g->shade_width = (g->width + SHADE_STRIDE - 1) / SHADE_STRIDE + 1;
        g->shade_height = (g->height + SHADE_STRIDE - 1) / SHADE_STRIDE + 1;
        size_t cells = (size_t)g->shade_width * (size_t)g->shade_height;
        RF_TRY(rf_alloc_raw(&g->key, cells, sizeof(float), "a surface", err));
        RF_TRY(rf_alloc_raw(&g->room, cells, sizeof(float), "a surface", err));
        rf_pool_rows(g->maker->pool, g->shade_height, 8, canopy_rows, g);
    }
    return RF_OK;
done:
    return status;
}

rf_status surface_render(scene_maker *maker, const surface *body, raster_layer *out, const int place[4], rf_error *err)
{
    rf_status status;
    grid g = {.maker = maker, .body = body, .out = out};
    shade_job job = {.g = &g};
    size_t pixels = (size_t)place[2] * (size_t)place[3];
    *out = (raster_layer){.x0 = place[0], .y0 = place[1], .width = place[2], .height = place[3]};
    g.fine = pixels <= 5000000 ? 2 : 1; /* large pictures have fewer frequencies to lose, and no memory to spare */
    g.units = 1 / (float)(maker->unit_px * g.fine);
    g.width = place[2] * g.fine;
    g.height = place[3] * g.fine;
    make_taps(&g, maker->options->mtf_px);
    RF_TRY(rf_alloc_raw(&out->rgba, pixels, 4 * sizeof *out->rgba, "a surface", err));
    RF_TRY(rf_alloc_raw(&out->depth, pixels, sizeof *out->depth, "a surface", err));
    RF_TRY(make_grid(&g, err));
    job.thread_floats = (size_t)(BLOCK_ROWS * g.fine + g.tap_count + 2) * (size_t)g.width * 4;
    RF_TRY(rf_alloc_raw(&job.samples, job.thread_floats * (size_t)rf_pool_threads(maker->pool), sizeof(float),
                        "a surface", err));
    rf_pool_rows(maker->pool, out->height, BLOCK_ROWS, shade_rows, &job);
    status = RF_OK;
done:
    rf_free(job.samples);
    grid_free(&g);
    return status;
}

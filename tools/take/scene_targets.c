/* scene_targets.c - plain bodies whose depth is known by formula: a tilted plane, flat steps, engraved grids, a dome.
 *
 * Their skin has detail at every size down to two pixels, so that focus can be told anywhere. */
#include "random.h"
#include "scene.h"
#include "surface.h"
#include "texture.h"

static const double DEPTH_UNITS = 300;
enum { STAIR_COUNT = 5, GRID_COUNT = 3 };

typedef struct target {
    const scene_maker *maker;
    float octaves;
    uint32_t seed;
    float depth;                   /* of a flat one, units */
    float edge_x, edge_y, edge_at; /* it reaches where edge_x x + edge_y y >= edge_at */
} target;

/* A weathered print: broad tints, mottling at all sizes, hair-fine scratches. */
static material weathered(const target *self, float x, float y)
{
    float tint = take_fractal(x / 240, y / 240, 2, 0.5f, self->seed + 1);
    float mottle = take_fractal(x / 60, y / 60, self->octaves, 0.74f, self->seed + 2);
    vec3 colour = v3_mix(v3(0.30f, 0.25f, 0.18f), v3(0.17f, 0.24f, 0.27f), clampf(0.5f + 0.6f * tint, 0, 1));
    float bend = 0.3f * take_noise(x / 90, y / 90, self->seed + 3);
    take_cell cell = take_cells(x / 26 + bend, y / 26, 0.95f, 0, self->seed + 4);
    if (take_cell_value(cell.id, 1) < 0.35f)
        colour = v3_mix(colour, v3(0.45f, 0.42f, 0.36f), 0.7f * smoothstep(0.03f, 0.10f, cell.border));
    float scratch = take_noise((0.8f * x + 0.6f * y) / 3.1f, (0.8f * y - 0.6f * x) / 120, self->seed + 5);
    float light = maxf(1 + 0.42f * mottle, 0.15f) * (1 - 0.55f * smoothstep(0.55f, 0.75f, scratch));
    return (material){.albedo = v3_scale(colour, 0.8f * light), .gloss = 0.04f, .shine = 12};
}

static void start(target *self, scene_maker *maker)
{
    scene_set_depth(maker, DEPTH_UNITS);
    *self = (target){.maker = maker, .seed = maker->seed, .octaves = surface_octaves(maker, 60)};
}

static rf_status render(scene_maker *maker, const target *self, void (*at)(const void *, float, float, surface_point *),
                        const int place[4], rf_error *err)
{
    surface body = {.at = at, .arg = self, .step_cap = 3};
    return surface_render(maker, &body, &scene_add_layer(maker, LAYER_RASTER)->raster, place, err);
}

static void whole_place(const scene_maker *maker, int place[4])
{
    int margin = scene_margin(maker);
    place[0] = place[1] = -margin;
    place[2] = maker->plan->view.width + 2 * margin;
    place[3] = maker->plan->view.height + 2 * margin;
}

/* ---- plane ---- */

/* Depth falls from the top of the picture to its bottom, and a little from left to right. */
static void plane_at(const void *arg, float x, float y, surface_point *out)
{
    const target *self = arg;
    const rail_view *view = &self->maker->plan->view;
    float half_width = (float)(view->cx / self->maker->unit_px);
    out->depth = (float)(DEPTH_UNITS * (0.5 - 0.45 * (double)y / 400 - 0.05 * (double)x / (double)half_width));
    out->inside = 100;
    out->skin = weathered(self, x, y);
}

rf_status scene_plane(scene_maker *maker, rf_error *err)
{
    rf_status status;
    target self;
    int place[4];
    start(&self, maker);
    whole_place(maker, place);
    RF_TRY(backdrop_make(maker, (float)maker->plan->farthest + 20, err));
    RF_TRY(render(maker, &self, plane_at, place, err));
done:
    return status;
}

/* ---- stairs ---- */

static void flat_at(const void *arg, float x, float y, surface_point *out)
{
    const target *self = arg;
    out->depth = self->depth;
    out->inside = self->edge_x * x + self->edge_y * y - self->edge_at;
    out->skin = weathered(self, x, y);
}

/* Flat plates, each lower one nearer; their edges lean a little, so that they cross pixel rows at every phase. */
rf_status scene_stairs(scene_maker *maker, rf_error *err)
{
    rf_status status;
    target self;
    int place[4];
    start(&self, maker);
    whole_place(maker, place);
    int bottom = place[1] + place[3], overlap = 2 * scene_margin(maker);
    RF_TRY(backdrop_make(maker, (float)maker->plan->farthest + 20, err));
    for (int i = STAIR_COUNT - 1; i >= 0; i--) { /* 0 is the nearest, at the bottom */
        float lean = i % 2 == 0 ? 0.035f : -0.05f, half = (float)(maker->plan->view.cx / maker->unit_px);
        self.depth = (float)(DEPTH_UNITS * i / (STAIR_COUNT - 1));
        self.seed = maker->seed + 100 * (uint32_t)i;
        self.edge_x = lean;
        self.edge_y = 1;
        self.edge_at = i == STAIR_COUNT - 1 ? -1e6f : -400 + 160.0f * (float)(STAIR_COUNT - 1 - i);
        float top = self.edge_at - fabsf(lean) * 1.2f * half - 8,
              next = -400 + 160.0f * (float)(STAIR_COUNT - i) + 0.06f * half;
        int top_px = (int)floor(maker->plan->view.cy + (double)maxf(top, -1e5f) * maker->unit_px);
        int end_px = i == 0 ? bottom : (int)ceil(maker->plan->view.cy + (double)next * maker->unit_px) + overlap;
        int own[4] = {place[0], top_px > place[1] ? top_px : place[1], place[2], 0};
        own[3] = (end_px < bottom ? end_px : bottom) - own[1];
        if (own[3] > 8)
            RF_TRY(render(maker, &self, flat_at, own, err));
    }
    status = RF_OK;
done:
    return status;
}

/* ---- grid ---- */

/* Lines every 40 units of the focus plane, engraved: at its sharpest each plate shows 40 * unit_px pixels from line to
 * line, whatever its depth. Every fifth line is wider. */
static void grid_at(const void *arg, float x, float y, surface_point *out)
{
    const target *self = arg;
    const rail_view *view = &self->maker->plan->view;
    double z = (double)scene_steps(self->maker, self->depth);
    float to_plane = (float)((view->distance + z - view->reference_focus) / view->distance);
    flat_at(arg, x, y, out);
    x *= to_plane / GRID_PITCH_UNITS;
    y *= to_plane / GRID_PITCH_UNITS;
    float nearest_x = floorf(x + 0.5f), nearest_y = floorf(y + 0.5f), width_x = 1.3f, width_y = 1.3f;
    if (fabsf(nearest_x / 5 - floorf(nearest_x / 5 + 0.5f)) < 0.01f)
        width_x = 2.6f;
    if (fabsf(nearest_y / 5 - floorf(nearest_y / 5 + 0.5f)) < 0.01f)
        width_y = 2.6f;
    float off =
        minf(fabsf(x - nearest_x) * GRID_PITCH_UNITS - width_x, fabsf(y - nearest_y) * GRID_PITCH_UNITS - width_y);
    float groove = 1 - smoothstep(-0.6f, 0.6f, off);
    out->skin.albedo =
        v3_mix(v3_add(v3_scale(out->skin.albedo, 0.5f), v3(0.24f, 0.24f, 0.23f)), v3(0.02f, 0.02f, 0.02f), groove);
}

/* Three plates side by side: near on the left, far on the right. */
rf_status scene_grid(scene_maker *maker, rf_error *err)
{
    rf_status status;
    target self;
    int place[4];
    start(&self, maker);
    whole_place(maker, place);
    int overlap = 2 * scene_margin(maker);
    float third = (float)(maker->plan->view.width / maker->unit_px / 3);
    RF_TRY(backdrop_make(maker, (float)maker->plan->farthest + 20, err));
    for (int i = GRID_COUNT - 1; i >= 0; i--) {
        self.depth = (float)(DEPTH_UNITS * i / (GRID_COUNT - 1));
        self.seed = maker->seed + 100 * (uint32_t)i;
        self.edge_x = -1;
        self.edge_y = 0.03f;
        float end = third * ((float)i - 0.5f); /* right end of this plate */
        self.edge_at = i == GRID_COUNT - 1 ? -1e6f : -end;
        int begin_px =
            i == 0 ? place[0] : (int)floor(maker->plan->view.cx + (double)(end - third) * maker->unit_px) - overlap;
        int end_px = i == GRID_COUNT - 1 ? place[0] + place[2]
                                         : (int)ceil(maker->plan->view.cx + (double)(end + 30) * maker->unit_px);
        begin_px = begin_px > place[0] ? begin_px : place[0];
        end_px = end_px < place[0] + place[2] ? end_px : place[0] + place[2];
        int own[4] = {begin_px, place[1], end_px - begin_px, place[3]};
        RF_TRY(render(maker, &self, grid_at, own, err));
    }
    status = RF_OK;
done:
    return status;
}

/* ---- dome ---- */

static void dome_at(const void *arg, float x, float y, surface_point *out)
{
    const target *self = arg;
    const float radius = 350;
    float ring = sqrtf(x * x + y * y) / radius;
    out->inside = (1 - ring) * radius;
    out->depth = ring < 1 ? 300 - 285 * sqrtf(1 - ring * ring) : 300 + 60 * (ring - 1);
    if (out->inside < -12)
        return;
    float roll = 1 + 0.25f * ring * ring;
    out->skin = weathered(self, x * roll, y * roll);
    out->depth -= 2.0f * take_fractal(x / 20, y / 20, minf(self->octaves, 4), 0.6f, self->seed + 9);
}

rf_status scene_dome(scene_maker *maker, rf_error *err)
{
    rf_status status;
    target self;
    int place[4];
    start(&self, maker);
    whole_place(maker, place);
    RF_TRY(backdrop_make(maker, (float)(maker->plan->farthest * 4 + 20), err));
    RF_TRY(render(maker, &self, dome_at, place, err));
done:
    return status;
}

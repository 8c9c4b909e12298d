/* rock.c - see rock.h. */
#include "rock.h"

#include "random.h"
#include "texture.h"

static vec3 grey(float value, float warm)
{
    return v3(value * (1 + warm), value, value * (1 - warm));
}

/* x -> position in the pebble's own axes, its outline bent a little. */
static float outline_at(const rock *self, float x, float y, float *qx, float *qy)
{
    float dx = x - self->cx, dy = y - self->cy;
    float ax = self->tilt_cos * dx + self->tilt_sin * dy, ay = self->tilt_cos * dy - self->tilt_sin * dx;
    ax += 26 * take_fractal(ax / 230, ay / 230, 2, 0.5f, self->seed + 1) +
          2.5f * take_fractal(ax / 45, ay / 45, 2, 0.5f, self->seed + 2);
    ay += 26 * take_fractal(ax / 210 + 9, ay / 210, 2, 0.5f, self->seed + 3);
    *qx = ax;
    *qy = ay;
    float u = fabsf(ax / self->half_width), v = fabsf(ay / self->half_height);
    /* A superellipse of exponent 2.4: worn stones are fuller than ellipses. */
    return take_pow(take_pow(u, 2.4f) + take_pow(v, 2.4f), 1 / 2.4f);
}

static float body_depth(const rock *self, float ring)
{
    if (ring >= 1)
        return self->rim_depth + 40 * (ring - 1);
    return self->rim_depth - self->bulge * sqrtf(1 - ring * ring * (0.35f + 0.65f * ring));
}

/* How much longer the skin is than it looks, so that grain crowds towards the outline: asin(r) / r, cut short. */
static float unroll(float ring)
{
    float s = minf(ring, 1) * minf(ring, 1);
    return 1 + s * (0.166667f + s * (0.075f + s * (0.044643f + s * 0.030382f)));
}

static float large_relief(const rock *self, float sx, float sy)
{
    return 13 * take_fractal(sx / 150, sy / 150, 2, 0.45f, self->seed + 11);
}

float rock_depth(const rock *self, float x, float y, vec3 *normal)
{
    float depth[3];
    for (int i = 0; i < 3; i++) {
        float qx, qy, ring = outline_at(self, x + (i == 1 ? 2.0f : 0), y + (i == 2 ? 2.0f : 0), &qx, &qy),
                      roll = unroll(ring);
        depth[i] = body_depth(self, ring) - large_relief(self, qx * roll, qy * roll);
    }
    *normal = v3_unit(v3((depth[1] - depth[0]) / 2, (depth[2] - depth[0]) / 2, -1));
    return depth[0];
}

/* Grains of quartz, feldspar, mica and iron-stained cement. Returns how far the grain stands out. */
static float mineral(const rock *self, float x, float y, material *skin)
{
    float bend_x = take_noise(x / 7, y / 7, self->seed + 21), bend_y = take_noise(x / 7, y / 7, self->seed + 22);
    take_cell grain = take_cells((x + 2.4f * bend_x) / 8.5f, (y + 2.4f * bend_y) / 8.5f, 0.95f, 0, self->seed + 23);
    take_cell large = take_cells((x + 6 * bend_x) / 31 + 5, (y + 6 * bend_y) / 31, 0.9f, 0, self->seed + 24);
    float kind = take_cell_value(grain.id, 1), tone = take_cell_value(grain.id, 2);
    float stain = take_fractal(x / 120, y / 120, 4, 0.55f, self->seed + 25);
    float fine = take_fractal(x / 4.5f, y / 4.5f, self->fine_octaves, 0.65f, self->seed + 26);
    vec3 colour = grey(0.22f + 0.10f * tone, 0.06f);
    float stands = 0.9f * (tone - 0.5f);
    skin->gloss = 0.10f;
    skin->shine = 18;
    if (take_cell_value(large.id, 1) < 0.26f && large.border > 0.04f) { /* a feldspar crystal, cleaved in fine steps */
        float cleave = take_noise((x * 0.8f + y * 0.6f) / 2.2f, (y * 0.8f - x * 0.6f) / 26, self->seed + large.id);
        colour = v3_scale(v3(0.47f, 0.41f, 0.35f), 0.9f + 0.2f * take_cell_value(large.id, 2) + 0.10f * cleave);
        stands = 1.2f + 0.5f * cleave;
        skin->gloss = 0.22f;
        skin->shine = 40;
    } else if (kind < 0.30f) { /* quartz */
        colour = grey(0.30f + 0.10f * tone, 0.02f);
        stands += 0.5f;
        skin->gloss = 0.32f;
        skin->shine = 60;
    } else if (kind < 0.44f) { /* mica and hornblende */
        colour = grey(0.045f + 0.05f * tone, 0.02f);
        stands -= 0.5f;
        skin->gloss = 0.55f;
        skin->shine = 90;
    } else if (kind < 0.56f) { /* ochre cement */
        colour = v3_scale(v3(0.36f, 0.24f, 0.13f), 0.7f + 0.5f * tone);
        stands -= 0.4f;
    }
    float seam = 1 - smoothstep(0.0f, 0.10f, grain.border);
    colour = v3_scale(colour, (1 - 0.30f * seam) * (1 + 0.16f * fine));
    /* Weathering: a brown skin in the hollows of the stain field, a bleached one on its crests. */
    colour = v3_mix(colour, v3_mul(colour, v3(1.05f, 0.80f, 0.58f)), smoothstep(0.0f, 0.9f, stain));
    colour = v3_mix(colour, grey(0.34f, 0.05f), 0.45f * smoothstep(0.1f, 1.0f, -stain));
    skin->albedo = colour;
    return stands - 0.9f * seam + 0.55f * fine;
}

void rock_at(const void *rock_of, float x, float y, surface_point *out)
{
    const rock *self = rock_of;
    float qx, qy, ring = outline_at(self, x, y, &qx, &qy), roll = unroll(ring);
    float sx = qx * roll, sy = qy * roll; /* on the unrolled skin */
    out->inside = (1 - ring) * minf(self->half_width, self->half_height);
    out->depth = body_depth(self, ring);
    if (out->inside < -12)
        return;
    float facing = 1 - smoothstep(0.75f, 1.0f, ring) * 0.6f; /* relief turns sideways near the outline */
    float relief = large_relief(self, sx, sy);
    float rough = take_fractal(sx / 46, sy / 46, self->rough_octaves, 0.5f, self->seed + 12);
    relief += 3.6f * rough;
    float pit = take_fractal(sx / 13, sy / 13, 3, 0.6f, self->seed + 13);
    relief -= 2.2f * smoothstep(0.35f, 1.1f, pit);
    material skin = {0}, crust = {0};
    float stands = mineral(self, sx, sy, &skin);
    float thick = lichen_at(self, sx, sy, &crust);
    if (thick > 0) {
        float over = smoothstep(0, 0.5f, thick);
        skin.albedo = v3_mix(skin.albedo, crust.albedo, over);
        skin.gloss = mixf(skin.gloss, crust.gloss, over);
        skin.shine = mixf(skin.shine, crust.shine, over);
        skin.translucent = mixf(skin.translucent, crust.translucent, over);
        relief += thick + stands * (1 - over);
    } else {
        relief += stands;
    }
    out->depth -= relief * facing;
    out->skin = skin;
}

static void add_rosette(rock *self, rosette r)
{
    if (self->rosette_count < ROCK_MAX_ROSETTES)
        self->rosettes[self->rosette_count++] = r;
}

static void place_rosettes(rock *self, take_random *random)
{
    static const struct {
        rosette_kind kind;
        float x, y, radius;
    } main_ones[] = {{ROSETTE_LOBES, -70, -130, 118}, {ROSETTE_PLATES, 225, -70, 150}, {ROSETTE_LOBES, 330, -235, 62},
                     {ROSETTE_PLATES, -300, 40, 95},  {ROSETTE_LOBES, 60, 95, 58},     {ROSETTE_PLATES, 40, -290, 70}};
    for (size_t i = 0; i < sizeof main_ones / sizeof main_ones[0]; i++) {
        rosette r = {.kind = main_ones[i].kind,
                     .radius = main_ones[i].radius * take_random_between(random, 0.9f, 1.1f)};
        r.x = main_ones[i].x + take_random_between(random, -25, 25);
        r.y = main_ones[i].y + take_random_between(random, -20, 20);
        r.seed = (uint32_t)take_random_bits(random);
        if (r.kind == ROSETTE_LOBES) {
            r.pale = v3(0.70f, 0.50f, 0.13f);
            r.deep = v3(0.58f, 0.24f, 0.025f);
            r.cell = 10;
            r.lobes = (int)(r.radius / 4.2f);
        } else {
            r.pale = v3(0.52f, 0.56f, 0.45f);
            r.deep = v3(0.36f, 0.41f, 0.29f);
            r.cell = take_random_between(random, 11, 15);
        }
        add_rosette(self, r);
    }
    for (int i = 0; i < 12; i++) { /* young ones */
        rosette r = {.kind = ROSETTE_PLATES, .radius = take_random_between(random, 9, 30), .cell = 8};
        r.x = take_random_between(random, -430, 430);
        r.y = take_random_between(random, -330, 180);
        r.seed = (uint32_t)take_random_bits(random);
        r.pale = i % 3 == 0 ? v3(0.66f, 0.44f, 0.10f) : v3(0.58f, 0.60f, 0.52f);
        r.deep = v3_scale(r.pale, 0.75f);
        add_rosette(self, r);
    }
}

void rock_make(rock *self, const scene_maker *maker)
{
    take_random random = take_random_start(maker->options->seed, "rock");
    double tilt = -0.12;
    *self = (rock){.cx = 70, .cy = 215, .half_width = 590, .half_height = 455};
    self->tilt_cos = (float)take_cos(tilt);
    self->tilt_sin = (float)take_sin(tilt);
    self->rim_depth = 285;
    self->bulge = 215;
    self->seed = maker->seed;
    self->rough_octaves = minf(4, surface_octaves(maker, 46));
    self->fine_octaves = surface_octaves(maker, 4.5f);
    place_rosettes(self, &random);
}

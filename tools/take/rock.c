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

/* One kind of grain strewn in the groundmass: blobs with bent outlines. Returns 0..1, how far the grain covers. */
static float strewn(float x, float y, float size, float share, uint32_t seed, uint32_t *id)
{
    float bend_x = 0.35f * take_fractal(x / (0.7f * size), y / (0.7f * size), 2, 0.6f, seed + 1);
    float bend_y = 0.35f * take_fractal(x / (0.7f * size), y / (0.7f * size), 2, 0.6f, seed + 2);
    take_cell cell = take_cells(x / size + bend_x, y / size + bend_y, 0.9f, 0, seed);
    *id = cell.id;
    if (take_cell_value(cell.id, 1) > share)
        return 0;
    /* Crystals are longer than wide, each its own way. */
    float way = take_cell_value(cell.id, 2), c = 1 - 2 * way, s = 2 * sqrtf(maxf(way * (1 - way), 0));
    float along = c * cell.to_x + s * cell.to_y, across = c * cell.to_y - s * cell.to_x;
    float long_side = 0.30f + 0.22f * take_cell_value(cell.id, 3),
          wide = long_side * (0.45f + 0.5f * take_cell_value(cell.id, 4));
    float t = maxf(fabsf(along) / long_side, fabsf(across) / wide);
    t = maxf(t, 0.75f * (fabsf(along) / long_side + fabsf(across) / wide));
    return (1 - smoothstep(0.82f, 1.0f, t)) * smoothstep(0.0f, 0.05f, cell.border);
}

static void cover(material *skin, vec3 colour, float gloss, float shine, float over)
{
    skin->albedo = v3_mix(skin->albedo, colour, over);
    skin->gloss = mixf(skin->gloss, gloss, over);
    skin->shine = mixf(skin->shine, shine, over);
}

/* A dark groundmass with feldspar laths, quartz, mica flakes and iron stains. Returns how far it stands out. */
static float mineral(const rock *self, float x, float y, material *skin)
{
    uint32_t seed = self->seed + 20, id;
    float fine = take_fractal(x / 7, y / 7, self->fine_octaves, 0.78f, seed),
          patch = take_fractal(x / 75, y / 75, 4, 0.6f, seed + 1);
    float stain = take_fractal(x / 150, y / 150, 4, 0.55f, seed + 2);
    vec3 colour = v3_scale(grey(0.130f + 0.035f * patch, 0.07f), maxf(1 + 0.28f * fine, 0.2f));
    *skin = (material){.albedo = colour, .gloss = 0.10f, .shine = 22};
    float stands = 0.85f * fine, over, tone;
    over = strewn(x, y, 5.5f, 0.42f, seed + 3, &id);
    tone = take_cell_value(id, 5);
    cover(skin,
          v3_scale(tone < 0.35f  ? v3(0.045f, 0.043f, 0.042f)
                   : tone < 0.8f ? v3(0.26f, 0.25f, 0.24f)
                                 : v3(0.27f, 0.19f, 0.12f),
                   0.8f + 0.4f * take_cell_value(id, 6)),
          0.15f, 30, 0.75f * over);
    stands += 0.35f * over * (tone - 0.3f);
    over = strewn(x + 31, y, 12, 0.34f, seed + 5, &id);
    tone = take_cell_value(id, 5);
    cover(skin,
          v3_scale(tone < 0.3f ? v3(0.05f, 0.047f, 0.045f) : v3(0.31f, 0.30f, 0.28f),
                   (0.85f + 0.3f * take_cell_value(id, 6)) * (1 + 0.10f * fine)),
          0.30f, 50, 0.85f * over);
    stands += 0.9f * over * (tone - 0.25f);
    over = strewn(x, y + 57, 27, 0.26f, seed + 7, &id);
    tone = take_cell_value(id, 5);
    float cleave = take_noise((x * 0.8f + y * 0.6f) / 2.4f, (y * 0.8f - x * 0.6f) / 30, seed + id);
    cover(skin,
          v3_scale(v3_mix(v3(0.35f, 0.33f, 0.30f), v3(0.33f, 0.27f, 0.23f), tone),
                   (1 + 0.10f * cleave) * (1 + 0.10f * fine)),
          0.22f, 40, 0.9f * over);
    stands += over * (0.9f + 0.35f * cleave);
    over = strewn(x + 11, y + 5, 3.1f, 0.10f, seed + 9, &id); /* flakes that catch the lamp */
    cover(skin, skin->albedo, 0.9f * take_cell_value(id, 5), 60, over);
    /* Iron stains, and a bleached skin on other parts. */
    vec3 rusty = v3_mul(skin->albedo, v3(1.25f, 0.83f, 0.52f)),
         bleached = v3_add(v3_scale(skin->albedo, 0.6f), grey(0.13f, 0.06f));
    skin->albedo = v3_mix(skin->albedo, rusty, 0.85f * smoothstep(0.05f, 0.9f, stain + 0.25f * patch));
    skin->albedo = v3_mix(skin->albedo, bleached, 0.6f * smoothstep(0.15f, 1.0f, -stain + 0.3f * patch));
    return stands;
}

/* Dark crumbs of soil gathered at the foot of the moss. Returns 0..1. */
static float soil_at(const rock *self, float x, float y)
{
    float most = 0;
    for (int i = 0; i < self->soil_count; i++) {
        float dx = x - self->soil[i].x, dy = y - self->soil[i].y, distance = sqrtf(dx * dx + dy * dy) / self->soil[i].z;
        most = maxf(most, 1.35f - distance);
    }
    if (most <= 0)
        return 0;
    return smoothstep(0.25f, 0.55f, most + 0.35f * take_fractal(x / 24, y / 24, 4, 0.65f, self->seed + 61));
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
    relief += 4.4f * take_fractal(sx / 52, sy / 52, self->rough_octaves, 0.55f, self->seed + 12);
    float pit = take_fractal(sx / 15, sy / 15, 4, 0.6f, self->seed + 13);
    relief -= 2.8f * smoothstep(0.55f, 1.3f, pit);
    material skin = {0}, crust = {0};
    float stands = mineral(self, sx, sy, &skin), thick = lichen_at(self, sx, sy, &crust), soil = soil_at(self, x, y);
    if (thick > 0) {
        float over = smoothstep(0, 0.5f, thick);
        cover(&skin, crust.albedo, crust.gloss, crust.shine, over);
        stands = thick + stands * (1 - over);
    }
    if (soil > 0) {
        float crumb = take_fractal(x / 9, y / 9, self->fine_octaves, 0.8f, self->seed + 62);
        vec3 humus = v3_scale(
            v3_mix(v3(0.050f, 0.036f, 0.024f), v3(0.11f, 0.085f, 0.05f), clampf(0.4f + 0.5f * crumb, 0, 1)), 0.9f);
        cover(&skin, humus, 0.04f, 10, soil);
        stands = mixf(stands, 2.5f + 2.4f * crumb, soil);
    }
    out->depth -= (relief + stands) * facing;
    out->skin = skin;
}

static void add_rosette(rock *self, rosette r)
{
    if (self->rosette_count < ROCK_MAX_ROSETTES)
        self->rosettes[self->rosette_count++] = r;
}

static const vec3 ORANGE_PALE = {0.60f, 0.385f, 0.105f}, ORANGE_DEEP = {0.46f, 0.20f, 0.028f};
static const vec3 GREEN_PALE = {0.43f, 0.46f, 0.37f}, GREEN_DEEP = {0.25f, 0.285f, 0.205f};
static const vec3 WHITE_PALE = {0.50f, 0.49f, 0.45f}, WHITE_DEEP = {0.34f, 0.335f, 0.31f};

static void colour_rosette(rosette *r, take_random *random)
{
    float tone = take_random_between(random, 0.88f, 1.1f);
    switch (r->kind) {
    case ROSETTE_LOBES:
        r->pale = v3_scale(ORANGE_PALE, tone);
        r->deep = v3_scale(ORANGE_DEEP, tone);
        r->cell = 8.5f;
        r->lobes = 8 + (int)(r->radius / 4);
        break;
    case ROSETTE_PLATES:
        r->pale = v3_scale(GREEN_PALE, tone);
        r->deep = v3_scale(GREEN_DEEP, tone);
        r->cell = take_random_between(random, 11, 16);
        break;
    case ROSETTE_FILM:
    default:
        r->pale = v3_scale(WHITE_PALE, tone);
        r->deep = v3_scale(WHITE_DEEP, tone);
        r->cell = take_random_between(random, 15, 20);
    }
}

static void place_rosettes(rock *self, take_random *random)
{
    static const rosette main_ones[] = {{.kind = ROSETTE_FILM, .x = 60, .y = -215, .radius = 135},
                                        {.kind = ROSETTE_FILM, .x = 395, .y = 60, .radius = 105},
                                        {.kind = ROSETTE_PLATES, .x = 215, .y = -75, .radius = 150},
                                        {.kind = ROSETTE_PLATES, .x = -395, .y = 150, .radius = 85},
                                        {.kind = ROSETTE_LOBES, .x = -75, .y = -110, .radius = 112},
                                        {.kind = ROSETTE_LOBES, .x = 25, .y = 15, .radius = 66},
                                        {.kind = ROSETTE_LOBES, .x = 350, .y = -215, .radius = 78},
                                        {.kind = ROSETTE_PLATES, .x = 470, .y = -130, .radius = 90},
                                        {.kind = ROSETTE_FILM, .x = -330, .y = -190, .radius = 75}};
    for (size_t i = 0; i < sizeof main_ones / sizeof main_ones[0]; i++) {
        rosette r = main_ones[i];
        r.radius *= take_random_between(random, 0.9f, 1.1f);
        r.x += take_random_between(random, -20, 20);
        r.y += take_random_between(random, -20, 20);
        r.seed = (uint32_t)take_random_bits(random);
        colour_rosette(&r, random);
        add_rosette(self, r);
    }
    for (int i = 0; i < 14; i++) { /* young ones */
        rosette r = {.kind = i % 4 == 0 ? ROSETTE_FILM : ROSETTE_PLATES, .radius = take_random_between(random, 9, 30)};
        r.x = take_random_between(random, -480, 480);
        r.y = take_random_between(random, -360, 200);
        r.seed = (uint32_t)take_random_bits(random);
        colour_rosette(&r, random);
        if (i % 3 == 1) {
            r.pale = ORANGE_PALE;
            r.deep = ORANGE_DEEP;
        }
        r.cell *= 0.62f;
        add_rosette(self, r);
    }
}

void rock_add_soil(rock *self, float x, float y, float radius)
{
    if (self->soil_count < ROCK_MAX_SOIL)
        self->soil[self->soil_count++] = v3(x, y, radius);
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
    self->rough_octaves = minf(5, surface_octaves(maker, 52));
    self->fine_octaves = surface_octaves(maker, 7);
    place_rosettes(self, &random);
}

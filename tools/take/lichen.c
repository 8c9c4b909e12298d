/* lichen.c - crusts on the pebble, as rosettes of three habits: cracked plates (areoles) with dark fruiting discs;
 * radial lobes that fork outwards, warty and full of fruiting cups inside; a thin film with black dots.
 *
 * Plates are the cells of a Worley pattern whose feature point lies within the rosette, so a rosette ends in whole
 * plates. */
#include "random.h"
#include "rock.h"
#include "texture.h"

/* Angle / 2 pi of (x, y), -0.5..0.5, to about 1e-3: only the place of lobes hangs on it. */
static float turn_of(float x, float y)
{
    float ax = fabsf(x), ay = fabsf(y), low = minf(ax, ay), high = maxf(ax, ay);
    if (high <= 0)
        return 0;
    float t = low / high, s = t * t;
    float angle =
        t * (0.9998660f + s * (-0.3302995f + s * (0.1801410f + s * (-0.0851330f + s * 0.0208351f)))) / 6.2831853f;
    if (ay > ax)
        angle = 0.25f - angle;
    if (x < 0)
        angle = 0.5f - angle;
    return y < 0 ? -angle : angle;
}

static float powder(const rosette *r, float x, float y, uint32_t which)
{
    return take_fractal(x / 3.2f, y / 3.2f, 3, 0.75f, r->seed + which);
}

/* A fruiting cup: raised rim, darker disc. Returns its height above the thallus, and how far it covers in *over. */
static float cup(float distance, float radius, float *rim, float *over)
{
    float t = distance / radius;
    *over = 1 - smoothstep(0.92f, 1.06f, t);
    *rim = smoothstep(0.60f, 0.78f, t) * *over;
    return *over * (0.45f + 0.45f * *rim - 0.12f * (1 - t * t)) * radius * 0.6f;
}

static float edge_wobble(const rosette *r, float x, float y)
{
    return 1 + 0.26f * take_fractal(x / (0.6f * r->radius), y / (0.6f * r->radius), 4, 0.6f, r->seed + 7);
}

static float plates(const rosette *r, float x, float y, material *skin)
{
    float bend_x = 0.30f * take_fractal(x / 19, y / 19, 3, 0.6f, r->seed);
    float bend_y = 0.30f * take_fractal(x / 19, y / 19, 3, 0.6f, r->seed + 1);
    float bx = x / r->cell + bend_x, by = y / r->cell + bend_y;
    take_cell cell = take_cells(bx, by, 0.95f, 0, r->seed + 2);
    float at_x = cell.at_x * r->cell, at_y = cell.at_y * r->cell, value = take_cell_value(cell.id, 3);
    float out = sqrtf(at_x * at_x + at_y * at_y) / (r->radius * edge_wobble(r, at_x, at_y));
    if (out > 1 || value < 0.03f + 0.25f * smoothstep(0.75f, 1.0f, out))
        return 0; /* beyond the margin, or a plate that has not grown or has fallen off */
    float grain = powder(r, x, y, 3), lump = take_noise(x / 6, y / 6, r->seed + 4);
    float edge = cell.border + 0.030f * grain + 0.02f * lump, young = smoothstep(0.7f, 1.0f, out);
    float full = smoothstep(0.015f, 0.085f, edge);
    float top = mixf(smoothstep(0.0f, 0.30f, edge), 1, 0.55f);
    float height = (1.9f + 1.9f * value) * (1 - 0.5f * young) * full * top + 0.38f * grain + 0.45f * lump;
    vec3 colour = v3_mix(r->deep, r->pale, clampf(0.35f + 0.35f * lump + 0.35f * young + 0.5f * (value - 0.5f), 0, 1));
    colour = v3_scale(colour, 1 + 0.15f * grain);
    float crack = 1 - full;
    colour = v3_mix(colour, v3(0.055f, 0.052f, 0.042f), 0.9f * crack);
    if (take_cell_value(cell.id, 4) < 0.20f && out < 0.85f) {
        float ring, over, size = r->cell * (0.15f + 0.12f * take_cell_value(cell.id, 5));
        height += cup(cell.nearest * r->cell + 0.5f * lump, size, &ring, &over);
        colour = v3_mix(colour, v3_mix(v3(0.035f, 0.028f, 0.024f), v3_scale(r->pale, 0.75f), ring), over);
    }
    *skin = (material){.albedo = colour, .gloss = 0.03f, .shine = 8};
    return maxf(height, 0.02f);
}

/* The inner part of a lobed rosette: warts and crowded orange cups. */
static float warts(const rosette *r, float x, float y, material *skin)
{
    float bend = take_noise(x / 11, y / 11, r->seed + 11);
    take_cell wart = take_cells(x / r->cell + 0.3f * bend, y / r->cell - 0.3f * bend, 0.95f, 0, r->seed + 12);
    float grain = powder(r, x, y, 13), bump = smoothstep(0, 0.30f, wart.border + 0.04f * grain);
    float height = 1.7f + 1.15f * bump + 0.60f * grain + 0.7f * bend;
    float tint = take_fractal(x / 35, y / 35, 3, 0.6f, r->seed + 14);
    vec3 colour = v3_mix(v3_scale(r->deep, 0.45f), v3_mix(r->deep, r->pale, clampf(0.40f + 0.45f * tint, 0, 1)),
                         0.25f + 0.75f * bump);
    colour = v3_scale(colour, (0.88f + 0.24f * take_cell_value(wart.id, 1)) * (1 + 0.20f * grain));
    /* Cups stand on their own, wider pattern and hide what is below. */
    float wide = 1.75f * r->cell;
    take_cell place = take_cells(x / wide + 3, y / wide, 0.75f, 0, r->seed + 15);
    if (take_cell_value(place.id, 6) < 0.80f) {
        float rim, over, size = wide * (0.16f + 0.28f * take_cell_value(place.id, 7)),
                         tone = take_cell_value(place.id, 8);
        float lopsided = place.nearest * wide * (1 + 0.12f * take_noise(place.to_x * 3, place.to_y * 3, place.id));
        height += cup(lopsided, size, &rim, &over);
        vec3 disc = v3_scale(v3_mix(v3(0.46f, 0.125f, 0.012f), v3(0.30f, 0.085f, 0.018f), tone), 1 + 0.10f * grain);
        colour = v3_mix(colour, v3_mix(disc, v3_mix(r->deep, r->pale, 0.55f), rim), over);
    }
    *skin = (material){.albedo = colour, .gloss = 0.05f, .shine = 12};
    return height;
}

/* Height profile of one lobe: `across` -1..1 from side to side, `left` what is left to its tip in half widths. */
static float lobe_profile(float across, float left)
{
    float width = left >= 1 ? 1 : left <= 0 ? 0 : sqrtf(1 - (1 - left) * (1 - left));
    float t = width > 0.02f ? across / (0.94f * width) : 2;
    return t * t < 1 ? sqrtf(sqrtf(1 - t * t)) : 0;
}

/* Lobes are sectors that fork once on their way out. */
static float lobes(const rosette *r, float x, float y, material *skin)
{
    float distance = sqrtf(x * x + y * y);
    float bend = take_fractal(x / 26, y / 26, 3, 0.55f, r->seed + 20),
          sector = (turn_of(x, y) + 0.5f) * (float)r->lobes;
    float turn = sector + 0.55f * bend;
    turn -= floorf(turn / (float)r->lobes) * (float)r->lobes;
    int parent = (int)turn;
    float across = 2 * (turn - (float)parent) - 1,
          fork = r->radius * (0.52f + 0.30f * take_cell_value((uint32_t)parent ^ r->seed, 1));
    int half = across > 0;
    uint32_t id = take_cell_value((uint32_t)parent ^ r->seed, 2) < 0.8f && distance > fork
                      ? (uint32_t)(2 * parent + half + 1000)
                      : (uint32_t)parent;
    id ^= r->seed;
    float half_width = 3.14159f * distance / (float)r->lobes;
    if ((id ^ r->seed) >= 1000) {
        float split = smoothstep(0, 8, distance - fork), inner = 2 * fabsf(across) - 1;
        across = mixf(across, inner, split > 0.02f ? 1 : 0);
        half_width *= 0.5f;
    }
    float tip = r->radius * (0.72f + 0.30f * take_cell_value(id, 3));
    float grain = powder(r, x, y, 23), full = lobe_profile(across + 0.06f * grain, (tip - distance) / half_width);
    if (full <= 0)
        return 0;
    float out = distance / r->radius, value = take_cell_value(id, 4);
    float segment = take_noise(turn * 1.7f + 5, distance / 7, r->seed + 24); /* shallow cracks across the lobe */
    float cracked = smoothstep(0.42f, 0.60f, segment) * (1 - smoothstep(0.60f, 0.75f, segment));
    float height = full * (2.2f + 0.9f * value + 0.8f * smoothstep(0.6f, 1.0f, out)) - 0.6f * cracked + 0.40f * grain;
    vec3 colour =
        v3_mix(r->deep, r->pale,
               clampf(0.15f + 0.75f * smoothstep(0.6f, 1.0f, out) + 0.4f * (value - 0.5f) + 0.15f * bend, 0, 1));
    colour = v3_scale(colour, (0.9f + 0.2f * take_cell_value(id, 5)) * (1 + 0.20f * grain) * (1 - 0.25f * cracked) *
                                  (0.8f + 0.2f * full));
    *skin = (material){.albedo = colour, .gloss = 0.04f, .shine = 12};
    return maxf(height, 0.02f);
}

static float lobed(const rosette *r, float x, float y, material *skin)
{
    float wobble = edge_wobble(r, x, y), wx = x / wobble, wy = y / wobble, distance = sqrtf(wx * wx + wy * wy);
    if (distance > 1.1f * r->radius)
        return 0;
    float inner = distance / (r->radius * 0.60f) + 0.16f * take_fractal(x / 22, y / 22, 3, 0.6f, r->seed + 30);
    if (inner > 1.0f)
        return lobes(r, wx, wy, skin);
    material outside = *skin;
    float height = warts(r, x, y, skin);
    /* The oldest part crumbles away here and there. */
    float gap = take_fractal(x / 17, y / 17, 3, 0.6f, r->seed + 31) - 0.9f - 0.5f * inner;
    if (gap > 0)
        return 0;
    if (inner > 0.82f) {
        float t = smoothstep(0.82f, 1.0f, inner), beside = lobes(r, wx, wy, &outside);
        if (beside > 0) {
            skin->albedo = v3_mix(skin->albedo, outside.albedo, t);
            height = mixf(height, beside, t);
        }
    }
    return height;
}

static float film(const rosette *r, float x, float y, material *skin)
{
    float out = sqrtf(x * x + y * y) / (r->radius * edge_wobble(r, x, y)) +
                0.07f * take_fractal(x / 8, y / 8, 3, 0.6f, r->seed + 40);
    if (out > 1)
        return 0;
    float grain = powder(r, x, y, 41), thin = 1 - smoothstep(0.86f, 1.0f, out);
    take_cell crack =
        take_cells(x / r->cell + 0.25f * take_noise(x / 9, y / 9, r->seed + 42), y / r->cell, 0.95f, 0, r->seed + 43);
    float line = smoothstep(0.010f, 0.055f, crack.border + 0.02f * grain),
          zone = take_noise(out * 9, 0.5f, r->seed + 44);
    float height = (0.9f + 0.25f * grain) * thin * (0.55f + 0.45f * line) + 0.06f;
    vec3 colour = v3_scale(v3_mix(r->pale, r->deep, clampf(0.4f + 0.5f * zone, 0, 1)),
                           (1 + 0.12f * grain) * (0.5f + 0.5f * line));
    float wide = 1.3f * r->cell;
    take_cell dot = take_cells(x / wide + 7, y / wide, 0.9f, 0, r->seed + 45);
    material m = {.gloss = 0.03f, .shine = 8};
    if (take_cell_value(dot.id, 1) < 0.45f && out < 0.9f) {
        float size = wide * (0.10f + 0.15f * take_cell_value(dot.id, 2)), t = dot.nearest * wide / size + 0.10f * grain;
        float over = 1 - smoothstep(0.9f, 1.05f, t);
        height += over * size * 0.55f * sqrtf(maxf(1 - 0.8f * t * t, 0));
        colour = v3_mix(colour, v3(0.026f, 0.024f, 0.024f), over);
        m.gloss = 0.16f * over + 0.03f;
        m.shine = 22;
    }
    m.albedo =
        v3_scale(colour, 0.35f + 0.65f * smoothstep(0.0f, 0.35f, thin)); /* a dark line where it meets the stone */
    *skin = m;
    return maxf(height, 0.02f);
}

float lichen_at(const rock *self, float x, float y, material *skin)
{
    float thick = 0;
    for (int i = 0; i < self->rosette_count; i++) {
        const rosette *r = &self->rosettes[i];
        float dx = x - r->x, dy = y - r->y;
        if (dx * dx + dy * dy > 2.4f * r->radius * r->radius + 900)
            continue;
        material own = {0};
        float here = r->kind == ROSETTE_PLATES ? plates(r, dx, dy, &own)
                     : r->kind == ROSETTE_FILM ? film(r, dx, dy, &own)
                                               : lobed(r, dx, dy, &own);
        if (here > thick) {
            thick = here;
            *skin = own;
        }
    }
    return thick;
}

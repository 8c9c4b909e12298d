/* lichen.c - crusts on the pebble: rosettes of cracked plates (areoles), and rosettes of radial lobes with fruiting
 * cups.
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

/* A fruiting cup: raised rim, darker flat disc. Returns its height above the thallus, and how far it covers in *over.
 */
static float cup(float distance, float radius, float *rim, float *over)
{
    float t = distance / radius;
    *over = 1 - smoothstep(0.95f, 1.08f, t);
    *rim = smoothstep(0.66f, 0.80f, t) * *over;
    return *over * (0.35f + 0.65f * *rim) * radius * 0.55f;
}

static float edge_wobble(const rosette *r, float x, float y)
{
    return 1 + 0.20f * take_fractal(x / (0.55f * r->radius), y / (0.55f * r->radius), 3, 0.6f, r->seed + 7);
}

static float plates(const rosette *r, float x, float y, material *skin)
{
    float bx = x / r->cell, by = y / r->cell;
    float wx = bx + 0.22f * take_noise(bx * 1.3f, by * 1.3f, r->seed),
          wy = by + 0.22f * take_noise(bx * 1.3f, by * 1.3f, r->seed + 1);
    take_cell cell = take_cells(wx, wy, 0.85f, 0, r->seed + 2);
    float at_x = cell.at_x * r->cell, at_y = cell.at_y * r->cell;
    float out = sqrtf(at_x * at_x + at_y * at_y) / (r->radius * edge_wobble(r, at_x, at_y));
    if (out > 1 || take_cell_value(cell.id, 9) < 0.05f)
        return 0;
    float grain = take_fractal(x / 2.6f, y / 2.6f, 3, 0.7f, r->seed + 3),
          lump = take_noise(x / 5.5f, y / 5.5f, r->seed + 4);
    float edge = cell.border + 0.025f * grain, value = take_cell_value(cell.id, 3);
    float young = smoothstep(0.72f, 1.0f, out);
    float full = smoothstep(0.035f, 0.13f, edge);
    float dome = mixf(smoothstep(0.0f, 0.40f, edge), 1, 0.35f);
    float height = (3.0f + 2.2f * value) * (1 - 0.55f * young) * full * dome + 0.35f * grain + 0.35f * lump;
    float rim = full * (1 - smoothstep(0.10f, 0.22f, edge));
    vec3 colour = v3_mix(r->deep, r->pale, clampf(0.30f + 0.55f * rim + 0.45f * young + 0.25f * (value - 0.5f), 0, 1));
    colour = v3_scale(colour, 1 + 0.10f * grain + 0.06f * lump);
    colour = v3_mix(v3(0.035f, 0.033f, 0.028f), colour, full); /* black thallus below shows in the cracks */
    if (take_cell_value(cell.id, 4) < 0.22f && out < 0.85f) {
        float ring, over,
            rise = cup(cell.nearest * r->cell, r->cell * (0.16f + 0.10f * take_cell_value(cell.id, 5)), &ring, &over);
        height += rise;
        colour = v3_mix(colour, v3_mix(v3(0.045f, 0.035f, 0.03f), v3(0.20f, 0.20f, 0.17f), ring), over);
    }
    *skin = (material){.albedo = colour, .gloss = 0.05f, .shine = 10};
    return maxf(height, 0.02f);
}

/* The inner part of a lobed rosette: warts and crowded orange cups. */
static float warts(const rosette *r, float x, float y, material *skin)
{
    take_cell cell = take_cells(x / r->cell, y / r->cell, 0.9f, 0, r->seed + 12);
    float grain = take_fractal(x / 2.4f, y / 2.4f, 3, 0.7f, r->seed + 13);
    float bump = smoothstep(0, 0.35f, cell.border + 0.03f * grain);
    float height = 2.4f + 2.2f * bump + 0.4f * grain;
    vec3 colour = v3_mix(v3_scale(r->deep, 0.42f), v3_mix(r->deep, r->pale, 0.5f), bump);
    colour = v3_scale(colour, 1 + 0.12f * grain);
    if (take_cell_value(cell.id, 6) < 0.62f) {
        float rim, over, size = r->cell * (0.26f + 0.20f * take_cell_value(cell.id, 7));
        height += cup(cell.nearest * r->cell, size, &rim, &over);
        colour = v3_mix(colour, v3_mix(v3(0.56f, 0.17f, 0.015f), v3_scale(r->pale, 0.95f), rim), over);
    }
    *skin = (material){.albedo = colour, .gloss = 0.07f, .shine = 14};
    return height;
}

static float lobes(const rosette *r, float x, float y, material *skin)
{
    float distance = sqrtf(x * x + y * y), length = 0.30f * r->radius;
    float bend = take_noise(x / 24, y / 24, r->seed + 20);
    float across = (turn_of(x, y) + 0.5f) * (float)r->lobes + 0.35f * bend;
    float along = distance / length + 0.20f * take_noise(x / 15, y / 15, r->seed + 21);
    take_cell cell = take_cells(across, along, 0.8f, r->lobes, r->seed + 22);
    float value = take_cell_value(cell.id, 3);
    if (cell.at_y * length > r->radius * (0.80f + 0.18f * value))
        return 0;
    /* The lobe's end is round: cut it by the distance to its tip as well as by its neighbours. */
    float grain = take_fractal(x / 2.4f, y / 2.4f, 3, 0.7f, r->seed + 23);
    float wrinkle = take_noise(across * 5, along * 2.5f, r->seed + 24);
    float edge = cell.border + 0.015f * grain, full = smoothstep(0.02f, 0.10f, edge);
    float rim = full * (1 - smoothstep(0.09f, 0.24f, edge)), out = distance / r->radius;
    float height = full * (3.4f + 1.8f * value + 2.0f * rim + 0.8f * wrinkle) + 0.3f * grain;
    vec3 colour =
        v3_mix(r->deep, r->pale,
               clampf(0.25f + 0.65f * rim + 0.5f * smoothstep(0.55f, 1.0f, out) + 0.3f * (value - 0.5f), 0, 1));
    colour = v3_scale(colour, 1 + 0.10f * grain + 0.10f * wrinkle);
    colour = v3_mix(v3(0.05f, 0.035f, 0.02f), colour, full);
    *skin = (material){.albedo = colour, .gloss = 0.08f, .shine = 16};
    return maxf(height, 0.02f);
}

static float lobed(const rosette *r, float x, float y, material *skin)
{
    float distance = sqrtf(x * x + y * y), wobble = edge_wobble(r, x, y);
    float inner = distance / (r->radius * 0.52f * wobble) + 0.12f * take_noise(x / 9, y / 9, r->seed + 30);
    if (inner > 1.0f)
        return lobes(r, x / wobble, y / wobble, skin);
    material outside = *skin;
    float height = warts(r, x, y, skin);
    if (inner > 0.85f) {
        float t = smoothstep(0.85f, 1.0f, inner), beside = lobes(r, x / wobble, y / wobble, &outside);
        skin->albedo = v3_mix(skin->albedo, outside.albedo, t);
        height = mixf(height, beside, t);
    }
    return height;
}

float lichen_at(const rock *self, float x, float y, material *skin)
{
    float thick = 0;
    for (int i = 0; i < self->rosette_count; i++) {
        const rosette *r = &self->rosettes[i];
        float dx = x - r->x, dy = y - r->y;
        if (dx * dx + dy * dy > 2.2f * r->radius * r->radius + 900)
            continue;
        material own = {0};
        float here = r->kind == ROSETTE_PLATES ? plates(r, dx, dy, &own) : lobed(r, dx, dy, &own);
        if (here > thick) {
            thick = here;
            *skin = own;
        }
    }
    return thick;
}

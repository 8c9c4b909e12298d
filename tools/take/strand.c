/* strand.c - see strand.h. */
#include "strand.h"

#include <stdlib.h>

#include "railfold/memory.h"
#include "texture.h"

rf_status strand_list_add(strand_list *list, const strand_shape *shape, rf_error *err)
{
    rf_status status = RF_OK;
    if (list->count == list->room) {
        strand_shape *larger = NULL;
        int room = list->room == 0 ? 256 : 2 * list->room;
        RF_TRY(rf_alloc(&larger, (size_t)room, sizeof *larger, "the bristles", err));
        if (list->count > 0)
            memcpy(larger, list->shapes, (size_t)list->count * sizeof *larger);
        rf_free(list->shapes);
        list->shapes = larger;
        list->room = room;
    }
    list->shapes[list->count++] = *shape;
done:
    return status;
}

void strand_list_free(strand_list *list)
{
    rf_free(list->shapes);
    *list = (strand_list){0};
}

vec3 strand_centre(const strand_shape *shape, float u)
{
    float v = 1 - u;
    vec3 a = v3_add(v3_scale(shape->line[0], v * v * v), v3_scale(shape->line[1], 3 * v * v * u));
    return v3_add(a, v3_add(v3_scale(shape->line[2], 3 * v * u * u), v3_scale(shape->line[3], u * u * u)));
}

vec3 strand_direction(const strand_shape *shape, float u)
{
    float v = 1 - u;
    vec3 a = v3_scale(v3_sub(shape->line[1], shape->line[0]), v * v);
    vec3 b = v3_scale(v3_sub(shape->line[2], shape->line[1]), 2 * v * u);
    vec3 c = v3_scale(v3_sub(shape->line[3], shape->line[2]), u * u);
    return v3_unit(v3_add(a, v3_add(b, c)));
}

float strand_half_width(const strand_shape *shape, float u)
{
    float w = shape->half_width;
    switch (shape->outline) {
    case OUTLINE_BLADE: {
        float rise = smoothstep(-0.25f, 0.28f, u), fall = 1 - smoothstep(0.2f, 1.05f, u);
        return w * (rise * fall + 0.05f * (1 - u));
    }
    case OUTLINE_STALK: {
        float capsule = (u - 0.925f) / 0.062f; /* -1..1 over the capsule */
        float bulge = capsule * capsule < 1 ? 3.4f * sqrtf(1 - capsule * capsule) * (1 - 0.25f * capsule) : 0;
        return w * maxf(bulge, u < 0.9f ? 1 - 0.25f * u : 0.8f * (1 - smoothstep(0.97f, 1.0f, u)));
    }
    case OUTLINE_BRISTLE:
    default:
        return w * (1 - 0.55f * u) * (1 - smoothstep(0.75f, 1.02f, u) * 0.9f);
    }
}

enum { LINE_NODES = 33 };

/* Length along the centre line at even steps of its parameter, to walk it at an even pace. */
typedef struct line_scale {
    float at[LINE_NODES];
    float length;
} line_scale;

static line_scale measure_line(const strand_shape *shape)
{
    line_scale scale = {.at = {0}};
    vec3 last = shape->line[0];
    for (int i = 1; i < LINE_NODES; i++) {
        vec3 here = strand_centre(shape, (float)i / (LINE_NODES - 1));
        scale.at[i] = scale.at[i - 1] + v3_length(v3_sub(here, last));
        last = here;
    }
    scale.length = scale.at[LINE_NODES - 1];
    return scale;
}

/* Parameter at a share 0..1 of the length; carries on beyond the tip. */
static float parameter_at(const line_scale *scale, float share)
{
    float wanted = share * scale->length;
    int i = 1;
    while (i < LINE_NODES - 1 && scale->at[i] < wanted)
        i++;
    float part = scale->at[i] - scale->at[i - 1];
    return ((float)(i - 1) + (part > 0 ? (wanted - scale->at[i - 1]) / part : 0)) / (LINE_NODES - 1);
}

void strand_list_shade(const strand_list *list, canopy *shade)
{
    for (int i = 0; i < list->count; i++) {
        const strand_shape *shape = &list->shapes[i];
        float length = measure_line(shape).length;
        int parts = 2 + (int)(length / 2);
        for (int p = 0; p < parts; p++) {
            float u = ((float)p + 0.5f) / (float)parts;
            canopy_add(shade, strand_centre(shape, u), 2 * strand_half_width(shape, u) * length / (float)parts);
        }
    }
}

/* ---- patches ---- */

typedef struct cross_section {
    vec3 centre, along, side, up; /* units; side and up square to the line */
    float half_width;
    float key, room; /* light that reaches it through its neighbours */
} cross_section;

static cross_section section_at(const strand_shape *shape, const canopy *shade, float u)
{
    cross_section s = {.centre = strand_centre(shape, u), .along = strand_direction(shape, u), .key = 1, .room = 1};
    vec3 facing = shape->round ? v3(0, 0, -1) : shape->facing;
    s.side = v3_unit(v3_cross(s.along, facing));
    s.up = v3_unit(v3_cross(s.side, s.along));
    s.half_width = strand_half_width(shape, u);
    if (shade != NULL) {
        s.key = canopy_through(shade, s.centre, light_key_direction(), 7, 160);
        s.room = canopy_room(shade, s.centre);
    }
    return s;
}

/* Place and normal of the skin at v = -1..1 across. */
static vec3 skin_at(const strand_shape *shape, const cross_section *s, float v, vec3 *normal)
{
    if (shape->round) {
        float rise = sqrtf(maxf(1 - v * v, 0));
        *normal = v3_unit(v3_add(v3_scale(s->side, v), v3_scale(s->up, rise)));
        return v3_add(s->centre, v3_scale(*normal, s->half_width));
    }
    float rise = shape->fold * v * v;
    *normal = v3_unit(v3_sub(s->up, v3_scale(s->side, 2 * shape->fold * v)));
    return v3_add(s->centre, v3_add(v3_scale(s->side, v * s->half_width), v3_scale(s->up, rise * s->half_width)));
}

static vec3 pigment_at(const strand_shape *shape, float u, float v)
{
    vec3 colour = u < 0.5f ? v3_mix(shape->root, shape->middle, smoothstep(0, 0.5f, u))
                           : v3_mix(shape->middle, shape->tip, smoothstep(0.55f, 1, u));
    float streak = take_noise(v * 3.5f, u * 5, shape->seed) + 0.7f * take_noise(v * 5, u * 45, shape->seed + 1);
    float middle_line = shape->round ? 0 : 1 - smoothstep(0.08f, 0.22f, fabsf(v));
    return v3_scale(colour, maxf(1 + shape->streak * streak + 0.25f * middle_line, 0.1f));
}

static vec3 lit_colour(const strand_shape *shape, const cross_section *s, vec3 normal, float u, float v)
{
    material m = shape->skin;
    m.albedo = pigment_at(shape, u, v);
    if (normal.z > 0) /* the far side of a blade is seen */
        normal = v3_scale(normal, -1);
    return light_shade(&m, normal, s->key, s->room);
}

static uint16_t to_word(float x, float white)
{
    return (uint16_t)(clampf(x / white, 0, 1) * 65535 + 0.5f);
}

typedef struct filler {
    scene_maker *maker;
    strand_layer *out;
    const canopy *shade;
} filler;

/* Reference view units -> the pixel of the focus plane on the same ray (rail.h). */
static strand_point project(const scene_maker *maker, vec3 at)
{
    const rail_view *view = &maker->plan->view;
    float z = scene_steps(maker, at.z);
    float scale = (float)(maker->unit_px * (view->distance + (double)z - view->reference_focus) / view->distance);
    return (strand_point){.x = at.x * scale, .y = at.y * scale, .z = z};
}

static void grow_box(strand *s, const strand_point *p)
{
    s->low_x = minf(s->low_x, p->x);
    s->high_x = maxf(s->high_x, p->x);
    s->low_y = minf(s->low_y, p->y);
    s->high_y = maxf(s->high_y, p->y);
    s->low_z = minf(s->low_z, p->z);
    s->high_z = maxf(s->high_z, p->z);
}

/* One row of patches across the strand, for the parameters u0..u1; the area a patch is seen to cover is that of the
 * parallelogram it stands for. */
static void fill_section(const filler *f, const strand_shape *shape, strand *s, float u0, float u1, float spacing_px)
{
    float u = 0.5f * (u0 + u1), step_u = u1 - u0;
    cross_section here = section_at(shape, f->shade, u), next = here;
    next.centre = strand_centre(shape, u + step_u);
    next.along = strand_direction(shape, u + step_u);
    float width_px = 2 * here.half_width * (float)f->maker->unit_px * (shape->round ? 1 : 1 + shape->fold);
    int across = (int)ceilf(width_px / spacing_px);
    across = across < 1 ? 1 : across;
    for (int i = 0; i < across; i++) {
        float v = 2 * ((float)i + 0.5f) / (float)across - 1, half_step = 1.0f / (float)across;
        vec3 normal, unused, at = skin_at(shape, &here, v, &normal);
        strand_point p = project(f->maker, at), ahead = project(f->maker, skin_at(shape, &next, v, &unused));
        strand_point l = project(f->maker, skin_at(shape, &here, maxf(v - half_step, -1), &unused));
        strand_point r = project(f->maker, skin_at(shape, &here, minf(v + half_step, 1), &unused));
        float ux = ahead.x - p.x, uy = ahead.y - p.y, wx = r.x - l.x, wy = r.y - l.y;
        float area = fabsf(ux * wy - uy * wx);
        if (area <= 0)
            continue;
        vec3 colour = lit_colour(shape, &here, normal, u, v);
        p.r = to_word(colour.x, LAYER_WHITE);
        p.g = to_word(colour.y, LAYER_WHITE);
        p.b = to_word(colour.z, LAYER_WHITE);
        p.area = to_word(area, spacing_px * spacing_px);
        grow_box(s, &p);
        f->out->points[f->out->point_count++] = p;
    }
}

/* Sections along a strand, and the most patches across, at a level. */
static void count_patches(const filler *f, const strand_shape *shape, int level, int *sections, int *across)
{
    float unit_px = (float)f->maker->unit_px, spacing = f->out->spacing_px * (float)(1 << level);
    float widest = (shape->outline == OUTLINE_STALK ? 9 : 2 * (1 + shape->fold)) * shape->half_width * unit_px;
    /* Near things look up to a few per cent larger than at the unit's scale. */
    *sections = (int)clampf(ceilf(1.05f * measure_line(shape).length * unit_px / spacing), 2, 20000);
    *across = (int)ceilf(widest / spacing) + 2;
}

static void fill_strand(const filler *f, const strand_shape *shape, strand *s)
{
    *s = (strand){.low_x = 1e9f, .low_y = 1e9f, .low_z = 1e9f, .high_x = -1e9f, .high_y = -1e9f, .high_z = -1e9f};
    line_scale scale = measure_line(shape);
    s->loose = shape->loose;
    s->sort_z = scene_steps(f->maker, strand_centre(shape, 0.6f).z);
    for (int level = 0; level < STRAND_LEVELS; level++) {
        int sections, across;
        count_patches(f, shape, level, &sections, &across);
        s->first[level] = f->out->point_count;
        for (int i = 0; i < sections; i++) {
            float from = parameter_at(&scale, (float)i / (float)sections),
                  to = parameter_at(&scale, ((float)i + 1) / (float)sections);
            fill_section(f, shape, s, from, to, f->out->spacing_px * (float)(1 << level));
        }
        s->count[level] = (int)(f->out->point_count - s->first[level]);
    }
}

static int farther_first(const void *a, const void *b)
{
    const strand *x = a, *y = b;
    if (x->sort_z != y->sort_z)
        return x->sort_z > y->sort_z ? -1 : 1;
    return x->first[0] < y->first[0] ? -1 : x->first[0] > y->first[0];
}

rf_status strand_layer_fill(scene_maker *maker, const strand_list *list, const canopy *shade, strand_layer *out,
                            rf_error *err)
{
    rf_status status;
    filler f = {.maker = maker, .out = out, .shade = shade};
    /* Patches 1.4 times the softness apart leave a ripple of 2 exp(-2 pi^2 / 1.4^2), under 1e-4. */
    out->spacing_px = (float)maxf(0.35f, minf(1.4f * (float)maker->options->mtf_px, 0.9f));
    RF_TRY(rf_alloc(&out->strands, (size_t)list->count, sizeof *out->strands, "the bristles", err));
    size_t most = 0;
    for (int i = 0; i < list->count; i++)
        for (int level = 0; level < STRAND_LEVELS; level++) {
            int sections, across;
            count_patches(&f, &list->shapes[i], level, &sections, &across);
            most += (size_t)sections * (size_t)across;
        }
    RF_TRY(rf_alloc_raw(&out->points, most, sizeof *out->points, "the bristles", err));
    for (int i = 0; i < list->count; i++)
        fill_strand(&f, &list->shapes[i], &out->strands[out->count++]);
    qsort(out->strands, (size_t)out->count, sizeof *out->strands, farther_first);
    return RF_OK;
done:
    return status;
}

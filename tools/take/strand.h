/* strand.h - thin parts: a centre line in space, a width along it, a round or a folded section. */
#ifndef TAKE_STRAND_H
#define TAKE_STRAND_H

#include "canopy.h"
#include "light.h"
#include "scene.h"

typedef enum strand_outline {
    OUTLINE_BRISTLE, /* tapers from root to tip */
    OUTLINE_BLADE,   /* leaf: widest at a quarter, drawn out to a fine tip */
    OUTLINE_STALK    /* even, with a capsule at the end */
} strand_outline;

typedef struct strand_shape {
    vec3 line[4]; /* Bezier points: x, y units of the reference view from its centre, z units of depth */
    strand_outline outline;
    float half_width;       /* units, at the widest (a stalk: of the stalk) */
    int round;              /* round section; else a blade folded along its middle */
    vec3 facing;            /* blade: the way its upper side looks */
    float fold;             /* blade: how far the edges rise, as a share of the half width */
    vec3 root, middle, tip; /* pigment along it */
    material skin;          /* albedo unused */
    float streak;           /* contrast of streaks along it */
    uint32_t seed;
    int loose;
} strand_shape;

typedef struct strand_list {
    strand_shape *shapes; /* owned */
    int count, room;
} strand_list;

rf_status strand_list_add(strand_list *list, const strand_shape *shape, rf_error *err) RF_CHECKED;
void strand_list_free(strand_list *list);

/* A point of the centre line, and the half width there, in units; `u` 0 at the root, 1 at the tip. */
vec3 strand_centre(const strand_shape *shape, float u);
vec3 strand_direction(const strand_shape *shape, float u);
float strand_half_width(const strand_shape *shape, float u);

/* The leaf area of every shape into the canopy. */
void strand_list_shade(const strand_list *list, canopy *shade);

/* Every shape as lit patches, sorted far to near. `shade` may be NULL. */
rf_status strand_layer_fill(scene_maker *maker, const strand_list *list, const canopy *shade, strand_layer *out,
                            rf_error *err) RF_CHECKED;

#endif

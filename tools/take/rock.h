/* rock.h - the pebble: a rounded, worn body of mineral grains, crusted with lichen. Lengths in scene units. */
#ifndef TAKE_ROCK_H
#define TAKE_ROCK_H

#include "surface.h"

enum { ROCK_MAX_ROSETTES = 32, ROCK_MAX_SOIL = 8 };

typedef enum rosette_kind { ROSETTE_PLATES, ROSETTE_LOBES, ROSETTE_FILM } rosette_kind;

typedef struct rosette {
    rosette_kind kind;
    float x, y; /* centre, on the unrolled skin of the pebble */
    float radius;
    vec3 pale, deep; /* pigment of rims and of the inner part */
    float cell;      /* size of a plate */
    int lobes;
    uint32_t seed;
} rosette;

typedef struct rock {
    float cx, cy, half_width, half_height, tilt_cos, tilt_sin;
    float rim_depth, bulge; /* depth of the outline, and how far the body stands out of it */
    float rough_octaves, fine_octaves;
    uint32_t seed;
    rosette rosettes[ROCK_MAX_ROSETTES];
    int rosette_count;
    vec3 soil[ROCK_MAX_SOIL]; /* x, y as seen, radius */
    int soil_count;
} rock;

void rock_make(rock *self, const scene_maker *maker);
void rock_add_soil(rock *self, float x, float y, float radius);

/* For surface.at; `rock_of` is a rock. */
void rock_at(const void *rock_of, float x, float y, surface_point *out);

/* Depth and outward normal of the large form (no grain), for what grows on it. */
float rock_depth(const rock *self, float x, float y, vec3 *normal);

/* Lichen at a place of the unrolled skin: its thickness, 0 when bare; fills `skin` when not 0. */
float lichen_at(const rock *self, float x, float y, material *skin);

#endif

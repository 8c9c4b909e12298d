/* surface.h - a height field rendered into a raster layer: shape and pigment from a function, light from light.h. */
#ifndef TAKE_SURFACE_H
#define TAKE_SURFACE_H

#include "canopy.h"
#include "light.h"
#include "scene.h"

typedef struct surface_point {
    float depth;  /* units, away from the camera; defined beyond the outline too */
    float inside; /* distance to the outline, units, positive inside (rough is enough; only its zero matters) */
    material skin;
} surface_point;

typedef struct surface {
    void (*at)(const void *arg, float x, float y, surface_point *out); /* units from the picture centre; thread-safe */
    const void *arg;
    const canopy *shade; /* what stands on it, or NULL */
    float step_cap;      /* largest slope taken for the normal; cuts the black rim of a round body */
} surface;

/* The layer covers pixels x0.., y0.. of the reference view, width by height. */
rf_status surface_render(scene_maker *maker, const surface *body, raster_layer *out, const int place[4],
                         rf_error *err) RF_CHECKED;

/* Octaves of noise from `units` down to two pixels. */
float surface_octaves(const scene_maker *maker, float units);

#endif

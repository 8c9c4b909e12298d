/* scene.h - the subject as layers, ordered far to near.
 *
 * A raster layer is an opaque or cut-out surface on the pixel grid of the reference view, with a depth at every pixel.
 * A strand layer is many thin parts (bristles, leaves), each a cloud of small patches in space, drawn one after
 * another. The backdrop is a soft print far behind, kept coarse. Colour is linear light, 1 = white of the picture. */
#ifndef TAKE_SCENE_H
#define TAKE_SCENE_H

#include <stddef.h>
#include <stdint.h>

#include "numeric.h"
#include "options.h"
#include "rail.h"
#include "railfold/pool.h"

/* Stored colour 65535 stands for this much linear light; glints go beyond white. */
#define LAYER_WHITE 4.0f

/* From line to line of the grid scene, units of the focus plane. */
#define GRID_PITCH_UNITS 40.0f

typedef struct raster_layer {
    int x0, y0, width, height; /* its place in the reference view; reaches beyond the picture's edges */
    uint16_t *rgba;            /* owned; premultiplied colour in units of LAYER_WHITE / 65535; alpha 65535 = opaque */
    float *depth;              /* owned; steps; continued smoothly where alpha is 0 */
} raster_layer;

/* A small patch. x, y in pixels of the focus plane from the optical axis; z in steps. */
typedef struct strand_point {
    float x, y, z;
    uint16_t r, g, b; /* as above, not premultiplied */
    uint16_t area;    /* 1/65535 of its level's largest patch */
} strand_point;

/* Each strand is kept at three densities: for blur that needs the fine one less is enough. */
enum { STRAND_LEVELS = 3 };

typedef struct strand {
    size_t first[STRAND_LEVELS];
    int count[STRAND_LEVELS];
    float low_x, high_x, low_y, high_y, low_z, high_z; /* box of its points */
    float sort_z;                                      /* drawn in falling order */
    int loose;                                         /* takes part in FAULT_MOVED */
} strand;

typedef struct strand_layer {
    strand *strands; /* owned */
    int count;
    strand_point *points; /* owned */
    size_t point_count;
    float spacing_px; /* of the finest level; doubled twice */
} strand_layer;

typedef struct backdrop {
    int reduce, width, height, margin; /* coarse pixels, margin on each side included in width and height */
    float *rgb;                        /* owned */
    float depth;                       /* steps */
} backdrop;

typedef enum layer_kind { LAYER_RASTER, LAYER_STRANDS } layer_kind;

typedef struct layer {
    layer_kind kind;
    raster_layer raster;
    strand_layer strands;
} layer;

enum { SCENE_MAX_LAYERS = 12 };

typedef struct scene {
    backdrop back;
    layer layers[SCENE_MAX_LAYERS]; /* far to near */
    int count;
    double unit_px;    /* scene unit: 1/800 of the picture's height */
    double unit_steps; /* depth of one unit */
} scene;

/* What scene makers share. */
typedef struct scene_maker {
    const take_options *options;
    const rail *plan;
    rf_pool *pool;
    scene *out;
    double unit_px;
    double depth_units; /* how deep the subject is, units; fixes unit_steps */
    double unit_steps;
    uint32_t seed;
} scene_maker;

rf_status scene_make(scene *out, const take_options *options, const rail *plan, rf_pool *pool,
                     rf_error *err) RF_CHECKED;
void scene_free(scene *out);

/* Depth in units (0 = nearest of the subject) -> steps. */
static inline float scene_steps(const scene_maker *maker, float depth_units)
{
    return (float)(maker->plan->subject_begin + maker->unit_steps * depth_units);
}

/* Sets the depth range and the backdrop; each scene calls it first. */
void scene_set_depth(scene_maker *maker, double depth_units);

/* Pixels a layer must reach beyond the reference view, so that no frame sees its end, not even in its blur. */
int scene_margin(const scene_maker *maker);

/* The next free layer. */
layer *scene_add_layer(scene_maker *maker, layer_kind kind);

rf_status scene_pebble(scene_maker *maker, rf_error *err) RF_CHECKED;
rf_status scene_plane(scene_maker *maker, rf_error *err) RF_CHECKED;
rf_status scene_stairs(scene_maker *maker, rf_error *err) RF_CHECKED;
rf_status scene_grid(scene_maker *maker, rf_error *err) RF_CHECKED;
rf_status scene_bristles(scene_maker *maker, rf_error *err) RF_CHECKED;
rf_status scene_dome(scene_maker *maker, rf_error *err) RF_CHECKED;

/* A print far behind; `depth_steps` where it stands. Bands of warm to cool with soft spots. */
rf_status backdrop_make(scene_maker *maker, float depth_steps, rf_error *err) RF_CHECKED;

#endif

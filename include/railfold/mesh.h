/* mesh.h - a surface, or a cloud of points, in millimetres.
 *
 * Axes: x right, y up, z towards the camera; the origin is the map's top left pixel at depth 0. Triangles run
 * counter-clockwise seen from the camera. */
#ifndef RF_MESH_H
#define RF_MESH_H

#include <stddef.h>
#include <stdint.h>

typedef struct rf_mesh {
    size_t points, triangles;
    float (*position)[3];   /* mm */
    float (*texture)[2];    /* 0..1 over the map's picture, from its lower left */
    uint8_t (*colour)[3];   /* or NULL */
    float *confidence;      /* 0..1, or NULL */
    uint32_t (*corners)[3]; /* point numbers; NULL for a cloud */
} rf_mesh;

void rf_mesh_free(rf_mesh *mesh); /* everything is from rf_alloc */

#endif

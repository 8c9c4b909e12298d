/* canopy.h - how much the bristles shade one another and the ground: leaf area in coarse boxes of space, and the share
 * of light that gets through them along a line (Beer's law). All lengths in scene units. */
#ifndef TAKE_CANOPY_H
#define TAKE_CANOPY_H

#include "numeric.h"
#include "railfold/status.h"

enum { CANOPY_BOX_UNITS = 5 };

typedef struct canopy {
    int nx, ny, nz;
    float x0, y0, z0;
    float *area; /* owned; leaf area over box face area */
} canopy;

rf_status canopy_make(canopy *self, vec3 low, vec3 high, rf_error *err) RF_CHECKED;
void canopy_free(canopy *self);
void canopy_add(canopy *self, vec3 at, float area);

/* 0..1 gets through from `at` towards `direction`; the first `skip` units do not count. */
float canopy_through(const canopy *self, vec3 at, vec3 direction, float skip, float reach);

/* Share of the room seen: mean of a few directions. */
float canopy_room(const canopy *self, vec3 at);

#endif

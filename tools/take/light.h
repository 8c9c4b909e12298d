/* light.h - the lamps on the desk: a warm key lamp with a diffuser from the upper left, a weak cool fill from the
 * right, and the room. Directions in scene axes: x right, y down, z away from the camera. */
#ifndef TAKE_LIGHT_H
#define TAKE_LIGHT_H

#include "numeric.h"

typedef struct material {
    vec3 albedo;       /* linear, 0..1 */
    float gloss;       /* strength of the highlight, 0..1 */
    float shine;       /* its exponent */
    float translucent; /* share of light let through from behind */
} material;

vec3 light_key_direction(void); /* unit, towards the lamp */

/* Light sent to the camera. `normal` unit, turned to the camera; `key` 0..1 of the lamp is seen from there, `room` 0..1
 * of the surroundings. */
vec3 light_shade(const material *surface, vec3 normal, float key, float room);

#endif

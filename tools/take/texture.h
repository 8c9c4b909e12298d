/* texture.h - procedural patterns on the plane: gradient noise, its fractal sum, and cells (Worley).
 *
 * Sources: K. Perlin, "Improving noise", SIGGRAPH 2002 (gradient noise, quintic fade); S. Worley, "A cellular texture
 * basis function", SIGGRAPH 1996 (nearest and second nearest feature point). Both from memory of the papers. */
#ifndef TAKE_TEXTURE_H
#define TAKE_TEXTURE_H

#include <stdint.h>

/* About -1..1, mean 0, one feature a unit of x. */
float take_noise(float x, float y, uint32_t seed);

/* Sum of octaves: frequency doubled, amplitude times `gain` each; about -1..1. A fractional octave fades in, so that a
 * picture of another size has the same large forms. */
float take_fractal(float x, float y, float octaves, float gain, uint32_t seed);

typedef struct take_cell {
    float nearest, second; /* distances to the nearest and second nearest feature point, in cells */
    float border;          /* distance to the border with the second cell, in cells */
    float to_x, to_y;      /* from the feature point to (x, y) */
    float at_x, at_y;      /* the feature point */
    uint32_t id;           /* random number of the cell */
} take_cell;

/* Feature points jittered by 0..1 of a cell. `period_x` > 0 repeats the pattern after so many cells. */
take_cell take_cells(float x, float y, float jitter, int period_x, uint32_t seed);

/* 0..1 from a cell's number; `which` gives independent values. */
float take_cell_value(uint32_t id, uint32_t which);

#endif

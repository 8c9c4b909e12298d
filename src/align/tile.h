/* tile.h - what one tile of two frames says about the shift left between them. */
#ifndef RF_ALIGN_TILE_H
#define RF_ALIGN_TILE_H

#include "levels.h"

/* A similarity about the picture's centre, from pixels of frame i to pixels of frame j, in one level's pixels:
 * xj = c + shift + [a -b; b a] (xi - c). */
typedef struct rf_motion {
    double a, b, shift_x, shift_y;
} rf_motion;

typedef struct rf_tile {
    float weight;      /* joint sharpness, 0 = not looked at */
    double x, y;       /* centre of the tile from the picture's centre, pixels of the level */
    double xx, xy, yy; /* information on the shift left, gain and blur difference eliminated */
    double bx, by;     /* information times shift */
    double blur[3];    /* difference of blur: blur[0] + blur[1] u + blur[2] v, as half the variance's, pixels^2 */
    double error;      /* against the last fit, pixels (fit.c) */
    double common, differing; /* sums of squares of the mean and of the difference of the two bands */
} rf_tile;

/* The widest scale (as a fraction of 1) and rotation (rad) a tile can be read with. */
#define RF_TILE_MAX_TURN 0.05

/* Fills tile (tile_x, tile_y) of frame i; its weight turns 0 when frame j does not cover it. */
void rf_tile_compare(rf_tile *tile, const rf_level *level_i, const rf_level *level_j, const rf_motion *motion,
                     double centre_x, double centre_y, int tile_x, int tile_y);

#endif

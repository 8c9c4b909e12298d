/* fit.h - the similarity that most tiles of a pair agree on. */
#ifndef RF_ALIGN_FIT_H
#define RF_ALIGN_FIT_H

#include "tile.h"

#define RF_TUKEY 4.685 /* Tukey's biweight is 95 % efficient on Gaussian errors at this many deviations */

typedef struct rf_fit {
    double step[4];      /* shift x, y, and scale, turn times lever: what is left of the motion, pixels */
    double matrix[4][4]; /* information on it per unit variance of a tile */
    double sigma;        /* of a tile, robust, pixels */
    double inlier_share; /* of the weight */
    int inliers;         /* tiles */
} rf_fit;

/* `lever`: half the level's diagonal, pixels. `stiff`: weight of no further scale and turn, as a share of all tiles'.
 * `sort`: room for two numbers a tile. 0 when there is no tile or they leave the motion open. */
int rf_fit_tiles(rf_fit *fit, rf_tile *tiles, int count, double lever, double stiff, float *sort);

/* Shift a tile still shows against a step, along its well-determined direction, pixels. */
double rf_tile_error(const rf_tile *tile, const double step[4], double lever);

/* Mean information of a tile over both directions. */
double rf_tile_strength(const rf_tile *tile);

/* Of n (value, weight) pairs, none of them NaN, which change places on the way: the least value at which the weights up
 * to it reach half of all; 0 when n is 0. */
float rf_weighted_median(float *pairs, int n);

#endif

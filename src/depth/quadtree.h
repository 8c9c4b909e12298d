/* quadtree.h - squares that follow the surface (private to the depth module). */
#ifndef RF_QUADTREE_H
#define RF_QUADTREE_H

#include "railfold/depth_map.h"

enum { RF_QUAD_LEVELS = 11 }; /* squares of 1 to 1024 pixels */

/* Squares of level l lie at multiples of 2^l and span 2^l pixels. `error[l]`: the largest departure of any pixel in the
 * square (borders included) from the plane-ruled surface through its corners; INFINITY where it may not be one piece: a
 * depth edge or an unsure pixel inside, or reaching beyond the map. */
typedef struct rf_quadtree {
    const rf_depth_map *map;
    int columns[RF_QUAD_LEVELS], rows[RF_QUAD_LEVELS];
    float *error[RF_QUAD_LEVELS];
    uint8_t *split[RF_QUAD_LEVELS]; /* 1: halved */
    int smallest;                   /* level at which halving ends */
} rf_quadtree;

rf_status rf_quadtree_create(rf_quadtree *tree, const rf_depth_map *map, rf_error *err) RF_CHECKED;
void rf_quadtree_free(rf_quadtree *tree);

/* Settles which squares are halved: those of an error above `tolerance` down to level `smallest`, then as many more as
 * make neighbours differ by one level at most. */
void rf_quadtree_settle(rf_quadtree *tree, float tolerance, int smallest);

/* Whether (column, row) of `level` is a leaf that is drawn. */
int rf_quadtree_is_leaf(const rf_quadtree *tree, int level, int column, int row);

/* Whether the square beyond the map's or the tree's end or (column, row) of `level` is halved. */
int rf_quadtree_is_split(const rf_quadtree *tree, int level, int column, int row);

/* Whether a leaf fits the surface and may be drawn. */
int rf_quadtree_is_whole(const rf_quadtree *tree, int level, int column, int row);

#endif

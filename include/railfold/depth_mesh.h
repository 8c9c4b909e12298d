/* depth_mesh.h - the depth map as a surface of triangles or as points, thinned where it is smooth.
 *
 * The map is cut into squares, halved until each either follows the surface within a tolerance or is as small as
 * allowed; a square next to smaller ones takes their corners in, so that nothing gapes. A smallest square that holds a
 * depth edge, an unknown or an unsure pixel is left open: surfaces that lie behind one another are never joined.
 * (Quadtree after Von Herzen and Barr, Computer Graphics 21, 1987: neighbours differ by one halving at most.) */
#ifndef RF_DEPTH_MESH_H
#define RF_DEPTH_MESH_H

#include "railfold/depth_map.h"
#include "railfold/mesh.h"

/* `picture`: RF_U8 with three channels, the size of the map, or NULL: colours of the points. `most_points`: 0 = every
 * pixel. The tolerance, and where need be the smallest square, is chosen so that no more than `most_points` result and
 * as many as can be of these. RF_ERR_USAGE when step or pixel are unknown or fewer than 4 points are allowed;
 * RF_ERR_INPUT when no square is left; RF_ERR_MEMORY. *mesh must be zero. */
rf_status rf_depth_mesh_build(const rf_depth_map *map, const rf_image *picture, size_t most_points, rf_mesh *mesh,
                              rf_error *err) RF_CHECKED;

/* Sure pixels as points, without triangles: all, or those on the finest regular grid that keeps to `most_points`. */
rf_status rf_depth_cloud_build(const rf_depth_map *map, const rf_image *picture, size_t most_points, rf_mesh *cloud,
                               rf_error *err) RF_CHECKED;

#endif

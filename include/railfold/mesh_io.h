/* mesh_io.h - surfaces and point clouds as files, into a batch of outputs. */
#ifndef RF_MESH_IO_H
#define RF_MESH_IO_H

#include "railfold/frame_io.h"
#include "railfold/mesh.h"
#include "railfold/status.h"

/* PLY, binary, little endian (Turk, "The PLY polygon file format", 1994): x y z as float, in mm; red green blue as
 * uchar and confidence as float where there are any; faces as lists of int. RF_ERR_OUTPUT, RF_ERR_MEMORY. */
rf_status rf_mesh_write_ply(rf_batch *batch, const char *path, const rf_mesh *mesh, int force,
                            rf_error *err) RF_CHECKED;

/* Wavefront OBJ, text: v, vt, f. `material` names the .mtl file beside it, or NULL. */
rf_status rf_mesh_write_obj(rf_batch *batch, const char *path, const rf_mesh *mesh, const char *material, int force,
                            rf_error *err) RF_CHECKED;

/* Its material: matt, covered with the picture `texture` beside it. */
rf_status rf_mesh_write_mtl(rf_batch *batch, const char *path, const char *texture, int force,
                            rf_error *err) RF_CHECKED;

/* One point a line: x y z in mm, then red green blue (0..255) where there are any. */
rf_status rf_mesh_write_xyz(rf_batch *batch, const char *path, const rf_mesh *mesh, int force,
                            rf_error *err) RF_CHECKED;

#endif

/* warp_tile.h - one tile of a frame seen through a nearly upright pose (private to the align module). */
#ifndef RF_WARP_TILE_H
#define RF_WARP_TILE_H

#include "railfold/source.h"

/* The most a tile holds, and the poses it is made for: what a tile needs of the frame fits its tables. */
enum { RF_WARP_TILE_COLUMNS = RF_PIECE_COLUMNS, RF_WARP_TILE_ROWS = 64 };
#define RF_WARP_MAX_STRETCH 0.25
#define RF_WARP_MAX_TURN 0.05

/* `piece` no larger than a tile; `covered`: its spans in output columns, one a row of the piece. */
void rf_warp_tile(const rf_image *frame, const rf_pose *pose, rf_piece piece, const int (*covered)[2],
                  rf_piece_kind kind, float *out, size_t stride_floats);

#endif

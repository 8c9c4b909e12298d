/* apart.h - how far a pixel is from what does not blur with its own surface (private to the merge module). */
#ifndef RF_MERGE_APART_H
#define RF_MERGE_APART_H

#include "railfold/image.h"
#include "railfold/pool.h"

/* `cone` (RF_F32, a cell for every 2 x 2 pixels): the focus position from which on a depth edge or a clipped highlight
 * may be seen through its blur at the cell; frames focused nearer than that show the cell's own surface alone. The
 * smallest of (depth of the edge's near side + distance / blur), a distance transform (Borgefors, CVGIP 34, 1986).
 * `picture`: coded, near parts in focus; `depth` grows away from the camera. */
void rf_apart_cone(const rf_image *picture, const rf_image *depth, float blur_px_per_step, rf_image *cone,
                   rf_pool *pool);

#endif

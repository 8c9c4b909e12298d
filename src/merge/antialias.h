/* antialias.h - pixels across an outline show both surfaces (private to the merge module).
 *
 * Every pixel takes its colour from one surface; a pixel of a camera, under an outline, holds a part of both. So each
 * pixel at a depth edge gets back what its eight neighbours on the other surface would spill into it through a pixel's
 * own footprint, a Gaussian of FOOTPRINT_PX; of its own surface it keeps its own value, so nothing else is smoothed.
 * Coverage by prefiltering: Crow, Commun. ACM 20 (1977) 799; a Gaussian footprint: Gupta & Sproull, Comput. Graph. 15
 * (1981) 1. */
#ifndef RF_ANTIALIAS_H
#define RF_ANTIALIAS_H

#include "railfold/image.h"
#include "railfold/pool.h"

/* `picture`: RF_F32, coded 0..1, one or three channels; changed in place. `depth`: RF_F32, frame positions. `weight`:
 * RF_F32, 0 where no frame covers the pixel: such pixels neither give nor take. All of one size. `mixed` (RF_U16, the
 * channels of `picture`) and `marks` (RF_U8) are room; what they hold is lost. */
void rf_antialias_edges(rf_image *picture, const rf_image *depth, const rf_image *weight, rf_image *mixed,
                        rf_image *marks, rf_pool *pool);

#endif

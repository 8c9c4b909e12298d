/* width.h - the focus range a pixel takes frames from (private to the merge module). */
#ifndef RF_WIDTH_H
#define RF_WIDTH_H

#include "railfold/merge.h"

enum { RF_WIDTH_BANDS = 5 };
#define RF_WIDTH_UNIT 32.0f /* stored value = width in steps * RF_WIDTH_UNIT */
#define RF_WIDTH_MIN 0.35f  /* below this only the nearest frame counts anyway */
#define RF_WIDTH_MAX 4.0f   /* flat ground: about ten frames take part */

/* `out`: RF_U8, the size of `picture` (RF_F32 coded) and `depth` (RF_F32, frame positions). `noise`: standard deviation
 * of one frame, coded. */
rf_status rf_width_map(const rf_image *picture, const rf_image *depth, float blur_px_per_step, float noise,
                       rf_image *out, rf_pool *pool, rf_error *err) RF_CHECKED;

#endif

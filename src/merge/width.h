/* width.h - the focus range a pixel takes frames from (private to the merge module). */
#ifndef RF_WIDTH_H
#define RF_WIDTH_H

#include "kernel.h"
#include "railfold/merge.h"

enum { RF_WIDTH_BANDS = 5 };

/* `out`: RF_U8, kernels (kernel.h), the size of `picture` (RF_F32 coded) and `depth` (RF_F32, frame positions).
 */
rf_status rf_width_map(const rf_image *picture, const rf_image *depth, const rf_merge_settings *settings, rf_image *out,
                       rf_pool *pool, rf_error *err) RF_CHECKED;

#endif

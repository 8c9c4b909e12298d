/* warp.h - placeholder until the align branch lands */
#ifndef RF_WARP_H
#define RF_WARP_H
#include "railfold/image.h"
#include "railfold/pose.h"
#include "railfold/merge.h"
rf_status rf_warp_frame(const rf_image *frame, const rf_pose *pose, rf_image *out, rf_span *spans, rf_pool *pool, rf_error *err) RF_CHECKED;
#endif

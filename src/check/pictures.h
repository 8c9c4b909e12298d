/* pictures.h - frames kept small for the page of a check (private to the check). */
#ifndef RF_CHECK_PICTURES_H
#define RF_CHECK_PICTURES_H

#include "railfold/check.h"
#include "railfold/image.h"

/* Frame k of the take, when it is one of those the page shows. */
rf_status rf_check_picture_keep(rf_check_result *result, int k, const rf_image *luma, rf_error *err) RF_CHECKED;

#endif

/* check_view.h - what `railfold check` shows, and its watch over a folder. */
#ifndef RF_CHECK_VIEW_H
#define RF_CHECK_VIEW_H

#include "railfold/check.h"
#include "cli/frames.h"

/* The verdict line, the findings, one row a frame; all to stdout. */
void rf_check_view_print(const rf_check_result *result);

/* Checks the newest frames of `folder` again whenever files arrive, until Ctrl-C; tells each finding once. */
rf_status rf_check_watch(const char *folder, const rf_frame_options *frames, const rf_check_options *options,
                         rf_error *err) RF_CHECKED;

#endif

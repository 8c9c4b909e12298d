/* lengths.h - rail step and pixel size out of a report. */
#ifndef RF_LENGTHS_H
#define RF_LENGTHS_H

#include "railfold/status.h"

/* From what `railfold plan --report` wrote; 0 for what it does not tell. RF_ERR_INPUT when it tells neither, is no
 * report or cannot be read. */
rf_status rf_lengths_of_report(const char *path, double *step_mm, double *pixel_mm, rf_error *err) RF_CHECKED;

#endif

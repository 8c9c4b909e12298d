/* progress.h - how far the work is. On a terminal one line is rewritten, at most six times a second; elsewhere each
 * stage leaves one line when it is done. */
#ifndef RF_PROGRESS_H
#define RF_PROGRESS_H

#include <stdio.h>

#include "cli/options.h"

typedef struct rf_progress {
    FILE *out;
    int live, silent;
    double (*now_s)(void); /* a steady clock; tests bring their own */
    char stage[32];
    int done, total;
    double stage_start_s, drawn_s;
    int drawn_columns; /* of the line that stands on the terminal */
} rf_progress;

/* `quiet` wins over `when`. The stream is borrowed. */
void rf_progress_init(rf_progress *progress, FILE *out, rf_progress_when when, int quiet);

/* An rf_progress_fn: `progress` is the struct above. Nonzero when the user asked to stop. */
int rf_progress_step(void *progress, const char *stage, int done, int total);

/* Leaves the terminal with a clean line. To be called once, after the last step and before anything else is said. */
void rf_progress_end(rf_progress *progress);

#endif

/* reading.h - the frames of a check, each decoded once where that will do, two at a time beside the work on others. */
#ifndef RF_CHECK_READING_H
#define RF_CHECK_READING_H

#include "check/look.h"

/* What is wanted of a frame. */
enum {
    RF_SEE_WHOLE = 1,
    RF_SEE_CELLS = 2,
    RF_SEE_LUMA = 4,
    RF_SEE_PLANE = 8 /* alone: its luma in place of the whole */
};

typedef struct rf_visit {
    const char *stage; /* of the progress; NULL: none is told */
    const int *frames; /* which, in rising order */
    int count;
    int (*wanted)(const rf_look *look, int k); /* RF_SEE_...; 0: nothing is read */
    /* `seen` is NULL for a frame that is not used or cannot be read. */
    rf_status (*fn)(rf_look *look, int k, rf_seen *seen, void *arg, rf_error *err);
    void *arg;
} rf_visit;

/* Frames that cannot be read become findings. */
rf_status rf_look_visit(rf_look *look, const rf_visit *visit, rf_error *err) RF_CHECKED;

#endif

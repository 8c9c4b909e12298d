/* sequence.h - which files are the frames of a take, and in which order. */
#ifndef RF_SEQUENCE_H
#define RF_SEQUENCE_H

#include <stddef.h>

#include "railfold/status.h"

typedef enum rf_order { RF_ORDER_NAME, RF_ORDER_TIME } rf_order;

typedef struct rf_left_out {
    char *path;      /* owned */
    const char *why; /* static text: "hidden", "not a picture", "camera raw file", "an output of railfold", ... */
} rf_left_out;

typedef struct rf_sequence {
    char **paths; /* owned, in take order */
    int count;
    rf_left_out *left_out; /* owned: what lay in the folder but is no frame */
    int left_out_count;
    int listed; /* a folder was seen to its end, also when no frame was in it */
} rf_sequence;

void rf_sequence_init(rf_sequence *sequence);
void rf_sequence_free(rf_sequence *sequence);

/* One folder: its frames by content, in natural order (f2 before f10). Hidden files, other file types, camera raw files
 * and railfold's own outputs are left out and named. RF_ERR_INPUT when no frame is found. */
rf_status rf_sequence_from_folder(rf_sequence *sequence, const char *folder, rf_error *err) RF_CHECKED;

/* Files in the order given (no sorting); each must exist. */
rf_status rf_sequence_from_paths(rf_sequence *sequence, const char *const *paths, int count, rf_error *err) RF_CHECKED;

/* A list's text: one path a line ("\n" or "\r\n"), or NUL-separated; blank lines are passed over; relative paths are
 * kept as they are. `name` is for messages. */
rf_status rf_sequence_from_list(rf_sequence *sequence, const char *text, size_t bytes, int nul_separated,
                                const char *name, rf_error *err) RF_CHECKED;

/* Re-orders: by name (natural order of the whole path) or by EXIF capture time (RF_ERR_INPUT naming the first frame
 * without one; equal times keep natural order). */
rf_status rf_sequence_sort(rf_sequence *sequence, rf_order order, rf_error *err) RF_CHECKED;
void rf_sequence_reverse(rf_sequence *sequence);

/* Natural comparison: digit runs by value, the rest by byte. <0, 0, >0. */
int rf_natural_compare(const char *a, const char *b);

#endif

/* sequence_list.h - growing the two lists of an rf_sequence. */
#ifndef RF_SEQUENCE_LIST_H
#define RF_SEQUENCE_LIST_H

#include "railfold/sequence.h"

/* A NUL-terminated copy of `bytes` bytes, from rf_alloc. */
rf_status rf_sequence_copy_text(char **out, const char *text, size_t bytes, rf_error *err) RF_CHECKED;

/* Appends `path`, which the sequence owns from now on, also on failure. */
rf_status rf_sequence_append(rf_sequence *sequence, char *path, rf_error *err) RF_CHECKED;
rf_status rf_sequence_leave_out(rf_sequence *sequence, char *path, const char *why, rf_error *err) RF_CHECKED;

/* Whether the name ends like the file of a camera's unprocessed sensor data, or like a format railfold reads. */
int rf_sequence_is_raw_name(const char *path);
int rf_sequence_is_picture_name(const char *path);

#endif

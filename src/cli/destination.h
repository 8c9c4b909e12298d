/* destination.h - where results go, looked at before any work is done. */
#ifndef RF_DESTINATION_H
#define RF_DESTINATION_H

#include "railfold/status.h"

typedef struct rf_destination {
    const char *option;  /* "--depth", for messages */
    const char *path;    /* NULL: not wanted */
    const char *endings; /* "tif|tiff|png"; NULL: any name, and "-" is standard output */
} rf_destination;

/* RF_ERR_USAGE for an ending that stands for no format; RF_ERR_OUTPUT for an output that exists while `force` is 0, is
 * also an input (the same file by whatever name), is named twice, is no regular file, or whose folder is missing or
 * closed. */
rf_status rf_destinations_check_names(const rf_destination *list, int count, rf_error *err) RF_CHECKED;

/* RF_ERR_OUTPUT for an output that exists while `force` is 0, is also an input (the same file by whatever name), is
 * named twice, is no regular file, or whose folder is missing or closed. */
rf_status rf_destinations_check(const rf_destination *list, int count, const char *const *inputs, int input_count,
                                int force, rf_error *err) RF_CHECKED;

/* "FOLDER-merged.tif" beside the folder, with ending `tail`; "." and ".." go by their real name. *path from rf_alloc.
 * RF_ERR_USAGE when the folder has no name (the root). */
rf_status rf_destination_beside(char **path, const char *folder, const char *tail, rf_error *err) RF_CHECKED;

#endif

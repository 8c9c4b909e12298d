/* takes.h - a card full of frames, split into takes.
 *
 * Frames are looked at in the order of capture time (where all have one; else as given). A new take begins where the
 * time to the frame before is longer than the gap, where the camera's settings, the frame's size or the camera itself
 * change, or where the picture jumps: thumbnails of 48 pixels along the longer side, laid over each other within 3
 * pixels either way, correlate by less than 0.75. Neighbouring frames of a take, focused a step apart, correlate by
 * 0.97 and more. */
#ifndef RF_TAKES_H
#define RF_TAKES_H

#include <stddef.h>
#include <stdint.h>

#include "railfold/status.h"

typedef enum rf_takes_reason {
    RF_TAKES_FIRST,
    RF_TAKES_TIME,
    RF_TAKES_SETTINGS,
    RF_TAKES_SIZE,
    RF_TAKES_PICTURE
} rf_takes_reason;

typedef struct rf_takes_options {
    const char *const *paths; /* borrowed */
    int count;
    double gap_s;       /* 0: 30 s or four times the usual interval, whichever is longer */
    int64_t max_pixels; /* of a frame; 0 = RF_MAX_PIXELS. A larger one cannot be read */
    int no_look;        /* 1: by time, settings and size alone; pictures are not decoded */
    int (*progress)(void *arg, const char *stage, int done, int total); /* may be NULL; nonzero stops */
    void *progress_arg;
} rf_takes_options;

typedef struct rf_takes_frame {
    char *path;              /* owned */
    int64_t capture_time_ms; /* INT64_MIN = unknown; that of a neighbour where the frame cannot be read */
    double exposure_s, f_number, iso, focal_length_mm; /* EXIF; 0 = unknown */
    int width, height;                                 /* 0: cannot be read */
    double likeness; /* of its thumbnail to that of the frame before, -1..1; 2 = not looked at */
} rf_takes_frame;

typedef struct rf_take_group {
    int first, count;       /* into frames */
    rf_takes_reason reason; /* why it begins */
    double after_s;         /* time since the frame before; 0 = unknown */
} rf_take_group;

typedef struct rf_takes {
    rf_takes_frame *frames; /* owned, in the order used */
    int frame_count;
    rf_take_group *groups; /* owned */
    int group_count;
    double gap_s;         /* as used */
    int unreadable_count; /* frames that cannot be read */
    rf_error unreadable;  /* what is wrong with the first of them */
} rf_takes;

void rf_takes_init(rf_takes *takes);
void rf_takes_free(rf_takes *takes);

/* `takes` initialised. A frame that cannot be read stays with the frames around it, and is counted. RF_ERR_STOPPED,
 * RF_ERR_MEMORY. */
rf_status rf_takes_split(const rf_takes_options *options, rf_takes *takes, rf_error *err) RF_CHECKED;

const char *rf_takes_reason_name(rf_takes_reason reason); /* "first", "time", "settings", "size", "picture" */

/* JSON (docs/post-shoot.md lists the fields); *text from rf_alloc. */
rf_status rf_takes_json(const rf_takes *takes, char **text, size_t *bytes, rf_error *err) RF_CHECKED;

#endif

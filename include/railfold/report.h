/* report.h - what a run has to say: filled by the stack driver, written as JSON (one UTF-8 object) or told by the CLI.
 */
#ifndef RF_REPORT_H
#define RF_REPORT_H

#include <stddef.h>

#include "railfold/digest.h"
#include "railfold/pose.h"
#include "railfold/status.h"

enum { RF_REASON_BYTES = 256, RF_WARNING_BYTES = 320, RF_REPORT_OUTPUTS_MOST = 6 };

typedef struct rf_frame_report {
    char *file; /* owned, as given */
    int used;
    char reason[RF_REASON_BYTES];  /* why not used; empty when used */
    rf_pose pose;                  /* output pixel -> frame pixel */
    double shift_x_px, shift_y_px; /* of the picture centre */
    double scale, rotation_deg;
    double gain[3];
    double sharp_fraction;             /* share of the picture that is sharpest in this frame, 0..1 */
    char sha256[RF_SHA256_TEXT_BYTES]; /* of the file's bytes; empty: not asked for, or not read */
    char **warnings;                   /* owned list */
    int warning_count;
} rf_frame_report;

typedef struct rf_output_report {
    const char *kind; /* "picture", "depth", "confidence", "sigma", "depth_view" or "page" */
    char *file;       /* owned, as given */
    char sha256[RF_SHA256_TEXT_BYTES];
} rf_output_report;

typedef struct rf_run_report {
    const char *command; /* "merge" */
    char *output;        /* owned; may be NULL */
    int width, height, channels;
    int reference;           /* take order, from 0 */
    const char *view;        /* "perspective" or "parallel" */
    double step_mm;          /* 0 = unknown -> null */
    double pixel_mm;         /* 0 = unknown -> null */
    rf_frame_report *frames; /* owned */
    int frame_count;
    int covered[4];         /* x, y, width, height seen by every used frame; width 0 when there is none */
    const char *depth_unit; /* "frame" or "mm"; NULL when no depth was made */
    double depth_min, depth_max;
    int depth_direction;           /* 1: depth grows away from the camera, -1: towards it, 0: not known */
    double working_distance_steps; /* entrance pupil to focus plane in rail steps, from the scale per step; 0 unknown */
    double scale_per_step;         /* 1 = none */
    double blur_px_per_step;       /* defocus disc radius gained per step; 0 unknown */
    int hot_pixels, dust_spots;    /* sensor faults repaired */
    rf_output_report outputs[RF_REPORT_OUTPUTS_MOST]; /* when digests were asked for */
    int output_count;
    char **warnings; /* owned list */
    int warning_count;
    double seconds_align, seconds_depth, seconds_merge, seconds_write, seconds_total;
    size_t peak_memory_bytes;
    int threads;
} rf_run_report;

void rf_run_report_init(rf_run_report *report);
void rf_run_report_free(rf_run_report *report);

/* Adds one sentence to the run's (or frame's) warnings. */
rf_status rf_run_report_warn(rf_run_report *report, rf_error *err, const char *format, ...) RF_CHECKED RF_PRINTF(3, 4);
rf_status rf_frame_report_warn(rf_frame_report *frame, rf_error *err, const char *format, ...) RF_CHECKED
    RF_PRINTF(3, 4);

/* The JSON text, format 1 (field list in DEVELOPERS.md); *text from rf_alloc, NUL-terminated, *bytes without the NUL.
 * Bytes of file names that are not valid UTF-8 are written as U+FFFD; numbers that are not finite as null. */
rf_status rf_run_report_json(const rf_run_report *report, char **text, size_t *bytes, rf_error *err) RF_CHECKED;

#endif

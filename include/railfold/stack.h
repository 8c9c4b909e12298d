/* stack.h - the driver: the only module that knows the order of the stages.
 *
 *   sequence -> sensor faults -> [pass 1] align -> [pass 2] sharpness, depth -> [pass 3] merge -> write
 *
 * Memory does not grow with the number of frames; rf_stack_memory_bytes says what a run will hold. */
#ifndef RF_STACK_H
#define RF_STACK_H

#include <stddef.h>
#include <stdint.h>

#include "railfold/frame_io.h"
#include "railfold/report.h"
#include "railfold/status.h"

typedef enum rf_view { RF_VIEW_PERSPECTIVE, RF_VIEW_PARALLEL } rf_view;

enum { RF_REFERENCE_MIDDLE = -1, RF_REFERENCE_FIRST = -2, RF_REFERENCE_LAST = -3 }; /* or a frame number from 0 */

/* Called as work goes on: stage is "sensor", "align", "depth", "merge" or "write"; done of total steps of that stage.
 * Returns nonzero to stop the run (RF_ERR_STOPPED). */
typedef int (*rf_progress_fn)(void *arg, const char *stage, int done, int total);

typedef struct rf_merge_options {
    const char *const *frames; /* paths in take order; borrowed */
    int frame_count;
    const char *output;             /* picture; required */
    const char *depth, *confidence; /* maps, or NULL */
    const char *sigma;              /* map of the standard deviation of depth, or NULL */
    const char *depth_view;         /* coloured picture of the depth map (.png), or NULL */
    const char *page;               /* HTML page of the run, or NULL */
    int reference;                  /* RF_REFERENCE_... or a frame number */
    double step_mm;                 /* 0 = unknown: depth in frame positions */
    double pixel_mm;                /* 0 = unknown */
    rf_view view;
    int no_align, no_gain, no_repair, skip_bad, force;
    int digests;         /* the report is to say the SHA-256 of every used frame and of every output */
    rf_batch *batch;     /* outputs are left in it, finished, for the caller to name; NULL: they get their names here */
    int threads;         /* 0 = one per processor */
    int64_t max_pixels;  /* of a frame; 0 = RF_MAX_PIXELS */
    size_t memory_bytes; /* 0 = no limit; else respected or refused before work starts */
    rf_progress_fn progress; /* may be NULL */
    void *progress_arg;
} rf_merge_options;

rf_merge_options rf_merge_options_default(void);

/* Bytes a run holds at the most: what --memory is compared with. The frame count adds a few bytes a frame, no picture.
 */
size_t rf_stack_memory_bytes(int width, int height, int channels, int sample_bytes, int frame_count, int threads,
                             rf_view view);

/* Merges. `report` must be initialised; it is filled as far as the run got, also on failure. No output is left behind,
 * and none replaced, unless RF_OK. */
rf_status rf_stack_merge(const rf_merge_options *options, rf_run_report *report, rf_error *err) RF_CHECKED;

#endif

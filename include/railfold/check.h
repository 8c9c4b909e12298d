/* check.h - is the take good? Frames are read at reduced size and looked at for what would spoil the merge.
 *
 * Two passes over the frames: poses and gains by the aligner (align.h) on a luma of at most 1000 px along the longer
 * side; then, on at most 3200 px, a grid of cells that is fixed to the subject. Each cell keeps the Laplacian energy of
 * every frame (Krotkov, IJCV 1, 1987; Nayar & Nakagawa, PAMI 16, 1994), the structure tensor of the band that energy is
 * taken from, its brightness and its clipped share. Everything else is read from these curves; docs/check.md states
 * each finding, its threshold, its severity and how often it is right.
 *
 * Distance of two frames: the angle acos(sum of sqrt(p q)) between their energies as shares p, q of the picture's
 * (Bhattacharyya, Bull. Calcutta Math. Soc. 35, 1943). Exposure and an even loss of sharpness drop out; what is left is
 * how far the focus plane went.
 *
 * Memory: the aligner's (align.h), then 16 bytes a pixel of the luma the cells are measured on, then the sensor
 * module's (sensor.h), never two of them at once, besides about 90 KiB a frame for the cells. From 400 frames on there
 * are fewer and larger cells, so that this stays below 45 MiB up to 6400 frames; past them 6 KiB a frame are added. */
#ifndef RF_CHECK_H
#define RF_CHECK_H

#include <stddef.h>
#include <stdint.h>

#include "railfold/align.h"
#include "railfold/metadata.h"
#include "railfold/pose.h"
#include "railfold/status.h"

typedef enum rf_check_kind {
    RF_CHECK_UNREADABLE,
    RF_CHECK_SIZE,
    RF_CHECK_ORDER,
    RF_CHECK_MISSING_STEP,
    RF_CHECK_DUPLICATE,
    RF_CHECK_BUMP,
    RF_CHECK_BLUR,
    RF_CHECK_MOVED,
    RF_CHECK_UNCOVERED_START,
    RF_CHECK_UNCOVERED_END,
    RF_CHECK_COARSE_STEP,
    RF_CHECK_FINE_STEP,
    RF_CHECK_SETTINGS,
    RF_CHECK_LAMP,
    RF_CHECK_CLIPPED,
    RF_CHECK_BACKDROP,
    RF_CHECK_SENSOR,
    RF_CHECK_PLAN, /* differs from the shooting plan */
    RF_CHECK_KINDS
} rf_check_kind;

typedef enum rf_check_severity {
    RF_CHECK_NOTE,    /* worth knowing; the merge copes */
    RF_CHECK_WARNING, /* the merge will show it somewhere: usable */
    RF_CHECK_FAULT    /* no merge can mend it: retake */
} rf_check_severity;

typedef enum rf_check_verdict { RF_CHECK_GOOD, RF_CHECK_USABLE, RF_CHECK_RETAKE } rf_check_verdict;

enum { RF_CHECK_TEXT_BYTES = 400, RF_CHECK_NOTE_BYTES = 80 };

typedef struct rf_check_finding {
    rf_check_kind kind;
    rf_check_severity severity;
    int *frames; /* owned, ascending take order, from 0; may be empty: the take as a whole */
    int frame_count;
    int place[4]; /* x, y, width, height in full-size pixels of the reference view; width 0: nowhere */
    char text[RF_CHECK_TEXT_BYTES]; /* one sentence with the frame's file name */
} rf_check_finding;

typedef struct rf_check_frame {
    char *file;                       /* owned, as given */
    int used;                         /* 0: unreadable or of another size */
    double shift_x_px, shift_y_px;    /* of the picture centre against the reference, full-size pixels */
    double scale;                     /* against the reference */
    double gain;                      /* what brings it to the reference's brightness, coded values */
    double sharp_fraction;            /* share of the subject that is sharpest in this frame, 0..1 */
    double step;                      /* way from the frame before, in the take's usual steps; 0 = not known */
    double exposure_s, f_number, iso; /* EXIF; 0 = unknown */
    int64_t capture_time_ms;          /* EXIF, see metadata.h */
    char note[RF_CHECK_NOTE_BYTES];   /* the kinds found here, "bump, blur"; empty: none */
} rf_check_frame;

/* A fault that sits still on the sensor, full-size pixels of the frames. */
typedef struct rf_check_spot {
    double x, y;
    double radius_px; /* 0: a hot pixel; else dust */
    double dip;       /* share of the light dust takes */
} rf_check_spot;

/* A frame as it was shot, grey and small, for the page. */
typedef struct rf_check_picture {
    uint8_t *bytes; /* owned; JPEG */
    size_t count;
    int frame;
} rf_check_picture;

enum { RF_CHECK_PICTURES = 160 };

typedef struct rf_check_result {
    rf_check_verdict verdict;
    rf_check_finding *findings; /* owned; gravest first, then by frame */
    int finding_count;
    rf_check_frame *frames; /* owned */
    int frame_count;
    int width, height; /* of the frames, full size */
    int reference;
    double working_distance_steps; /* 0 = unknown */
    double focus_width_steps;      /* full width of a focus curve at half its peak; 0 = unknown */
    double blur_px_per_step;       /* defocus disc radius gained per step, full-size pixels, from that; 0 = unknown */
    double subject_share;          /* of the picture that has something to be sharp, 0..1 */
    rf_check_spot *spots;          /* owned; hot pixels, then dust */
    int spot_count, dust_count;
    rf_check_picture *pictures; /* owned; in take order, at most RF_CHECK_PICTURES, evenly spread, when asked for */
    int picture_count;
    double seconds;
} rf_check_result;

/* What a shooting plan says, as far as a take can be held against it. 0 = not said. */
typedef struct rf_check_plan {
    int frames;
    double step_mm;
    double scale_per_step; /* of the next frame, >= 1 */
    double f_number;       /* as engraved */
    double shutter_s;
} rf_check_plan;

/* Called between frames; nonzero stops the check (RF_ERR_STOPPED). */
typedef int (*rf_check_progress_fn)(void *arg, const char *stage, int done, int total);

typedef struct rf_check_options {
    const char *const *frames; /* paths in take order; borrowed */
    int frame_count;
    const rf_check_plan *plan;     /* or NULL */
    int unfinished;                /* 1: the take goes on; its end and its sensor are not judged */
    int begun_before;              /* 1: frames before these are not given; the start is not judged */
    int pictures;                  /* 1: keep pictures of the frames, for rf_check_page */
    int threads;                   /* 0 = one per processor */
    int64_t max_pixels;            /* of a frame; 0 = RF_MAX_PIXELS */
    size_t kept_bytes;             /* of lumas kept between the looks, rest is read again; 0 = 256 MiB */
    rf_check_progress_fn progress; /* may be NULL */
    void *progress_arg;
} rf_check_options;

rf_check_options rf_check_options_default(void);

const char *rf_check_kind_name(rf_check_kind kind);             /* "missing-step" */
const char *rf_check_severity_name(rf_check_severity severity); /* "note", "warning", "fault" */
const char *rf_check_verdict_name(rf_check_verdict verdict);    /* "good", "usable", "retake" */

void rf_check_result_init(rf_check_result *result);
void rf_check_result_free(rf_check_result *result);

/* Looks at the take. A frame that cannot be read is a finding, not a failure; RF_ERR_INPUT only when none can be read.
 */
rf_status rf_check_take(const rf_check_options *options, rf_check_result *result, rf_error *err) RF_CHECKED;

/* JSON (docs/check.md lists the fields); *text from rf_alloc, NUL-terminated, *bytes without the NUL. */
rf_status rf_check_json(const rf_check_result *result, char **text, size_t *bytes, rf_error *err) RF_CHECKED;

/* The same and more as one HTML page that holds everything and asks the network for nothing: findings, plots, pictures
 * of the frames with the places marked. `title` names the take. *text as above. */
rf_status rf_check_page(const rf_check_result *result, const char *title, char **text, size_t *bytes,
                        rf_error *err) RF_CHECKED;

/* What `railfold plan --report` wrote. `name` is for messages. RF_ERR_INPUT when it is no such text. */
rf_status rf_check_plan_read(rf_check_plan *plan, const char *text, size_t bytes, const char *name,
                             rf_error *err) RF_CHECKED;

/* The part of the check that needs no pixels, from what a merge knows anyway: bumps (poses and align_frames), the lamp
 * (gains of the poses), blank frames (align_frames), settings (metadata). Arrays of frame_count; what is NULL is not
 * looked at. Fills findings and verdict of an initialised result, whose frames stay empty. */
typedef struct rf_check_known {
    const char *const *files;
    int frame_count, width, height;
    const rf_pose *poses;
    const rf_align_frame *align_frames;
    const rf_metadata *metadata; /* per frame */
} rf_check_known;
rf_status rf_check_quick(const rf_check_known *known, rf_check_result *result, rf_error *err) RF_CHECKED;

#endif

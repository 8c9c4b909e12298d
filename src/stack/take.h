/* take.h - the frames of one run and what is known of each (private to the stack module). */
#ifndef RF_TAKE_H
#define RF_TAKE_H

#include "railfold/frame_io.h"
#include "railfold/image.h"
#include "railfold/metadata.h"
#include "railfold/pool.h"
#include "railfold/report.h"
#include "railfold/sensor.h"
#include "railfold/stack.h"

typedef struct rf_take {
    const rf_merge_options *options;
    rf_run_report *report; /* per frame: used, reason, pose */
    rf_pool *pool;
    rf_frame_limits limits;
    rf_frame_info info;    /* shape shared by every usable frame */
    int reference;         /* take order */
    rf_metadata metadata;  /* of the reference frame */
    rf_file_stamp *stamps; /* one a frame, from when its header was read */
    int digesting;         /* this pass leaves each frame's digest in the report */
    rf_sensor_map sensor;  /* faults taken out of every frame; empty until run_sensor.c filled it */
    rf_image *lumas;       /* per frame its repaired luma whole, in the frames' sample type, where it is kept */
} rf_take;

/* Opens every frame's header, refuses frames of another size, depth or channel count (naming both files), settles the
 * reference and reads its metadata. With skip_bad unreadable frames are marked unused instead. */
rf_status rf_take_open(rf_take *take, const rf_merge_options *options, rf_run_report *report, rf_error *err) RF_CHECKED;
void rf_take_close(rf_take *take);
void rf_take_forget_lumas(rf_take *take);

/* Marks frame k unused for the given reason; keeps the sentence. */
void rf_take_leave_out(rf_take *take, int k, const char *reason);

/* Frame k could not be read: leaves it out when the run allows that, and moves the reference on if it was the one; else
 * passes the fault on. */
rf_status rf_take_bad_frame(rf_take *take, int k, rf_status fault, const rf_error *why, rf_error *err) RF_CHECKED;

/* After a frame was left out: the reference, should it be that one, moves to the nearest used frame and its metadata is
 * read anew. RF_ERR_INPUT when no frame is left. */
rf_status rf_take_settle_reference(rf_take *take, rf_error *err) RF_CHECKED;

/* RF_ERR_INPUT when frame k is no longer the file whose header was read. */
rf_status rf_take_check_unchanged(const rf_take *take, int k, const rf_file_stamp *stamp, rf_error *err) RF_CHECKED;

/* Frame k whole, of the shape it had when its header was read. */
rf_status rf_take_read(const rf_take *take, int k, rf_image *image, rf_error *err) RF_CHECKED;

/* Its luma whole, repaired, in the frames' sample type. */
rf_status rf_take_read_plane(const rf_take *take, int k, rf_image *luma, rf_error *err) RF_CHECKED;

int rf_take_used_count(const rf_take *take);

/* Progress through the options' callback; RF_ERR_STOPPED when it asks to stop. */
rf_status rf_take_progress(const rf_take *take, const char *stage, int done, int total, rf_error *err) RF_CHECKED;

/* Luma of frame k, RF_F32, reduced 1, 2, 4 or 8 times: decoded small where the format can; from its repaired luma,
 * which `plane` keeps for the next call, when the sensor has faults. What is kept of lumas is not looked at: all frames
 * read like this are alike. May run on the side. */
rf_status rf_take_read_luma(const rf_take *take, int k, int reduce, rf_image *plane, rf_image *luma,
                            rf_error *err) RF_CHECKED;

/* ---- feed: frames in take order, the next ones decoded while the last is worked on ---- */

/* Every `stride`-th frame from `first` to before `end`: whole, its luma whole (kept or read), or with `reduce` above 1
 * (2 or 4) its reduced luma. */
typedef struct rf_reading {
    int first, end, stride, reduce, luma;
    int ahead; /* frames decoded at once, 1 (or 0) to RF_FEED_AHEAD; each holds one more */
} rf_reading;

enum { RF_FEED_AHEAD = RF_POOL_LANES };

/* One frame being decoded. */
typedef struct rf_feed_slot {
    rf_take *take;
    int k, reduce, luma;
    const rf_image *frame; /* handed out: what was decoded, or what is kept */
    rf_image *image;       /* that it is decoded into */
    rf_image plane;
    rf_status status;
    rf_error err;
} rf_feed_slot;

typedef struct rf_feed {
    rf_take *take;
    rf_reading reading;
    int next;         /* frame to be decoded next, or reading.end */
    int begun, taken; /* frames begun to decode, frames handed out */
    rf_image images[RF_FEED_AHEAD + 1];
    rf_feed_slot slots[RF_FEED_AHEAD];
    int started;
} rf_feed;

void rf_feed_start(rf_feed *feed, rf_take *take, rf_reading reading);

/* The next used frame: its number in *k (reading.end after the last) and a picture borrowed until the next call. */
rf_status rf_feed_next(rf_feed *feed, int *k, const rf_image **frame, rf_error *err) RF_CHECKED;
void rf_feed_stop(rf_feed *feed);

#endif

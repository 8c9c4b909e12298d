/* run.h - one merge under way: what lives from stage to stage (private to the stack module). */
#ifndef RF_RUN_H
#define RF_RUN_H

#include "railfold/align.h"
#include "railfold/depth.h"
#include "railfold/merge.h"
#include "album.h"
#include "take.h"
#include "write_map.h"

enum { RF_LOOK_FRAMES = 9 };

/* Frames in the middle of the take, whose lumas the depth's first look wants. */
typedef struct rf_depth_look {
    int first, end, reduce;        /* reduce 1: the frames are too small for a look */
    rf_image luma[RF_LOOK_FRAMES]; /* kept by the aligner, where it reads them of that size */
} rf_depth_look;

typedef struct rf_run {
    rf_take take;
    rf_feed feed;     /* the pass that was begun */
    rf_image *halves; /* per frame its halved luma, where it is kept, see run_halves.c */
    rf_depth_look look;
    rf_pose *poses;    /* one a frame */
    int far_first;     /* the rail retreats: frame 0 is focused farthest */
    int (*covered)[2]; /* what the current frame covers: per output row the first column and one past the last */
    rf_merge *merge;
    rf_depth_maps maps;
    const rf_image *picture; /* the merged picture, wherever it lies */
    rf_image parallel;       /* --view parallel: the picture to scale */
    float noise;             /* standard deviation of one frame's luma, coded */
    rf_album album;          /* frames for the page, when one is wanted */
    rf_map_file depth_file;  /* begun with the merge */
} rf_run;

/* Looks at a sample of the frames for hot pixels and dust, into run->take.sensor and the report. */
rf_status rf_run_sensor(rf_run *run, rf_error *err) RF_CHECKED;

/* How far lumas are reduced for the aligner. */
int rf_run_luma_reduce(int width, int height);

/* The depth reads lumas alone: of frames that the aligner has reduced. */
int rf_run_reads_lumas(const rf_run *run);

/* Those of the sample are kept for it: of 8-bit frames that the aligner has at a quarter. Of smaller ones, or at two
 * bytes, it would hold the most with them. */
static inline int rf_run_keeps_lumas(int reduce, int sample_bytes)
{
    return reduce >= 4 && sample_bytes == 1;
}

/* ---- halved lumas (run_halves.c) ---- */

enum {
    RF_SENSOR_LUMA_BYTES = 12, /* a pixel, kept of the sample's lumas: of 8-bit frames all */
    RF_HALVES_BYTES = 8        /* a pixel, kept of halved ones: of longer takes only those of the sample are */
};

/* How many frames' halves are kept at the most. */
static inline int rf_run_halves_most(int sample_bytes)
{
    return 4 * RF_HALVES_BYTES / sample_bytes;
}

/* The halved luma of every frame is kept, not of the sample alone: it may serve the depth. */
int rf_run_halves_all(const rf_run *run);

/* Halves frame k's luma and keeps it, unless frames are so small that nothing wants it. `pool` NULL: on this thread. */
rf_status rf_run_keep_half(rf_run *run, int k, const rf_image *luma, rf_pool *pool, rf_error *err) RF_CHECKED;

/* Every used frame's is there. */
int rf_run_has_halves(const rf_run *run);

/* Dust spots beyond the first `known` ones were found since: they are taken out of the lumas that are kept, the halved
 * ones are forgotten. */
rf_status rf_run_dust_found(rf_run *run, int known, rf_error *err) RF_CHECKED;
void rf_run_forget_halves(rf_run *run);

/* Which frames a look reads that wants their longer side of no less than side_px. */
rf_depth_look rf_run_look(const rf_take *take, int side_px);
enum { RF_LOOK_SIDE_PX = 1500 };
void rf_run_forget_look(rf_run *run);

/* Poses and gains of every used frame into run->poses and the report. */
rf_status rf_run_align(rf_run *run, rf_error *err) RF_CHECKED;

/* No output shows how far the depth is to be trusted: those maps are not made, which leaves room for one frame more to
 * be decoded ahead. */
int rf_run_wants_depth_alone(const rf_run *run);

/* Depth map and all that comes with it; *near_view, zeroed, becomes the picture of the near parts in focus. */
rf_status rf_run_depth(rf_run *run, rf_image *near_view, rf_error *err) RF_CHECKED;

/* Depth map and merged picture. */
rf_status rf_run_merge(rf_run *run, rf_error *err) RF_CHECKED;

/* --view parallel: picture and maps moved to scale. */
rf_status rf_run_parallel(rf_run *run, rf_error *err) RF_CHECKED;

/* One pass over the used frames that the reading names. From its beginning on the first ones are decoded, so that the
 * caller may still have something to do; the pass itself calls `each` with the frame number and the frame in output
 * geometry, made piece by piece as it is asked for. Progress counts frames from `done` on. */
typedef rf_status (*rf_each_fn)(rf_run *run, int k, const rf_source *source, void *arg, rf_error *err);
rf_status rf_run_show(rf_run *run, int k, const rf_image *frame, int reduce, rf_each_fn each, void *arg,
                      rf_error *err) RF_CHECKED; /* the same for one frame, as it was decoded */
void rf_run_begin_pass(rf_run *run, rf_reading reading);
rf_status rf_run_pass(rf_run *run, const char *stage, int done, int total, rf_each_fn each, void *arg,
                      rf_error *err) RF_CHECKED;

#endif

/* look.h - what the check has seen of a take: the curves every finding is read from. */
#ifndef RF_CHECK_LOOK_H
#define RF_CHECK_LOOK_H

#include "railfold/check.h"
#include "railfold/image.h"
#include "railfold/pool.h"
#include "railfold/sensor.h"

/* One cell of one frame. energy < 0: the frame does not show the cell. */
typedef struct rf_cell {
    float energy;     /* mean square of the band, noise still in it */
    float xx, xy, yy; /* structure tensor of the band, mean */
    float luma[4];    /* means of its quarters, 0..1: top left, top right, bottom left, bottom right */
    float clipped;    /* share of pixels at white */
} rf_cell;

typedef struct rf_cell_peak {
    int frame;       /* where the curve is highest; -1: nothing to be sharp here */
    float position;  /* to a fraction of a step */
    float energy;    /* there, noise taken off */
    float width;     /* full width at half the peak, steps; 0 = an end is in the way */
    float top_width; /* of the bell through its three highest frames, steps; 0 = the same */
    int steady;      /* hardly changes with focus: no part of the subject */
} rf_cell_peak;

/* The way of the focus plane from the frame before. */
typedef struct rf_step {
    double ratio;                /* angle seen over the angle expected of one usual step */
    double against_near;         /* the same against the steps around */
    double telling;              /* angle expected of one usual step, over the largest tenth of the take's */
    double follow, follow_error; /* change of energies seen over that expected of one usual step, standard error */
    double follow_near;          /* the same against the steps around */
    double length;               /* usual steps; 0 = none, or not known */
    double loss;                 /* of ln energy of the cells in focus in this frame against their fitted curves */
    int in_focus;                /* how many those are */
} rf_step;

/* One frame as read. A visit (reading.h) may take a picture over by moving the struct out and zeroing it. */
typedef struct rf_seen {
    rf_image whole; /* as stored */
    rf_image cells; /* luma, reduced by cell_reduce, in the look's cell_sample */
    rf_image luma;  /* RF_F32, reduced by align_reduce */
} rf_seen;

enum { RF_LOOK_SLOTS = RF_POOL_LANES + 1 }; /* frames being read: one in hand, one in each lane */

/* The search for faults of the sensor, on whole frames of a sample. */
typedef struct rf_look_sensor {
    rf_sensor *search;               /* NULL: none, or it is over */
    int index[RF_SENSOR_SAMPLE_MAX]; /* frames of the sample */
    int count, whole;                /* whole: all of them could be used so far */
    rf_sensor_map map;               /* found */
} rf_look_sensor;

typedef struct rf_look {
    const rf_check_options *options;
    rf_pool *pool;
    rf_check_result *result;
    int count;
    int channels; /* of the frames, as read */
    rf_sample sample;
    int align_reduce, cell_reduce; /* luma sizes of the two looks */
    rf_sample cell_sample;         /* of the larger ones, as they are kept */
    int *all;                      /* 0 to count - 1 */
    rf_image *kept;                /* count: lumas for the cells, as many as there is room for */
    size_t kept_bytes;
    rf_seen slots[RF_LOOK_SLOTS]; /* room that the visits share */
    rf_look_sensor sensor;
    rf_pose *poses; /* output (reference) pixel -> frame pixel, full size */
    rf_align_frame *aligned;
    int poses_known;
    int columns, rows;      /* of cells */
    int cell_px;            /* side, pixels of the cell luma */
    rf_cell *cells;         /* count * rows * columns */
    double noise;           /* energy of the noise alone */
    rf_cell_peak *peaks;    /* rows * columns */
    rf_step *steps;         /* count: from the frame before */
    rf_shadow *shadow;      /* frames kept for the search for dust; NULL: not searched for */
    double top_width_steps; /* median of the peaks' top widths; 0 = not known */
    double *angle;          /* count * SPAN: angle[k * SPAN + d - 1] between frames k - d and k; < 0 unknown */
} rf_look;

enum { RF_LOOK_SPAN = 24 }; /* how far back frames are compared */

static inline int rf_look_cells(const rf_look *look)
{
    return look->columns * look->rows;
}
static inline const rf_cell *rf_look_frame(const rf_look *look, int k)
{
    return look->cells + (size_t)k * (size_t)rf_look_cells(look);
}
/* Energy above the noise; 0 for a cell out of the picture. */
static inline float rf_look_signal(const rf_look *look, int k, int cell)
{
    float above = rf_look_frame(look, k)[cell].energy - 1.5f * (float)look->noise;
    return above > 0 ? above : 0;
}
/* Angle between frames k - back and k, or -1. */
static inline double rf_look_angle(const rf_look *look, int k, int back)
{
    return back >= 1 && back <= RF_LOOK_SPAN && k - back >= 0 ? look->angle[k * RF_LOOK_SPAN + back - 1] : -1;
}

/* observe.c: the two passes. */
rf_status rf_look_open(rf_look *look, const rf_check_options *options, rf_check_result *result,
                       rf_error *err) RF_CHECKED;
void rf_look_close(rf_look *look);
/* Frame k turned out unreadable: a finding, and it is not used any more. */
rf_status rf_look_unreadable(rf_look *look, int k, const char *why, rf_error *err) RF_CHECKED;
rf_status rf_look_poses(rf_look *look, rf_error *err) RF_CHECKED;
rf_status rf_look_cells_read(rf_look *look, rf_error *err) RF_CHECKED;

/* cells.c: fills one frame's row of cells from its luma (any sample type); `scratch`: so many floats a thread. */
size_t rf_cells_scratch(const rf_look *look);
void rf_cells_measure(const rf_look *look, int k, const rf_image *luma, float *scratch);

/* find_sensor.c: the two looks at the sample. */
rf_status rf_look_sensor_open(rf_look *look, rf_error *err) RF_CHECKED;
void rf_look_sensor_close(rf_look *look);
int rf_look_is_sampled(const rf_look *look, int k);
/* Frame k, if it is one of the sample. NULL: it is not used. */
rf_status rf_look_sensor_survey(rf_look *look, int k, const rf_image *whole, rf_error *err) RF_CHECKED;
/* After the survey: the second look, and what was found into sensor.map. */
rf_status rf_look_sensor_examine(rf_look *look, rf_error *err) RF_CHECKED;

/* curves.c: noise, peaks and angles from the cells. */
rf_status rf_look_curves(rf_look *look, rf_error *err) RF_CHECKED;
/* The angle between two frames over the cells that are not marked (NULL: over all), or -1. */
double rf_look_angle_without(const rf_look *look, int i, int j, const unsigned char *without);
/* gaps.c: the length of each step. */
rf_status rf_look_gaps(rf_look *look, rf_error *err) RF_CHECKED;
double rf_median(double *values, int count);                 /* sorts them; 0 when there are none */
double rf_quantile(double *values, int count, double share); /* the same */

/* Finds: each adds what it finds to the result. */
rf_status rf_find_path(const rf_check_known *known, rf_check_result *result, rf_error *err) RF_CHECKED;
rf_status rf_find_light(const rf_check_known *known, rf_check_result *result, rf_error *err) RF_CHECKED;
rf_status rf_find_steps(rf_look *look, rf_error *err) RF_CHECKED;
rf_status rf_look_width(rf_look *look, rf_error *err) RF_CHECKED; /* of the focus curves */
rf_status rf_find_focus(rf_look *look, rf_error *err) RF_CHECKED; /* coarse, fine */
rf_status rf_find_cover(rf_look *look, rf_error *err) RF_CHECKED; /* ends, backdrop, clipped */
rf_status rf_find_blur(rf_look *look, rf_error *err) RF_CHECKED;
rf_status rf_find_moved(rf_look *look, rf_error *err) RF_CHECKED;
rf_status rf_find_sensor(rf_look *look, rf_error *err) RF_CHECKED;
rf_status rf_find_plan(rf_look *look, rf_error *err) RF_CHECKED;

/* findings.c */
const char *rf_check_base_name(const char *path);
rf_status rf_check_add(rf_check_result *result, const rf_check_finding *what, const int *frames, int frame_count,
                       rf_error *err, const char *format, ...) RF_CHECKED RF_PRINTF(6, 7);
void rf_check_settle(rf_check_result *result); /* order, verdict, notes */
int rf_check_found(const rf_check_result *result, rf_check_kind kind);
int rf_check_found_at(const rf_check_result *result, rf_check_kind kind, int frame);

#endif

/* faults.h - the parts of the sensor module: a survey for each kind of fault, and its examination (private). */
#ifndef RF_FAULTS_H
#define RF_FAULTS_H

#include <stdint.h>

#include "railfold/sensor.h"

/* ---- hot.c, hot_judge.c ---- */

enum { HOT_PATCH_RADIUS = 4, HOT_PATCH_SIDE = 2 * HOT_PATCH_RADIUS + 1, HOT_PATCH = HOT_PATCH_SIDE * HOT_PATCH_SIDE };

typedef struct hot_suspect {
    int x, y, channel;
    int sign;                           /* 1 hot, -1 dead */
    int clipped;                        /* bit k: white (black) in sampled frame k */
    float excess[RF_SENSOR_SAMPLE_MAX]; /* linear light (hot), share of the surroundings (dead), frame by frame */
    float sum[3][HOT_PATCH];            /* coded excess over the surroundings, around it */
    float square[3][HOT_PATCH];
} hot_suspect;

typedef struct hot_finder {
    int width, height, channels;
    rf_sample sample;
    int surveyed, examined; /* frames */
    uint8_t *spots;         /* per sample: frames in which it stands out, bright ones + 16 * dark ones */
    uint16_t *scratch;      /* 7 padded rows a thread */
    size_t scratch_samples;
    hot_suspect *suspects;
    int count;
    int followed; /* suspects are examined while the rest of the frames are surveyed */
} hot_finder;

enum { HOT_MISSING_MOST = RF_SENSOR_SAMPLE_MAX / 6 };

/* In how many of the sampled frames a hot pixel stands out: 4 of 4, 5 of 6, 10 of 12. */
static inline int rf_hot_frames_wanted(int frames)
{
    return frames - frames / 6;
}

rf_status rf_hot_open(hot_finder *self, int width, int height, int channels, rf_sample sample, rf_pool *pool,
                      rf_error *err) RF_CHECKED;
void rf_hot_close(hot_finder *self);
void rf_hot_survey(hot_finder *self, const rf_image *frame, rf_pool *pool);
/* `take_changes`: enough is known to move or refocus, so that even a picture whose only spots are faults may be
 * repaired. */
rf_status rf_hot_suspects(hot_finder *self, int take_changes, rf_pool *pool, rf_error *err) RF_CHECKED;
/* After the survey of the first `count` frames, which are shown again: whoever may yet become a suspect is examined
 * from now on, as frames are surveyed. Not done (followed stays 0) where those are too many. */
rf_status rf_hot_follow(hot_finder *self, const rf_image *const *frames, int count, rf_pool *pool,
                        rf_error *err) RF_CHECKED;
/* In how many frames the sample stood out, its own way. */
int rf_hot_spots(const hot_finder *self, const hot_suspect *s);
void rf_hot_examine(hot_finder *self, const rf_image *frame, rf_pool *pool);
rf_status rf_hot_finish(hot_finder *self, rf_sensor_map *map, rf_error *err) RF_CHECKED;

/* hot_extent.c: from the accepted suspects to the list of samples to replace. */
rf_status rf_hot_extent(const hot_finder *self, const hot_suspect *const *accepted, int count, rf_sensor_map *map,
                        rf_error *err) RF_CHECKED;

/* ---- dust.c, dust_suspects.c ---- */

enum { DUST_RING_PX = 5 }; /* of a level: finds spots of 2 to 3 level pixels radius best */

enum { DUST_REACH = 48, DUST_SIDE = 2 * DUST_REACH + 1, DUST_AREA = DUST_SIDE * DUST_SIDE };
enum { DUST_LEVELS = 2, DUST_SUSPECTS_MAX = 64, DUST_SHARE_ROWS = 4 };

typedef struct dust_suspect {
    int x, y;        /* full pixels */
    float radius_px; /* first guess */
    float score;
    float *crops; /* owned; examined frames * DUST_AREA: log of linear luma, NAN outside the picture */
} dust_suspect;

/* Statistics of the dip D at every pixel of a reduced picture. */
typedef struct dust_level {
    int width, height, reduce;
    float *log_of;                    /* log of linear light of each code, see dust.c */
    rf_image sum, square;             /* of D over all frames, one row in DUST_SHARE_ROWS; of the finest level */
    rf_image quiet_sum, quiet_square; /* of the frames whose surroundings are even enough to judge; then scores */
    uint8_t *quiet;                   /* how many those are */
} dust_level;

typedef struct dust_finder {
    int width, height;
    rf_sample sample;
    int surveyed, examined, levels;
    int take_changes; /* see rf_dust_take_changes */
    float *log_of;    /* log of linear light of every luma value */
    dust_level level[DUST_LEVELS];
    float *scratch; /* a thread's rows */
    size_t scratch_floats;
    dust_suspect *suspects;
    int count;
} dust_finder;

/* Dust takes light of all colours: frames are seen by their coded luma alone. */
rf_status rf_dust_open(dust_finder *self, int width, int height, rf_sample sample, rf_pool *pool,
                       rf_error *err) RF_CHECKED;
void rf_dust_close(dust_finder *self);
void rf_dust_survey(dust_finder *self, const rf_image *luma, rf_pool *pool);
/* After the survey: whether the subject moves or refocuses at the scale of dust. */
rf_status rf_dust_take_changes(dust_finder *self, rf_pool *pool, int *changes, rf_error *err) RF_CHECKED;
/* After that. */
rf_status rf_dust_suspects(dust_finder *self, rf_pool *pool, rf_error *err) RF_CHECKED;
void rf_dust_examine(dust_finder *self, const rf_image *luma, rf_pool *pool);
rf_status rf_dust_finish(dust_finder *self, rf_sensor_map *map, rf_pool *pool, rf_error *err) RF_CHECKED;

/* dust_ring.c */
enum { DUST_RING_TERMS = 6 };

/* The pixels of a crop that lie on a ring and in the picture: the same for every frame, and so is the fit's matrix. */
typedef struct dust_ring {
    float x, y; /* its middle against the suspect's, px */
    int count;
    uint16_t at[DUST_AREA];
    double matrix[DUST_RING_TERMS][DUST_RING_TERMS];
} dust_ring;

/* from..to in px. 0 when too little of the ring lies in the picture. */
int rf_dust_ring_find(dust_ring *ring, const float *crop, float x, float y, float from, float to);
/* rest = the crop less the quadratic through the ring, 0 out of the picture; *spread: rms of it on the ring. 0 when
 * there is no such quadratic. */
int rf_dust_ring_level(const dust_ring *ring, const float *crop, float *rest, float *spread);
/* Symmetric n x n normal equations, the right side in column n, by elimination with pivoting; 0: they are singular. */
int rf_dust_solve(int n, double m[DUST_RING_TERMS][DUST_RING_TERMS + 1], double *x);

/* dust_judge.c: 1 when the suspect is dust; *spot then describes it (gain is allocated). */
rf_status rf_dust_judge(const dust_suspect *suspect, int frames, rf_dust_spot *spot, int *is_dust,
                        rf_error *err) RF_CHECKED;

static inline float rf_sample_coded(const rf_image *frame, int x, int y, int channel)
{
    size_t at = (size_t)x * (size_t)frame->channels + (size_t)channel;
    return frame->sample == RF_U8 ? (float)((const uint8_t *)rf_image_row(frame, y))[at] * (1.0f / 255.0f)
                                  : (float)((const uint16_t *)rf_image_row(frame, y))[at] * (1.0f / 65535.0f);
}

static inline int rf_clamp_int(int v, int low, int high)
{
    return v < low ? low : v > high ? high : v;
}

#endif

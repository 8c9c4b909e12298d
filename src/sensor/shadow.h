/* shadow.h - shadows that stand still on the sensor, from frames whose poses are known (private; the idea is told in
 * sensor.h). */
#ifndef RF_SHADOW_H
#define RF_SHADOW_H

#include <stdint.h>

#include "railfold/sensor.h"

enum { SHADOW_BLOCK_PX = 8 };
/* Linear light that keeps the logarithm of black finite and noise in it small; ln((1 + that) / that) as 65535. */
#define SHADOW_DARKEST 0.002f
#define SHADOW_LOG_RANGE 6.21660610f

/* One frame against the one before it, working pixels: p -> (a x + b y + tx, c x + d y + ty). */
typedef struct shadow_pair {
    int here, before; /* of the kept frames */
    double a, b, tx, c, d, ty;
} shadow_pair;

/* Normal matrix of a block: weights summed over the pairs, the means of each run taken off. */
typedef struct shadow_normal {
    float xx, xy, yy;
} shadow_normal;

struct rf_shadow {
    int width, height; /* working pixels */
    int reduce;        /* full pixels along a working one */
    int extra;         /* of that, what the lumas handed in still have to be reduced by */
    int frame_count;
    rf_pool *pool;
    int kept, number[RF_SHADOW_FRAMES]; /* take order */
    uint16_t *logs[RF_SHADOW_FRAMES];   /* owned: smoothed log luma of each kept frame */
    float *log_of;                      /* log of linear light for coded 0..1 */
    uint8_t *masked;                    /* at or beside a hot pixel */
    rf_image plain, bx, by;             /* scratch of a frame; right-hand sides */
    float *scratch;                     /* a padded row a thread */
    int columns, rows;                  /* of blocks */
    shadow_normal *normal;
    shadow_pair pairs[RF_SHADOW_FRAMES];
    int pair_count, run_begin[RF_SHADOW_FRAMES + 1], runs; /* pairs of run r: run_begin[r] .. run_begin[r + 1] - 1 */
};

enum { SHADOW_KNOTS = 7 };

typedef struct shadow_suspect {
    float x, y, radius, score;  /* working pixels; score: against its median over the picture */
    double depth[SHADOW_KNOTS]; /* once it is found: log luma lost, see shadow_fit.c */
} shadow_suspect;

enum { SHADOW_SUSPECTS_MAX = 64 };

/* shadow_pairs.c: right-hand sides and normal matrices of all pairs. */
rf_status rf_shadow_gather(rf_shadow *self, rf_error *err) RF_CHECKED;
/* shadow_find.c: where shadows may be, best first. */
rf_status rf_shadow_suspects(rf_shadow *self, shadow_suspect *list, int *count, rf_error *err) RF_CHECKED;
/* shadow_fit.c: *found 1 when it is a shadow, whose share is then taken out of the right-hand sides; *spot describes it
 * (gain is allocated, what it had is freed). The suspect's place and radius are improved. */
rf_status rf_shadow_fit(rf_shadow *self, shadow_suspect *suspect, rf_dust_spot *spot, int *found,
                        rf_error *err) RF_CHECKED;
/* Puts the share of a shadow that was found back, so that it can be fitted anew. */
rf_status rf_shadow_put_back(rf_shadow *self, const shadow_suspect *suspect, rf_error *err) RF_CHECKED;

static inline const shadow_normal *rf_shadow_normal_at(const rf_shadow *self, int x, int y)
{
    return &self->normal[(y / SHADOW_BLOCK_PX) * self->columns + x / SHADOW_BLOCK_PX];
}

#endif

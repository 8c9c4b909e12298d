/* align_take.h - takes drawn from waves, registered, and compared with the poses they were drawn with. */
#ifndef RF_TEST_ALIGN_TAKE_H
#define RF_TEST_ALIGN_TAKE_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "railfold/align.h"

enum { WIDTH = 320, HEIGHT = 224, FRAMES = 9, REFERENCE = 4, WAVES = 40 };
static const double BLUR_PX = 0.9; /* standard deviation gained per step */

typedef struct wave {
    double kx, ky, phase, size;
} wave;

typedef struct take {
    int frames, reference, advances;
    double distance_steps;
    double shift_x[16], shift_y[16], turn[16], lamp[16];
    int blank[16];  /* 2: with the same pattern of noise in every one of them */
    double grating; /* size of a printed scale of 5 px period */
    double noise;
    int hot_pixels;
    int backdrop; /* the right third is far, blurred and does not move */
    wave waves[WAVES];
} take;

static inline double random_unit(uint64_t *state) /* splitmix64 */
{
    uint64_t z = (*state += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return (double)((z ^ (z >> 31)) >> 11) / 9007199254740992.0;
}

static inline take new_take(uint64_t seed)
{
    take t = {.frames = FRAMES, .reference = REFERENCE, .advances = 1, .distance_steps = 250, .noise = 0.003};
    double x = 0, y = 0;
    for (int i = 0; i < WAVES; i++) {
        double frequency = 0.02 * pow(11, random_unit(&seed)), way = 6.2831853 * random_unit(&seed);
        t.waves[i] = (wave){6.2831853 * frequency * cos(way), 6.2831853 * frequency * sin(way),
                            6.2831853 * random_unit(&seed), 0.042};
    }
    for (int k = 0; k < 16; k++) {
        x += 6 * random_unit(&seed) - 3;
        y += 6 * random_unit(&seed) - 3;
        t.shift_x[k] = x;
        t.shift_y[k] = y;
        t.turn[k] = 0.004 * random_unit(&seed) - 0.002;
        t.lamp[k] = 1;
    }
    return t;
}

/* The reference frame's own shift and turn are nought by definition. */
static inline void settle(take *t)
{
    double x = t->shift_x[t->reference], y = t->shift_y[t->reference];
    for (int k = 0; k < t->frames; k++) {
        t->shift_x[k] -= x;
        t->shift_y[k] -= y;
    }
    t->turn[t->reference] = 0;
}

static inline double texture(const take *t, double x, double y, double sigma)
{
    double sum = 0.45;
    for (int i = 0; i < WAVES; i++) {
        const wave *w = &t->waves[i];
        double loss = exp(-0.5 * sigma * sigma * (w->kx * w->kx + w->ky * w->ky));
        if (loss > 1e-3)
            sum += w->size * loss * sin(w->kx * x + w->ky * y + w->phase);
    }
    double k = 6.2831853 / 5;
    return sum + t->grating * exp(-0.5 * sigma * sigma * k * k) * sin(k * x);
}

/* Frame pixel (u, v) of a point at depth z: the reference view's centred position, times (D + z - ref) / (D + z - k),
 * turned and shifted. Depth runs with the reference view's x. */
static inline double frame_at(const take *t, int k, double u, double v)
{
    double cx = (WIDTH - 1) / 2.0, cy = (HEIGHT - 1) / 2.0, sign = t->advances ? 1 : -1;
    double dx = u - cx - t->shift_x[k], dy = v - cy - t->shift_y[k];
    double c = cos(t->turn[k]), s = sin(t->turn[k]), x = c * dx + s * dy, y = -s * dx + c * dy, scale = 1, z = 0;
    for (int round = 0; round < 3; round++) {
        double px = x / scale;
        z = (px / WIDTH + 0.5) * (t->frames + 1) - 1;
        scale = (t->distance_steps + sign * (z - t->reference)) / (t->distance_steps + sign * (z - k));
    }
    return texture(t, x / scale, y / scale, BLUR_PX * fabs(z - k));
}

static inline void draw(const take *t, int k, rf_image *luma)
{
    uint64_t seed = t->blank[k] == 2 ? 1 : 1000 + (uint64_t)k, fault = 7;
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            double value = t->blank[k] ? 0.02 : frame_at(t, k, x, y);
            if (t->backdrop && !t->blank[k]) {
                double far = 1 / (1 + exp(-(x - 0.7 * WIDTH) / 6));
                value = value * (1 - far) + far * (0.5 + 0.2 * sin(x * 0.09) * cos(y * 0.11));
            }
            double grain = random_unit(&seed) + random_unit(&seed) + random_unit(&seed) - 1.5;
            value = value * t->lamp[k] + 2 * t->noise * grain;
            rf_image_row_f32(luma, y)[x] = (float)(value < 0 ? 0 : value > 1 ? 1 : value);
        }
    for (int i = 0; i < t->hot_pixels; i++) {
        int x = (int)(random_unit(&fault) * WIDTH), y = (int)(random_unit(&fault) * HEIGHT);
        rf_image_row_f32(luma, y)[x] = 1;
    }
}

typedef struct solved {
    rf_pose poses[16];
    rf_align_frame frames[16];
    rf_align_result result;
    rf_status status;
    rf_error error;
} solved;

static inline rf_align_options options_of(const take *t)
{
    rf_align_options o = rf_align_options_default();
    o.full_width = WIDTH;
    o.full_height = HEIGHT;
    o.frame_count = t->frames;
    o.reference = t->reference;
    return o;
}

static inline solved register_take(const take *t, int threads)
{
    solved s = {.status = RF_OK};
    rf_align *align = NULL;
    rf_pool *pool = NULL;
    rf_image luma = {0};
    rf_align_options o = options_of(t);
    assert_int_equal(rf_pool_create(&pool, threads, &s.error), RF_OK);
    assert_int_equal(rf_image_alloc(&luma, WIDTH, HEIGHT, 1, RF_F32, "luma", &s.error), RF_OK);
    assert_int_equal(rf_align_create(&align, &o, pool, &s.error), RF_OK);
    for (int k = 0; k < t->frames; k++) {
        draw(t, k, &luma);
        assert_int_equal(rf_align_add_frame(align, &luma, &s.error), RF_OK);
    }
    s.status = rf_align_solve(align, s.poses, &s.result, &s.error);
    if (s.status == RF_OK)
        memcpy(s.frames, s.result.frames, (size_t)t->frames * sizeof s.frames[0]);
    rf_align_destroy(&align);
    rf_image_free(&luma);
    rf_pool_destroy(&pool);
    return s;
}

static inline rf_pose true_pose(const take *t, int k)
{
    double sign = t->advances ? 1 : -1, scale = 1 + sign * (k - t->reference) / t->distance_steps;
    return rf_pose_similarity(scale, t->turn[k], t->shift_x[k], t->shift_y[k], WIDTH, HEIGHT);
}

static inline double corner_error(const rf_pose *a, const rf_pose *b)
{
    double worst = 0;
    for (int i = 0; i < 4; i++) {
        double x = i % 2 * (WIDTH - 1), y = i / 2 * (HEIGHT - 1), ax, ay, bx, by;
        rf_pose_apply(a, x, y, &ax, &ay);
        rf_pose_apply(b, x, y, &bx, &by);
        worst = fmax(worst, hypot(ax - bx, ay - by));
    }
    return worst;
}

/* 0.1 px at the corner: a tenth of the blur of one step, far below what a merge can show. The ends of this small take
 * rest on a strip a few tiles wide, hence not less. */
static inline void assert_poses(const take *t, const solved *s, double limit_px)
{
    for (int k = 0; k < t->frames; k++) {
        rf_pose truth = true_pose(t, k);
        double error = corner_error(&s->poses[k], &truth);
        if (!t->blank[k] && !(error <= limit_px))
            fail_msg("frame %d is %.3f px off at a corner, allowed %.3f", k, error, limit_px);
    }
}

#endif

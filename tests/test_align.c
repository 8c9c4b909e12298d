/* test_align.c - registration of takes whose truth is known by construction.
 *
 * The take: a tilted plane with a printed texture (a sum of waves, so that any point of it can be computed exactly),
 * seen by a camera on a rail: frame k is in focus at depth k, what lies d steps off is blurred by a Gaussian of d *
 * BLUR_PX, and what is in focus in frame k is seen from the reference view at scale 1 + (k - reference) / D. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "railfold/align.h"

#define assert_near(value, wanted, allowed) assert_true(fabs((value) - (wanted)) <= (allowed))

enum { WIDTH = 320, HEIGHT = 224, FRAMES = 9, REFERENCE = 4, WAVES = 40 };
static const double BLUR_PX = 0.9; /* standard deviation gained per step */

typedef struct wave {
    double kx, ky, phase, size;
} wave;

typedef struct take {
    int frames, reference, advances;
    double distance_steps;
    double shift_x[16], shift_y[16], turn[16], lamp[16];
    int blank[16];
    double grating; /* size of a printed scale of 5 px period */
    double noise;
    int hot_pixels;
    int backdrop; /* the right third is far, blurred and does not move */
    wave waves[WAVES];
} take;

static double random_unit(uint64_t *state) /* splitmix64 */
{
    uint64_t z = (*state += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return (double)((z ^ (z >> 31)) >> 11) / 9007199254740992.0;
}

static take new_take(uint64_t seed)
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
static void settle(take *t)
{
    double x = t->shift_x[t->reference], y = t->shift_y[t->reference];
    for (int k = 0; k < t->frames; k++) {
        t->shift_x[k] -= x;
        t->shift_y[k] -= y;
    }
    t->turn[t->reference] = 0;
}

static double texture(const take *t, double x, double y, double sigma)
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
static double frame_at(const take *t, int k, double u, double v)
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

static void draw(const take *t, int k, rf_image *luma)
{
    uint64_t seed = 1000 + (uint64_t)k, fault = 7;
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

static rf_align_options options_of(const take *t)
{
    rf_align_options o = rf_align_options_default();
    o.full_width = WIDTH;
    o.full_height = HEIGHT;
    o.frame_count = t->frames;
    o.reference = t->reference;
    return o;
}

static solved register_take(const take *t, int threads)
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

static rf_pose true_pose(const take *t, int k)
{
    double sign = t->advances ? 1 : -1, scale = 1 + sign * (k - t->reference) / t->distance_steps;
    return rf_pose_similarity(scale, t->turn[k], t->shift_x[k], t->shift_y[k], WIDTH, HEIGHT);
}

static double corner_error(const rf_pose *a, const rf_pose *b)
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
static void assert_poses(const take *t, const solved *s, double limit_px)
{
    for (int k = 0; k < t->frames; k++) {
        rf_pose truth = true_pose(t, k);
        double error = corner_error(&s->poses[k], &truth);
        if (!t->blank[k] && !(error <= limit_px))
            fail_msg("frame %d is %.3f px off at a corner, allowed %.3f", k, error, limit_px);
    }
}

static void advancing_rail_is_recovered_to_a_tenth_of_a_pixel(void **state)
{
    (void)state;
    take t = new_take(1);
    settle(&t);
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_poses(&t, &s, 0.1);
    assert_int_equal(s.result.way, RF_RAIL_ADVANCES);
    assert_near(s.result.working_distance_steps, 250, 5); /* 2 %: 0.02 px a step at the corner */
    assert_int_equal(s.result.frames_measured, FRAMES);
}

static void retreating_rail_is_told_from_the_frames(void **state)
{
    (void)state;
    take t = new_take(2);
    t.advances = 0;
    settle(&t);
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_poses(&t, &s, 0.1);
    assert_int_equal(s.result.way, RF_RAIL_RETREATS);
}

static void scale_of_the_pose_is_linear_in_the_frame_number(void **state)
{
    (void)state;
    take t = new_take(3);
    t.distance_steps = 60; /* a strong lens: a product of steps would be off by (4 / 60)^2 / 2 = 0.2 %, 0.4 px */
    settle(&t);
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_poses(&t, &s, 0.15);
}

static void other_reference_gives_its_own_view(void **state)
{
    (void)state;
    take t = new_take(4);
    t.reference = 0;
    settle(&t);
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_poses(&t, &s, 0.15); /* twice as far from the reference as in the other tests */
    rf_pose identity = rf_pose_identity();
    assert_true(corner_error(&s.poses[0], &identity) < 1e-6);
}

static void bump_is_followed_and_flagged(void **state)
{
    (void)state;
    take t = new_take(5);
    settle(&t);
    t.shift_x[6] += 25;
    t.shift_y[6] -= 14;
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_poses(&t, &s, 0.1);
    assert_true(s.frames[6].bumped);
    assert_false(s.frames[2].bumped);
}

static void lasting_jump_is_followed(void **state)
{
    (void)state;
    take t = new_take(6);
    settle(&t);
    for (int k = 6; k < FRAMES; k++)
        t.shift_x[k] -= 30;
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_poses(&t, &s, 0.1);
}

static void blank_frame_is_bridged_and_not_used(void **state)
{
    (void)state;
    take t = new_take(7);
    settle(&t);
    t.blank[5] = 1;
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_poses(&t, &s, 0.15); /* frames beyond the blank hang on pairs two steps apart */
    assert_true(s.frames[5].blank);
    assert_false(s.poses[5].usable);
    assert_true(s.poses[6].usable);
    assert_int_equal(s.result.frames_blank, 1);
}

static void lamp_jump_becomes_gain(void **state)
{
    (void)state;
    take t = new_take(8);
    settle(&t);
    t.lamp[7] = 0.7;
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_poses(&t, &s, 0.1);
    for (int k = 0; k < FRAMES; k++) /* 1 %: one level in a mid grey */
        for (int c = 0; c < 3; c++)
            assert_near(s.poses[k].gain[c], 1 / t.lamp[k], 0.01 / t.lamp[k]);
}

static void repeating_scale_is_not_taken_for_a_shift_by_its_period(void **state)
{
    (void)state;
    take t = new_take(9);
    t.grating = 0.25; /* six times the size of any one wave of the rest */
    for (int k = 0; k < FRAMES; k++)
        t.shift_x[k] += 4 * (k % 3);
    settle(&t);
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_poses(&t, &s, 0.15); /* most of what is sharp says nothing about y */
}

static void hot_pixels_do_not_pull_to_standstill(void **state)
{
    (void)state;
    take t = new_take(10);
    t.hot_pixels = 150;
    settle(&t);
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_poses(&t, &s, 0.12);
}

static void far_backdrop_that_stands_still_is_left_out(void **state)
{
    (void)state;
    take t = new_take(11);
    t.backdrop = 1;
    t.frames = 6; /* the plane's rest is hidden */
    t.reference = 3;
    settle(&t);
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_poses(&t, &s, 0.1); /* though a third of the picture is missing on one side */
}

static void two_frames_are_enough(void **state)
{
    (void)state;
    take t = new_take(12);
    t.frames = 2;
    t.reference = 0;
    settle(&t);
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    /* One pair is read at the middle of its two planes; content a step off that would be 0.003 px off here. */
    assert_poses(&t, &s, 0.05);
}

static void thread_count_changes_nothing(void **state)
{
    (void)state;
    take t = new_take(13);
    t.frames = 5;
    t.reference = 2;
    settle(&t);
    solved one = register_take(&t, 1), three = register_take(&t, 3);
    assert_memory_equal(one.poses, three.poses, sizeof one.poses);
}

static void frames_without_detail_are_refused_by_number(void **state)
{
    (void)state;
    take t = new_take(14);
    t.frames = 3;
    t.reference = 1;
    for (int k = 0; k < 3; k++)
        t.blank[k] = 1;
    settle(&t);
    solved s = register_take(&t, 1);
    assert_int_equal(s.status, RF_ERR_ALIGN);
    assert_non_null(strstr(s.error.text, "0 to 2"));
}

static void reduced_luma_gives_full_size_poses(void **state)
{
    (void)state;
    take t = new_take(15);
    settle(&t);
    rf_error err = {0};
    rf_image full = {0}, half = {0};
    rf_align *align = NULL;
    rf_align_result result;
    solved s;
    rf_align_options o = options_of(&t);
    o.reduce = 2;
    assert_int_equal(rf_image_alloc(&full, WIDTH, HEIGHT, 1, RF_F32, "luma", &err), RF_OK);
    assert_int_equal(rf_image_alloc(&half, WIDTH / 2, HEIGHT / 2, 1, RF_F32, "luma", &err), RF_OK);
    assert_int_equal(rf_align_create(&align, &o, NULL, &err), RF_OK);
    for (int k = 0; k < t.frames; k++) {
        draw(&t, k, &full);
        rf_image_luma(&full, 2, &half, NULL);
        assert_int_equal(rf_align_add_frame(align, &half, &err), RF_OK);
    }
    assert_int_equal(rf_align_solve(align, s.poses, &result, &err), RF_OK);
    assert_poses(&t, &s, 0.2); /* a tenth of a pixel of the luma */
    rf_align_destroy(&align);
    rf_image_free(&full);
    rf_image_free(&half);
}

static void left_out_frame_gets_a_pose_between_its_neighbours(void **state)
{
    (void)state;
    take t = new_take(16);
    settle(&t);
    rf_error err = {0};
    rf_image luma = {0};
    rf_align *align = NULL;
    rf_align_result result;
    rf_pose poses[FRAMES];
    rf_align_options o = options_of(&t);
    assert_int_equal(rf_image_alloc(&luma, WIDTH, HEIGHT, 1, RF_F32, "luma", &err), RF_OK);
    assert_int_equal(rf_align_create(&align, &o, NULL, &err), RF_OK);
    for (int k = 0; k < t.frames; k++) {
        draw(&t, k, &luma);
        assert_int_equal(rf_align_add_frame(align, k == 6 ? NULL : &luma, &err), RF_OK);
    }
    assert_int_equal(rf_align_solve(align, poses, &result, &err), RF_OK);
    assert_false(result.frames[6].measured);
    assert_true(result.frames[7].measured);
    assert_near(rf_pose_scale(&poses[6]), 1 + 2 / 250.0, 2e-4); /* the law of the steps gives it its scale */
    rf_align_destroy(&align);
    rf_image_free(&luma);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(advancing_rail_is_recovered_to_a_tenth_of_a_pixel),
        cmocka_unit_test(retreating_rail_is_told_from_the_frames),
        cmocka_unit_test(scale_of_the_pose_is_linear_in_the_frame_number),
        cmocka_unit_test(other_reference_gives_its_own_view),
        cmocka_unit_test(bump_is_followed_and_flagged),
        cmocka_unit_test(lasting_jump_is_followed),
        cmocka_unit_test(blank_frame_is_bridged_and_not_used),
        cmocka_unit_test(lamp_jump_becomes_gain),
        cmocka_unit_test(repeating_scale_is_not_taken_for_a_shift_by_its_period),
        cmocka_unit_test(hot_pixels_do_not_pull_to_standstill),
        cmocka_unit_test(far_backdrop_that_stands_still_is_left_out),
        cmocka_unit_test(two_frames_are_enough),
        cmocka_unit_test(thread_count_changes_nothing),
        cmocka_unit_test(frames_without_detail_are_refused_by_number),
        cmocka_unit_test(reduced_luma_gives_full_size_poses),
        cmocka_unit_test(left_out_frame_gets_a_pose_between_its_neighbours),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

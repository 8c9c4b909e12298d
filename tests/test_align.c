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

#include "align_take.h"
#include "railfold/align.h"

#define assert_near(value, wanted, allowed) assert_true(fabs((value) - (wanted)) <= (allowed))

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

/* With the frames one, two and four places before; with few threads the last two are measured beside the next frame's
 * first steps, and no frame follows the last. */
static void every_frame_is_measured_against_three_before_it(void **state)
{
    (void)state;
    take t = new_take(1);
    settle(&t);
    for (int threads = 1; threads <= 4; threads++) {
        solved s = register_take(&t, threads);
        assert_int_equal(s.status, RF_OK);
        assert_int_equal(s.result.pairs_measured, (FRAMES - 1) + (FRAMES - 2) + (FRAMES - 4));
    }
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

static void pattern_that_blank_frames_share_is_no_link(void **state)
{
    (void)state;
    take t = new_take(17);
    settle(&t);
    t.blank[2] = t.blank[3] = 2;
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_poses(&t, &s, 0.2); /* the far side hangs on pairs four steps apart */
    assert_false(s.frames[2].measured);
    assert_int_equal(s.result.gaps, 0);
}

static void gap_that_no_pair_bridges_is_told(void **state)
{
    (void)state;
    take t = new_take(18);
    settle(&t);
    t.blank[3] = t.blank[4] = t.blank[5] = t.blank[6] = 1;
    solved s = register_take(&t, 2);
    assert_int_equal(s.status, RF_OK);
    assert_int_equal(s.result.gaps, 1);
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
    solved one = register_take(&t, 1);
    for (int threads = 2; threads <= 4; threads++) {
        solved several = register_take(&t, threads);
        assert_memory_equal(one.poses, several.poses, sizeof one.poses);
    }
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
        cmocka_unit_test(every_frame_is_measured_against_three_before_it),
        cmocka_unit_test(retreating_rail_is_told_from_the_frames),
        cmocka_unit_test(scale_of_the_pose_is_linear_in_the_frame_number),
        cmocka_unit_test(other_reference_gives_its_own_view),
        cmocka_unit_test(bump_is_followed_and_flagged),
        cmocka_unit_test(lasting_jump_is_followed),
        cmocka_unit_test(blank_frame_is_bridged_and_not_used),
        cmocka_unit_test(pattern_that_blank_frames_share_is_no_link),
        cmocka_unit_test(gap_that_no_pair_bridges_is_told),
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

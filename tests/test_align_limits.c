/* test_align_limits.c - registration at its limits: tiny and identical frames, wrong input, memory. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "railfold/align.h"
#include "railfold/memory.h"
#include "failing_memory.h"

#define assert_near(value, wanted, allowed) assert_true(fabs((value) - (wanted)) <= (allowed))

static double random_unit(uint64_t *state) /* splitmix64 */
{
    uint64_t z = (*state += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return (double)((z ^ (z >> 31)) >> 11) / 9007199254740992.0;
}

static double corner_error(const rf_pose *a, const rf_pose *b)
{
    double worst = 0;
    for (int i = 0; i < 4; i++) {
        double x = i % 2 * (1000), y = i / 2 * (1000), ax, ay, bx, by;
        rf_pose_apply(a, x, y, &ax, &ay);
        rf_pose_apply(b, x, y, &bx, &by);
        worst = fmax(worst, hypot(ax - bx, ay - by));
    }
    return worst;
}

/* The same frame of noise over and over. */
static rf_status plain_take(int width, int height, int frames, rf_pose *poses, rf_align_result *result, rf_error *err)
{
    rf_status status;
    rf_align *align = NULL;
    rf_image luma = {0};
    rf_align_options o = rf_align_options_default();
    o.full_width = width;
    o.full_height = height;
    o.frame_count = frames;
    RF_TRY(rf_image_alloc(&luma, width, height, 1, RF_F32, "luma", err));
    RF_TRY(rf_align_create(&align, &o, NULL, err));
    uint64_t seed = 3;
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++)
            rf_image_row_f32(&luma, y)[x] = (float)(0.2 + 0.6 * random_unit(&seed));
    for (int k = 0; k < frames; k++)
        RF_TRY(rf_align_add_frame(align, &luma, err));
    RF_TRY(rf_align_solve(align, poses, result, err));
done:
    rf_align_destroy(&align);
    rf_image_free(&luma);
    return status;
}

static void identical_frames_get_the_identity(void **state)
{
    (void)state;
    static const int sizes[][2] = {{1, 1}, {16, 16}, {40, 33}, {200, 97}, {31, 700}};
    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        rf_pose poses[4], identity = rf_pose_identity();
        rf_align_result result;
        rf_error err = {0};
        assert_int_equal(plain_take(sizes[i][0], sizes[i][1], 4, poses, &result, &err), RF_OK);
        for (int k = 0; k < 4; k++) {
            assert_true(corner_error(&poses[k], &identity) <
                        1e-4); /* a float's rounding, nothing is there to measure */
            assert_near(poses[k].gain[0], 1, 1e-6);
        }
        assert_int_equal(result.way, RF_RAIL_STILL);
    }
}

static void single_frame_is_taken_as_it_is(void **state)
{
    (void)state;
    rf_pose pose, identity = rf_pose_identity();
    rf_align_result result;
    rf_error err = {0};
    assert_int_equal(plain_take(100, 80, 1, &pose, &result, &err), RF_OK);
    assert_true(corner_error(&pose, &identity) < 1e-9);
    assert_true(pose.usable);
}

static void options_and_frames_that_do_not_fit_are_refused(void **state)
{
    (void)state;
    rf_error err = {0};
    rf_align *align = NULL;
    rf_align_options o = rf_align_options_default();
    assert_int_equal(rf_align_create(&align, &o, NULL, &err), RF_ERR_USAGE);
    o.full_width = o.full_height = 64;
    o.frame_count = 2;
    o.reference = 2;
    assert_int_equal(rf_align_create(&align, &o, NULL, &err), RF_ERR_USAGE);
    o.reference = 0;
    o.reduce = 3;
    assert_int_equal(rf_align_create(&align, &o, NULL, &err), RF_ERR_USAGE);
    o.reduce = 1;
    assert_int_equal(rf_align_create(&align, &o, NULL, &err), RF_OK);
    rf_image luma = {0};
    rf_align_result result;
    rf_pose poses[2];
    assert_int_equal(rf_image_alloc(&luma, 63, 64, 1, RF_F32, "luma", &err), RF_OK);
    assert_int_equal(rf_align_add_frame(align, &luma, &err), RF_ERR_INPUT);
    assert_int_equal(rf_align_solve(align, poses, &result, &err), RF_ERR_USAGE); /* frames are missing */
    assert_int_equal(rf_align_add_frame(align, NULL, &err), RF_OK);
    assert_int_equal(rf_align_add_frame(align, NULL, &err), RF_OK);
    assert_int_equal(rf_align_add_frame(align, NULL, &err), RF_ERR_INPUT);
    rf_image_free(&luma);
    rf_align_destroy(&align);
}

static void memory_keeps_to_the_formula_and_not_to_the_frame_count(void **state)
{
    (void)state;
    static const int sizes[][2] = {{64, 64}, {640, 480}, {1500, 300}};
    for (size_t i = 0; i < 3; i++) {
        size_t width = (size_t)sizes[i][0], height = (size_t)sizes[i][1], base = rf_memory_held(), peak[2];
        for (int n = 0; n < 2; n++) {
            int frames = n == 0 ? 6 : 12;
            rf_pose poses[12];
            rf_align_result result;
            rf_error err = {0};
            rf_memory_reset_peak();
            assert_int_equal(plain_take(sizes[i][0], sizes[i][1], frames, poses, &result, &err), RF_OK);
            size_t luma = height * ((width * sizeof(float) + 63) / 64 * 64); /* the test's own */
            peak[n] = rf_memory_peak() - base - luma;
            assert_true(peak[n] <= 48 * width * height + (2u << 20) + 4096 * (size_t)frames);
        }
        assert_true(peak[1] - peak[0] <= 6 * 4096);
        assert_int_equal(rf_memory_held(), base);
    }
}

static void every_failing_allocation_is_survived(void **state)
{
    (void)state;
    failing_memory memory = failing_memory_start();
    rf_status status;
    rf_error err;
    do {
        rf_pose poses[3];
        rf_align_result result;
        err = (rf_error){0};
        failing_memory_arm(&memory);
        status = plain_take(80, 60, 3, poses, &result, &err);
    } while (failing_memory_goes_on(&memory, status, &err));
    assert_true(memory.failures >= 20);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(identical_frames_get_the_identity),
        cmocka_unit_test(single_frame_is_taken_as_it_is),
        cmocka_unit_test(options_and_frames_that_do_not_fit_are_refused),
        cmocka_unit_test(memory_keeps_to_the_formula_and_not_to_the_frame_count),
        cmocka_unit_test(every_failing_allocation_is_survived),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* The planner's marks, flicker, frames and rail against published tables and values, as in test_plan.c. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "plan_near.h"
#include "railfold/plan.h"

/* ISO 517 and ISO 516 series: exact members against their marks (scantips.com/lights/fstop2). */
static void marks_stand_for_exact_members_of_the_series(void **state)
{
    (void)state;
    static const double full[] = {1, 1.4142, 2, 2.8284, 4, 5.6569, 8, 11.3137, 16, 22.6274, 32, 45.2548};
    static const struct {
        double marked, exact;
    } thirds[] = {
        {2.8, 2.8284}, {3.2, 3.1748}, {3.5, 3.5636}, {4, 4},   {4.5, 4.4898}, {5, 5.0397},
        {5.6, 5.6569}, {6.3, 6.3496}, {7.1, 7.1272}, {8, 8},   {9, 8.9797},   {10, 10.0794},
        {11, 11.3137}, {13, 12.6992}, {14, 14.2544}, {16, 16}, {18, 17.9594}, {20, 20.1587},
        {22, 22.6274}, {25, 25.3984}, {29, 28.5088}, {32, 32},
    };
    static const double halves[][2] = {{1.7, 1.6818}, {2.4, 2.3784}, {3.3, 3.3636}, {4.8, 4.7568},
                                       {6.7, 6.7272}, {9.5, 9.5137}, {19, 19.0273}, {27, 26.9087}}; /* 2^(k/4) */
    static const struct {
        double marked, exact;
    } times[] = {
        {1, 1},
        {0.8, 0.7937},
        {0.6, 0.6300},
        {0.5, 0.5},
        {0.4, 0.3969},
        {0.3, 0.3150},
        {0.25, 0.25},
        {1 / 5.0, 0.1984},
        {1 / 6.0, 0.1575},
        {1 / 8.0, 0.125},
        {30, 32},
        {15, 16},
        {1 / 60.0, 0.015625},
        {1 / 125.0, 0.0078125},
    };
    for (size_t i = 0; i < COUNT(full); i++)
        assert_near(rf_plan_exact_f_number(rf_plan_full_stop_mark((int)i)), full[i], 2e-5);
    for (size_t i = 0; i < COUNT(thirds); i++)
        assert_near(rf_plan_exact_f_number(thirds[i].marked), thirds[i].exact, 2e-5);
    for (size_t i = 0; i < COUNT(halves); i++)
        assert_near(rf_plan_exact_f_number(halves[i][0]), halves[i][1], 2e-5);
    for (size_t i = 0; i < COUNT(times); i++)
        assert_near(rf_plan_exact_shutter_s(times[i].marked), times[i].exact, 2e-4);
    assert_true(rf_plan_exact_f_number(7.6) == 7.6 && rf_plan_exact_f_number(11.3137) == 11.3137); /* no marks */
    assert_true(rf_plan_exact_shutter_s(0.008 * 1.01) == 0.008 * 1.01 && rf_plan_exact_shutter_s(45) == 45);
    assert_true(isnan(rf_plan_full_stop_mark(-1)) && isnan(rf_plan_full_stop_mark(RF_PLAN_FULL_STOPS)));
}

/* How far marks are off, in stops (recomputed): why they are converted before any arithmetic. */
static void marks_are_off_by_the_known_amounts(void **state)
{
    (void)state;
    assert_within(2 * log2(11 / rf_plan_exact_f_number(11)), -0.081, 0.0005);
    assert_within(2 * log2(22 / rf_plan_exact_f_number(22)), -0.081, 0.0005);
    assert_within(2 * log2(5.6 / rf_plan_exact_f_number(5.6)), -0.029, 0.0005);
    assert_within(log2(1 / 125.0 / rf_plan_exact_shutter_s(1 / 125.0)), 0.034, 0.0005);
    assert_within(log2(1 / 60.0 / rf_plan_exact_shutter_s(1 / 60.0)), 0.093, 0.0005);
    assert_within(log2(rf_plan_exact_shutter_s(30) / 30), 0.093, 0.0005);
}

static void the_nearest_dial_mark_is_found(void **state)
{
    (void)state;
    static const double table[][2] = {{4.5, 5},   {2, 2}, {9, 10}, {1 / 63.0, 1 / 60.0}, {0.0078125, 1 / 125.0},
                                      {0.29, 0.3}};
    for (size_t i = 0; i < COUNT(table); i++)
        assert_near(rf_plan_nearest_shutter_mark_s(table[i][0]), table[i][1], 1e-12);
}

/* f/8 at 1/2 s and f/11 at 1 s expose alike: common practice, no source. With a literal 11 they would not. */
static void f8_half_a_second_exposes_like_f11_one_second(void **state)
{
    (void)state;
    double first = rf_plan_exposure_value(rf_plan_exact_f_number(8), 0.5);
    double second = rf_plan_exposure_value(rf_plan_exact_f_number(11), 1);
    assert_within(first, 7, 1e-12);
    assert_within(second, 7, 1e-12);
    assert_within(rf_plan_exposure_value(11, 1), 6.919, 0.0005);
}

/* |sin(pi F t)| / (pi F t), F = 100 or 120 Hz: the mean of a fully modulated sine over the exposure (recomputed; the
 * rule of whole ripples is common practice, no source). */
static void flicker_follows_the_table(void **state)
{
    (void)state;
    static const struct {
        double t, at_50_hz, at_60_hz, bound_50_hz;
    } table[] = {
        {1 / 125.0, 23.4, 4.2, 39.8},
        {1 / 100.0, 0, 15.6, 31.8},
        {1 / 60.0, 16.5, 0, 19.1},
        {1 / 50.0, 0, 12.6, 15.9},
        {1 / 30.0, 8.3, 0, 9.5},
        {1 / 20.0, 0, 0, 6.4},
        {1 / 8.0, 2.5, 0, 2.5},
        {1 / 3.0, 0.83, 0, 0.95},
        {0.5, 0, 0, 0.64},
        {1, 0, 0, 0.32},
    };
    for (size_t i = 0; i < COUNT(table); i++) {
        assert_within(rf_plan_flicker_percent(50, table[i].t), table[i].at_50_hz, table[i].t < 0.3 ? 0.06 : 0.006);
        assert_within(rf_plan_flicker_percent(60, table[i].t), table[i].at_60_hz, 0.06);
        assert_true(rf_plan_flicker_percent(50, table[i].t) <= table[i].bound_50_hz + 0.06);
    }
    /* "1/30" is 1/32 on an exact dial: no longer a whole number of ripples. */
    assert_within(rf_plan_flicker_percent(60, rf_plan_exact_shutter_s(1 / 30.0)), 6.0, 0.06);
    assert_within(rf_plan_flicker_percent(50, rf_plan_exact_shutter_s(1 / 30.0)), 3.9, 0.06);
}

/* step = depth of field (1 - overlap), frames = ceil(depth/step) + 1: recomputed; an overlap of 20 to 50 % is common
 * practice, no source. */
static void frames_follow_the_table(void **state)
{
    (void)state;
    static const struct {
        double depth_mm, field_mm, overlap, step_mm;
        int frames;
    } table[] = {
        {5, 0.360, 0.30, 0.2520, 21},  {5, 0.960, 0.30, 0.6720, 9},     {10, 0.360, 0.20, 0.2880, 36},
        {5, 0.1152, 0.50, 0.0576, 88}, {1, 0.0088, 0.30, 0.00616, 164},
    };
    for (size_t i = 0; i < COUNT(table); i++) {
        double step = table[i].field_mm * (1 - table[i].overlap);
        assert_near(step, table[i].step_mm, 1e-9);
        assert_true(rf_plan_frames(table[i].depth_mm, step, 0) == table[i].frames);
        assert_true(rf_plan_frames(table[i].depth_mm, step, 2) == table[i].frames + 4);
    }
}

static void whole_divisions_are_not_lost_to_rounding(void **state)
{
    (void)state;
    assert_true(rf_plan_frames(5, 0.25, 0) == 21);
    for (int steps = 1; steps <= 5000; steps++) { /* depth an exact multiple of a step that no double holds */
        assert_true(rf_plan_frames(steps * 0.1, 0.1, 0) == steps + 1);
        assert_true(rf_plan_whole_units(steps * 0.1, 0.1) == steps);
    }
    assert_true(rf_plan_frames(5.001, 0.25, 0) == 22);
    assert_true(rf_plan_whole_units(0.0999, 0.01) == 9);
    assert_true(rf_plan_whole_units(0.009, 0.01) == 0);
}

/* Leads and divisions: travel of one division = lead / divisions, 200 full steps a turn, 10 degrees = 1/36 turn
 * (recomputed). */
static void rail_conversions_follow_the_table(void **state)
{
    (void)state;
    static const struct {
        double lead_mm, full_um, sixteenth_um, ten_degrees_um, turns_for_100_um;
    } table[] = {
        {0.5, 2.5, 0.15625, 13.89, 0.2},   {0.635, 3.175, 0.1984, 17.64, 0.1575}, {1, 5, 0.3125, 27.78, 0.1},
        {1.25, 6.25, 0.3906, 34.72, 0.08}, {1.27, 6.35, 0.3969, 35.28, 0.07874},  {2, 10, 0.625, 55.56, 0.05},
        {5, 25, 1.5625, 138.9, 0.02},      {8, 40, 2.5, 222.2, 0.0125},
    };
    for (size_t i = 0; i < COUNT(table); i++) {
        const int divisions[] = {200, 3200, 36};
        const double unit_um[] = {table[i].full_um, table[i].sixteenth_um, table[i].ten_degrees_um};
        rf_plan_options options = RF_PLAN_OPTIONS_DEFAULT;
        rf_plan_result plan;
        options.magnification = 1;
        options.f_number_marked = 8;
        options.lead_mm = table[i].lead_mm;
        options.step_mm = 0.1;
        assert_int_equal(rf_plan_compute(&options, &plan, NULL), RF_OK);
        assert_near(plan.knob_turns_per_step, table[i].turns_for_100_um, 2e-4);
        options.step_mm = 1;
        for (size_t j = 0; j < COUNT(divisions); j++) {
            options.divisions = divisions[j];
            assert_int_equal(rf_plan_compute(&options, &plan, NULL), RF_OK);
            assert_near(plan.step_mm / plan.knob_divisions_per_step * 1000, unit_um[j], 4e-4);
            assert_true(plan.step_mm <= 1 + 1e-9); /* down, never up */
            assert_true(plan.step_mm > 1 - plan.step_mm / plan.knob_divisions_per_step - 1e-9);
        }
    }
}

/* d / (d - step), and pixels at the corner of 6000 x 4000: similar triangles; recomputed. */
static void scale_per_step_follows_the_table(void **state)
{
    (void)state;
    static const struct {
        double distance_mm, step_mm, scale, corner_px;
    } table[] = {{200, 0.1, 1.0005003, 1.804},
                 {100, 0.05, 1.0005003, 0},
                 {50, 0.02, 1.0004002, 1.443},
                 {200, 0.25, 1.0012516, 4.513}};
    for (size_t i = 0; i < COUNT(table); i++) {
        double scale = rf_plan_scale_per_step(table[i].distance_mm, table[i].step_mm);
        assert_within(scale, table[i].scale, 6e-8);
        if (table[i].corner_px > 0)
            assert_within((scale - 1) * hypot(3000, 2000), table[i].corner_px, 0.0006);
    }
    assert_true(isnan(rf_plan_scale_per_step(1, 1)));
}

static void what_is_not_known_stays_not_known(void **state)
{
    (void)state;
    assert_true(isnan(rf_plan_exact_f_number(NAN)) && isnan(rf_plan_exact_shutter_s(NAN)));
    assert_true(isnan(rf_plan_depth_geometric_mm(8, NAN, 1, 1)));
    assert_true(isnan(rf_plan_flicker_percent(50, NAN)) && isnan(rf_plan_flicker_percent(NAN, 1)));
    assert_true(isnan(rf_plan_frames(NAN, 1, 2)) && isnan(rf_plan_scale_per_step(NAN, 1)));
    assert_true(isnan(rf_plan_backdrop_blur_mm(1, 12.5, 200, NAN)) && isnan(rf_plan_whole_units(NAN, 1)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(marks_stand_for_exact_members_of_the_series),
        cmocka_unit_test(marks_are_off_by_the_known_amounts),
        cmocka_unit_test(the_nearest_dial_mark_is_found),
        cmocka_unit_test(f8_half_a_second_exposes_like_f11_one_second),
        cmocka_unit_test(flicker_follows_the_table),
        cmocka_unit_test(frames_follow_the_table),
        cmocka_unit_test(whole_divisions_are_not_lost_to_rounding),
        cmocka_unit_test(rail_conversions_follow_the_table),
        cmocka_unit_test(scale_per_step_follows_the_table),
        cmocka_unit_test(what_is_not_known_stays_not_known),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

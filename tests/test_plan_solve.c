/* The planner's searches and its comparison, and values that cannot be. */
#include "plan_pebble.h"

static void the_sharpest_aperture_within_the_frames_is_found(void **state)
{
    (void)state;
    const int limits[] = {400, 172, 171, 105, 60, 51, 50, 17, 7};
    for (size_t i = 0; i < COUNT(limits); i++) {
        rf_plan_options options = pebble(), plain = pebble();
        options.lead_mm = plain.lead_mm = 1;
        options.divisions = plain.divisions = 100;
        options.goal = RF_PLAN_GOAL_APERTURE;
        options.f_number_marked = 0;
        options.max_frames = limits[i];
        rf_plan_result found = plan_of(&options);
        assert_true(found.frames <= limits[i] && found.overlap >= 0.3 - 1e-9);
        for (int stop = 3; stop < 12; stop++) { /* f/2.8 to f/45: none that keeps the limits is sharper */
            plain.f_number_marked = rf_plan_full_stop_mark(stop);
            rf_plan_result other = plan_of(&plain);
            if (other.frames <= limits[i] && other.overlap >= 0.3 - 1e-9)
                assert_true(found.worst_blur_px <= other.worst_blur_px + 1e-12);
        }
        plain.f_number_marked = found.f_number_marked; /* the search changes nothing but the aperture */
        assert_int_equal(plan_of(&plain).frames, found.frames);
    }
    rf_plan_options options = pebble();
    options.goal = RF_PLAN_GOAL_APERTURE;
    options.f_number_marked = 3.5; /* the lens opens no wider */
    assert_true(plan_of(&options).f_number_marked == 3.5);
    options.max_frames = 5; /* the five that guard and ends need alone */
    assert_refused(&options, "--max-frames 5");
}

static void the_step_that_fits_is_found(void **state)
{
    (void)state;
    rf_plan_options options = pebble();
    options.f_number_marked = 4;
    options.lead_mm = 1;
    options.divisions = 100;
    options.goal = RF_PLAN_GOAL_STEP;
    rf_plan_result free_choice = plan_of(&options);
    assert_int_equal(free_choice.frames, 105);
    for (int limit = 6; limit <= 120; limit++) {
        options.max_frames = limit;
        rf_plan_result plan = plan_of(&options);
        assert_true(plan.frames <= limit);
        if (limit >= free_choice.frames)
            assert_int_equal(plan.frames, free_choice.frames);
        else /* one division less would break the limit */
            assert_true(rf_plan_frames(5, (plan.knob_divisions_per_step - 1) * 0.01, 2) > limit);
    }
    options.max_frames = 5;
    assert_refused(&options, "--max-frames 5");
    options.step_mm = 0.1;
    assert_refused(&options, "--step 0.1");
}

static void the_fewest_frames_stop_before_diffraction(void **state)
{
    (void)state;
    rf_plan_options options = pebble();
    options.f_number_marked = 0;
    options.goal = RF_PLAN_GOAL_FRAMES;
    rf_plan_result plan = plan_of(&options);
    assert_true(plan.f_number_marked == 2.8 && !plan.wave_rules);
    options.blur_px = 8; /* c = 48 um = 2 lambda N_eff at N = 14.5 */
    plan = plan_of(&options);
    assert_true(plan.f_number_marked == 11 && !plan.wave_rules);
    options.max_frames = plan.frames - 1;
    plan = plan_of(&options);
    assert_true(plan.f_number_marked == 16 && plan.wave_rules && plan.frames <= options.max_frames);
    options.f_number_marked = 8; /* given: counted, with a step of the photographer's own */
    options.step_mm = 0.25;
    options.max_frames = 0;
    plan = plan_of(&options);
    assert_int_equal(plan.frames, 20 + 1 + 4);
    assert_true(plan.f_number_marked == 8);
}

static void a_step_already_chosen_asks_for_the_aperture_that_holds_it(void **state)
{
    (void)state;
    rf_plan_options options = pebble();
    options.f_number_marked = 0;
    options.goal = RF_PLAN_GOAL_APERTURE;
    options.step_mm = 0.2;
    rf_plan_result plan = plan_of(&options);
    assert_true(plan.f_number_marked == 8); /* depth of field 0.317 mm; f/5.6 has 0.158 */
    assert_near(plan.step_mm, 0.2, 1e-12);
    options.step_mm = 50;
    assert_refused(&options, "step of 50 mm");
}

static void the_comparison_agrees_with_single_plans(void **state)
{
    (void)state;
    rf_plan_options options = pebble();
    rf_plan_result rows[RF_PLAN_COMPARE_MAX];
    int count = 0;
    options.shutter_s = 1;
    options.f_number_marked = 9.5;
    assert_int_equal(rf_plan_compare(&options, rows, &count, NULL), RF_OK);
    assert_int_equal(count, 12);
    for (int i = 0; i < count; i++) {
        rf_plan_options single = options;
        single.f_number_marked = rows[i].f_number_marked;
        single.metered_f_number_marked = 9.5;
        rf_plan_result plan = plan_of(&single);
        assert_int_equal(plan.frames, rows[i].frames);
        assert_near(rows[i].shutter_s, plan.shutter_s, 1e-12);
        assert_true(i == 0 || rows[i].f_number_marked > rows[i - 1].f_number_marked);
        /* The same light: EV less the factor's stops is that of the reading. */
        assert_near(rf_plan_exposure_value(rows[i].f_number, rows[i].shutter_s) + log2(9),
                    rf_plan_exposure_value(rf_plan_exact_f_number(9.5), 1), 1e-12);
    }
    options.f_number_marked = 0; /* metered at no known aperture */
    assert_int_equal(rf_plan_compare(&options, rows, &count, NULL), RF_OK);
    assert_int_equal(count, 11);
    assert_true(isnan(rows[0].shutter_s));
    options.f_number_marked = 128;
    assert_int_equal(rf_plan_compare(&options, rows, &count, NULL), RF_OK);
    assert_true(count == 12 && rows[11].f_number_marked == 128);
}

static void contradictions_are_refused_by_name(void **state)
{
    (void)state;
    rf_plan_options options = pebble();
    options.extension_mm = 100;
    assert_refused(&options, "--extension 100 and --magnification 2 conflict");
    options = pebble();
    options.field_width_mm = 20;
    assert_refused(&options, "--field-width 20");
    options = pebble();
    options.pitch_mm = 0.004;
    assert_refused(&options, "--pitch 4");
    options = pebble();
    options.pixels[1] = 6000;
    assert_refused(&options, "--pixels 6000x6000");
    options = pebble();
    options.sensor_mm[0] = options.sensor_mm[1] = 0;
    options.magnification = 0;
    options.field_width_mm = 18;
    assert_refused(&options, "--sensor");
    options = pebble();
    options.magnification = 0;
    assert_refused(&options, "--magnification");
    options = pebble();
    options.f_number_marked = 0;
    assert_refused(&options, "--aperture");
    options = pebble();
    options.divisions = 100;
    assert_refused(&options, "--lead");
    options = pebble();
    options.medium_index = 1.33;
    assert_refused(&options, "--medium 1.33");
    options = pebble();
    options.objective[0] = 10;
    options.objective[1] = 0.25;
    assert_refused(&options, "--objective 10/0.25");
}

static void impossible_distances_are_refused(void **state)
{
    (void)state;
    rf_plan_options options = pebble();
    options.working_distance_mm = 450; /* all there is between subject and sensor */
    assert_refused(&options, "--working-distance 450");
    options.working_distance_mm = 140;
    (void)plan_of(&options);
    options.subject_depth_mm = 450;
    assert_refused(&options, "--subject-depth 450");
}

static void objectives_that_cannot_be_are_refused(void **state)
{
    (void)state;
    rf_plan_options options = RF_PLAN_OPTIONS_DEFAULT;
    options.objective[0] = 60;
    options.objective[1] = 1.3;
    assert_refused(&options, "--objective 60/1.3");
    options.medium_index = 1.3;
    assert_refused(&options, "--objective 60/1.3");
    options.medium_index = 1.515;
    (void)plan_of(&options);
    options.metering = RF_PLAN_METERED_EXTERNAL;
    assert_refused(&options, "--metered external");
    options.metering = RF_PLAN_METERED_UNSAID;
    options.goal = RF_PLAN_GOAL_APERTURE;
    assert_refused(&options, "--solve aperture");
}

/* Every number, one at a time: negative, NaN and infinite. */
static void no_number_out_of_range_gets_through(void **state)
{
    (void)state;
    static const size_t fields[] = {
        offsetof(rf_plan_options, focal_mm),         offsetof(rf_plan_options, extension_mm),
        offsetof(rf_plan_options, magnification),    offsetof(rf_plan_options, field_width_mm),
        offsetof(rf_plan_options, f_number_marked),  offsetof(rf_plan_options, pupil_ratio),
        offsetof(rf_plan_options, objective),        offsetof(rf_plan_options, medium_index),
        offsetof(rf_plan_options, sensor_mm),        offsetof(rf_plan_options, pitch_mm),
        offsetof(rf_plan_options, subject_depth_mm), offsetof(rf_plan_options, blur_px),
        offsetof(rf_plan_options, wavelength_mm),    offsetof(rf_plan_options, overlap_percent),
        offsetof(rf_plan_options, step_mm),          offsetof(rf_plan_options, lead_mm),
        offsetof(rf_plan_options, smallest_step_mm), offsetof(rf_plan_options, working_distance_mm),
        offsetof(rf_plan_options, shutter_s),        offsetof(rf_plan_options, metered_f_number_marked),
        offsetof(rf_plan_options, timer_s),          offsetof(rf_plan_options, settle_s),
        offsetof(rf_plan_options, mains_hz),         offsetof(rf_plan_options, backdrop_mm),
        offsetof(rf_plan_options, frame_mb),
    };
    const double bad[] = {-1, NAN, INFINITY, -INFINITY};
    for (size_t i = 0; i < COUNT(fields); i++)
        for (size_t j = 0; j < COUNT(bad); j++) {
            rf_plan_options options = pebble();
            memcpy((char *)&options + fields[i], &bad[j], sizeof bad[j]);
            assert_refused(&options, "--");
        }
    rf_plan_options options = pebble();
    options.pixels[0] = -6000;
    assert_refused(&options, "--pixels");
    options = pebble();
    options.guard_frames = -1;
    assert_refused(&options, "--guard");
    options = pebble();
    options.max_frames = -1;
    assert_refused(&options, "--max-frames");
}

static void a_take_without_end_is_refused(void **state)
{
    (void)state;
    rf_plan_options options = pebble();
    options.step_mm = 1e-5;
    assert_refused(&options, "100000 frames");
    options.step_mm = 1e-300;
    assert_refused(&options, "100000 frames");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_sharpest_aperture_within_the_frames_is_found),
        cmocka_unit_test(the_step_that_fits_is_found),
        cmocka_unit_test(the_fewest_frames_stop_before_diffraction),
        cmocka_unit_test(a_step_already_chosen_asks_for_the_aperture_that_holds_it),
        cmocka_unit_test(the_comparison_agrees_with_single_plans),
        cmocka_unit_test(contradictions_are_refused_by_name),
        cmocka_unit_test(impossible_distances_are_refused),
        cmocka_unit_test(objectives_that_cannot_be_are_refused),
        cmocka_unit_test(no_number_out_of_range_gets_through),
        cmocka_unit_test(a_take_without_end_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* The whole plan: what follows from what, what stays open, and what is warned of. */
#include "plan_pebble.h"

/* Worked by hand from the definitions: c = 2 x 6 um, N_eff = 11.3137 x 3, lambda/NA^2 = 4 lambda N_eff^2 / m^2. */
static void the_pebble_is_planned_by_the_definitions(void **state)
{
    (void)state;
    rf_plan_options options = pebble();
    options.lead_mm = 1;
    options.divisions = 100;
    options.shutter_s = 1;
    options.timer_s = 2;
    options.settle_s = 3;
    options.frame_mb = 25;
    options.mains_hz = 50;
    options.backdrop_mm = 100;
    rf_plan_result plan = plan_of(&options);
    assert_near(plan.extension_mm, 200, 1e-12);
    assert_near(plan.effective_f_number, 3 * 8 * sqrt(2), 1e-12);
    assert_near(plan.blur_limit_um, 12, 1e-12);
    assert_near(plan.depth_of_field_geometric_mm, 2 * 24 * sqrt(2) * 0.012 / 4, 1e-12);
    assert_near(plan.depth_of_field_wave_mm, 4 * 550e-6 * 1152 / 4, 1e-12);
    assert_true(plan.wave_rules && plan.depth_of_field_mm == plan.depth_of_field_wave_mm);
    assert_near(plan.step_wanted_mm, 0.6336 * 0.7, 1e-12);
    assert_true(plan.knob_divisions_per_step == 44);
    assert_near(plan.step_mm, 0.44, 1e-12);
    assert_near(plan.overlap, 1 - 0.44 / 0.6336, 1e-12);
    assert_int_equal(plan.frames, 12 + 1 + 4); /* ceil(5 / 0.44) = 12 */
    assert_near(plan.travel_mm, 16 * 0.44, 1e-12);
    assert_near(plan.shutter_s, 9, 1e-12);
    assert_near(plan.duration_s, 17 * (9 + 2 + 3), 1e-12);
    assert_near(plan.card_mb, 425, 1e-12);
    assert_near(plan.field_width_mm, 18, 1e-12);
    assert_near(plan.field_height_mm, 12, 1e-12);
    assert_near(plan.pixel_um, 3, 1e-12);
    assert_near(plan.airy_diameter_px, 2.44 * 0.55 * 24 * sqrt(2) / 6, 1e-12);
    double defocus_um = 220 * 4 / (24 * sqrt(2)); /* 0.22 mm off the focus plane: z m^2 / N_eff */
    assert_near(plan.worst_blur_px, hypot(plan.airy_diameter_um, defocus_um) / 6, 1e-12);
    assert_near(plan.pupil_to_subject_mm, 150, 1e-12);
    assert_near(plan.subject_to_sensor_mm, 450, 1e-12);
    assert_near(plan.scale_per_step, 150 / 149.56, 1e-12);
    assert_near(plan.corner_shift_px_per_step, hypot(3000, 2000) * (150 / 149.56 - 1), 1e-9);
    assert_near(plan.scale_over_take, pow(150 / 149.56, 16), 1e-12);
    assert_near(plan.backdrop_blur_mm, 2 * 100 / (8 * sqrt(2)) * 100 / 250, 1e-12);
    assert_near(plan.backdrop_blur_fraction, plan.backdrop_blur_mm / 36, 1e-12);
    assert_true(plan.flicker_percent == 0); /* 9 s is 900 ripples of 10 ms */
    assert_int_equal(plan.warning_count, 1);
    assert_true(warns(&plan, RF_PLAN_WARN_DIFFRACTION));
}

static void each_of_focal_extension_and_magnification_follows(void **state)
{
    (void)state;
    rf_plan_options options = pebble();
    rf_plan_result by_magnification = plan_of(&options);
    options.magnification = 0;
    options.extension_mm = 200;
    rf_plan_result by_extension = plan_of(&options);
    options.extension_mm = 0;
    options.field_width_mm = 18;
    rf_plan_result by_field = plan_of(&options);
    options.focal_mm = 0;
    options.extension_mm = 200;
    rf_plan_result by_both = plan_of(&options);
    const rf_plan_result *others[] = {&by_extension, &by_field, &by_both};
    for (size_t i = 0; i < COUNT(others); i++) {
        assert_near(others[i]->magnification, 2, 1e-12);
        assert_near(others[i]->focal_mm, 100, 1e-12);
        assert_near(others[i]->extension_mm, 200, 1e-12);
        assert_int_equal(others[i]->frames, by_magnification.frames);
        assert_near(others[i]->pupil_to_subject_mm, 150, 1e-12);
    }
    options = pebble();
    options.extension_mm = 200; /* all three, in agreement, and within rounding */
    (void)plan_of(&options);
    options.extension_mm = 198;
    (void)plan_of(&options);
    options.focal_mm = 105;
    options.extension_mm = 150;
    options.magnification = 1.43;
    assert_near(plan_of(&options).magnification, 1.43, 1e-12);
}

static void sensor_pixels_and_pitch_follow(void **state)
{
    (void)state;
    rf_plan_options options = pebble();
    options.sensor_mm[0] = options.sensor_mm[1] = 0;
    options.pitch_mm = 0.006;
    rf_plan_result plan = plan_of(&options);
    assert_near(plan.sensor_width_mm, 36, 1e-12);
    assert_near(plan.field_height_mm, 12, 1e-12);
    options = pebble();
    options.pixels[0] = options.pixels[1] = 0;
    options.pitch_mm = 0.006;
    plan = plan_of(&options);
    assert_true(plan.pixels_wide == 6000 && plan.pixels_high == 4000);
    options = pebble();
    options.sensor_mm[0] = 23.5; /* as printed on a box: 3.917 against 3.9 um */
    options.sensor_mm[1] = 15.6;
    assert_near(plan_of(&options).pitch_um, 23.5 / 6, 1e-12);
    options.pitch_mm = 0.0039;
    (void)plan_of(&options);
}

static void missing_values_leave_only_their_own_gaps(void **state)
{
    (void)state;
    rf_plan_options options = RF_PLAN_OPTIONS_DEFAULT;
    options.magnification = 2;
    options.f_number_marked = 8;
    rf_plan_result plan = plan_of(&options);
    assert_near(plan.exposure_factor, 9, 1e-12);
    assert_near(plan.depth_of_field_mm, 4 * 550e-6 * 576 / 4, 1e-12); /* wave-optical alone: no pixels are known */
    assert_true(isnan(plan.depth_of_field_geometric_mm) && isnan(plan.pupil_to_subject_mm) &&
                isnan(plan.field_width_mm));
    assert_true(isnan(plan.shutter_s) && isnan(plan.duration_s) && isnan(plan.card_mb) && isnan(plan.backdrop_blur_mm));
    assert_true(isnan(plan.flicker_percent) && isnan(plan.knob_divisions_per_step) && isnan(plan.travel_mm));
    assert_int_equal(plan.frames, 0);
    assert_int_equal(plan.warning_count, 0);
}

/* The chain of an external meter: 1/2 s at f/8 becomes 2, 4.5, 18 s at m = 1, 2, 5; a meter behind the lens has the
 * factor in its reading (common practice, no source). */
static void external_readings_take_the_factor_and_others_do_not(void **state)
{
    (void)state;
    const double table[][2] = {{1, 2}, {2, 4.5}, {5, 18}};
    for (size_t i = 0; i < COUNT(table); i++) {
        rf_plan_options options = pebble();
        options.magnification = table[i][0];
        options.f_number_marked = 8;
        options.shutter_s = 0.5;
        assert_near(plan_of(&options).shutter_s, table[i][1], 1e-12);
        options.metering = RF_PLAN_METERED_EXTERNAL;
        assert_near(plan_of(&options).shutter_s, table[i][1], 1e-12);
        options.metering = RF_PLAN_METERED_THROUGH_LENS;
        assert_near(plan_of(&options).shutter_s, 0.5, 1e-12);
        options.metered_f_number_marked = 8; /* metered at f/8, shot at f/11: common practice, no source */
        options.f_number_marked = 11;
        assert_near(plan_of(&options).shutter_s, 1, 1e-12);
    }
}

static void more_overlap_never_needs_fewer_frames(void **state)
{
    (void)state;
    for (int divisions = 0; divisions <= 200; divisions += 50) {
        rf_plan_options options = pebble();
        options.lead_mm = 1;
        options.divisions = divisions;
        for (double aperture = 2.8; aperture < 30; aperture *= 1.3)
            for (double overlap = 1; overlap <= 47; overlap += 0.5) {
                options.f_number_marked = aperture;
                options.overlap_percent = overlap;
                int once = plan_of(&options).frames;
                options.overlap_percent = 2 * overlap;
                assert_true(plan_of(&options).frames >= once);
            }
    }
}

static void geometric_depth_at_one_effective_f_number_falls_with_m_squared(void **state)
{
    (void)state;
    for (double m = 0.25; m <= 8; m *= 2) {
        double here = rf_plan_depth_geometric_mm(24, 0.012, m, 1),
               twice = rf_plan_depth_geometric_mm(24, 0.012, 2 * m, 1);
        assert_near(here / twice, 4, 1e-12);
    }
}

static void the_step_is_rounded_down_to_the_knob_and_the_overlap_follows(void **state)
{
    (void)state;
    for (int divisions = 7; divisions <= 400; divisions++) {
        rf_plan_options options = pebble();
        options.lead_mm = 1.25;
        options.divisions = divisions;
        rf_plan_result plan = plan_of(&options);
        double division = 1.25 / divisions;
        assert_true(plan.knob_divisions_per_step == floor(plan.knob_divisions_per_step));
        assert_near(plan.step_mm, plan.knob_divisions_per_step * division, 1e-12);
        assert_true(plan.step_mm <= plan.step_wanted_mm * (1 + 1e-9) && plan.step_mm + division > plan.step_wanted_mm);
        assert_true(plan.overlap >= 0.3 - 1e-9);
        assert_near(plan.overlap, 1 - plan.step_mm / plan.depth_of_field_mm, 1e-12);
    }
}

static void an_objective_is_planned_from_its_na(void **state)
{
    (void)state;
    rf_plan_options options = RF_PLAN_OPTIONS_DEFAULT;
    options.objective[0] = 10;
    options.objective[1] = 0.25;
    options.pitch_mm = 0.004;
    options.subject_depth_mm = 1;
    options.shutter_s = 0.5;
    rf_plan_result plan = plan_of(&options);
    assert_near(plan.effective_f_number, 20, 1e-12);
    assert_near(plan.depth_of_field_wave_mm, 0.0088, 1e-12);
    assert_near(plan.shutter_s, 0.5, 1e-12);
    assert_true(isnan(plan.exposure_factor) && isnan(plan.pupil_to_subject_mm) && isnan(plan.f_number));
    assert_int_equal(plan.frames, 164 + 4);
    options.medium_index = 1.33;
    assert_near(plan_of(&options).depth_of_field_wave_mm, 0.0088 * 1.33, 1e-12);
    options.magnification = 5; /* on a shorter tube: less magnification, same NA */
    plan = plan_of(&options);
    assert_near(plan.effective_f_number, 10, 1e-12);
    assert_near(plan.na, 0.25, 1e-12);
}

static void warnings_come_when_and_only_when_due(void **state)
{
    (void)state;
    rf_plan_options options = pebble();
    options.f_number_marked = 2;
    rf_plan_result plan = plan_of(&options);
    assert_false(warns(&plan, RF_PLAN_WARN_DIFFRACTION)); /* c = 12 um; 2 lambda N_eff = 6.6 um */
    options.f_number_marked = 4;
    plan = plan_of(&options);
    assert_true(warns(&plan, RF_PLAN_WARN_DIFFRACTION)); /* 13.2 um */
    assert_near(plan.diffraction_f_number, 12 / (2 * 0.55) / 3, 1e-12);

    options.smallest_step_mm = plan.step_mm * 1.001;
    plan = plan_of(&options);
    assert_true(warns(&plan, RF_PLAN_WARN_RAIL));
    options.smallest_step_mm = plan.step_mm;
    plan = plan_of(&options);
    assert_false(warns(&plan, RF_PLAN_WARN_RAIL));
    options.lead_mm = 1;
    options.divisions = 5; /* one division is 0.2 mm, the depth of field 0.079 */
    plan = plan_of(&options);
    assert_true(warns(&plan, RF_PLAN_WARN_RAIL) && warns(&plan, RF_PLAN_WARN_OVERLAP));
    assert_true(plan.knob_divisions_per_step == 1 && plan.overlap < 0);

    options = pebble();
    options.working_distance_mm = plan_of(&options).travel_mm;
    plan = plan_of(&options);
    assert_true(warns(&plan, RF_PLAN_WARN_REACH));
    options.working_distance_mm *= 1.001;
    plan = plan_of(&options);
    assert_false(warns(&plan, RF_PLAN_WARN_REACH));
    options.working_distance_mm = 0;
    options.subject_depth_mm = 160; /* lens to subject: 150 mm */
    plan = plan_of(&options);
    assert_true(warns(&plan, RF_PLAN_WARN_REACH));

    options = pebble();
    options.metering = RF_PLAN_METERED_THROUGH_LENS;
    options.mains_hz = 50;
    options.shutter_s = 1 / 125.0;
    plan = plan_of(&options);
    assert_true(warns(&plan, RF_PLAN_WARN_FLICKER));
    options.shutter_s = 1 / 3.0; /* 0.83 % */
    plan = plan_of(&options);
    assert_false(warns(&plan, RF_PLAN_WARN_FLICKER));

    options.backdrop_mm = 10; /* 2 x 8.84 x 10/160 = 1.1 mm of 36 */
    plan = plan_of(&options);
    assert_true(warns(&plan, RF_PLAN_WARN_BACKDROP));
    options.backdrop_mm = 100;
    plan = plan_of(&options);
    assert_false(warns(&plan, RF_PLAN_WARN_BACKDROP));

    options = pebble();
    options.max_frames = plan_of(&options).frames;
    plan = plan_of(&options);
    assert_false(warns(&plan, RF_PLAN_WARN_FRAMES));
    options.max_frames--;
    plan = plan_of(&options);
    assert_true(warns(&plan, RF_PLAN_WARN_FRAMES));

    options = pebble();
    options.reversed = 1;
    plan = plan_of(&options);
    assert_false(warns(&plan, RF_PLAN_WARN_REVERSED)); /* symmetrical: nothing changes */
    options.pupil_ratio = 0.8;
    plan = plan_of(&options);
    assert_true(warns(&plan, RF_PLAN_WARN_REVERSED));
}

static void a_high_aperture_is_warned_of(void **state)
{
    (void)state;
    rf_plan_options options = RF_PLAN_OPTIONS_DEFAULT;
    options.objective[0] = 100;
    options.objective[1] = 0.95;
    options.pitch_mm = 0.004;
    options.blur_px = 1;
    rf_plan_result plan = plan_of(&options);
    assert_true(plan.wave_rules && warns(&plan, RF_PLAN_WARN_HIGH_NA));
    options.objective[0] = 10;
    options.objective[1] = 0.25;
    plan = plan_of(&options);
    assert_true(plan.wave_rules && !warns(&plan, RF_PLAN_WARN_HIGH_NA));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_pebble_is_planned_by_the_definitions),
        cmocka_unit_test(each_of_focal_extension_and_magnification_follows),
        cmocka_unit_test(sensor_pixels_and_pitch_follow),
        cmocka_unit_test(missing_values_leave_only_their_own_gaps),
        cmocka_unit_test(external_readings_take_the_factor_and_others_do_not),
        cmocka_unit_test(more_overlap_never_needs_fewer_frames),
        cmocka_unit_test(geometric_depth_at_one_effective_f_number_falls_with_m_squared),
        cmocka_unit_test(the_step_is_rounded_down_to_the_knob_and_the_overlap_follows),
        cmocka_unit_test(an_objective_is_planned_from_its_na),
        cmocka_unit_test(warnings_come_when_and_only_when_due),
        cmocka_unit_test(a_high_aperture_is_warned_of),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

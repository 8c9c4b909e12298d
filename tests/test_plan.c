/* The planner's single formulas against published tables and values; the source of each stands beside it. "Recomputed"
 * tables were worked out outside this program, to the digits shown; the tolerance is half a unit of their last digit or
 * a little more where they print fewer. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "plan_near.h"
#include "railfold/plan.h"

/* Factor (1+m)^2 and stops 2 log2(1+m): the handbook exposure tables for close-ups; f=100, x=100, f/8 -> f/16, +2 stops
 * at tools.gera.services; m = extension/f at honda-e.com (photomacrography theory). */
static void exposure_factor_and_stops_follow_the_table(void **state)
{
    (void)state;
    static const struct {
        double m, factor, stops, f8_becomes, extension_mm;
    } table[] = {
        {0.1, 1.21, 0.275, 8.8, 10},   {0.25, 1.5625, 0.644, 10, 25}, {0.5, 2.25, 1.170, 12, 50},
        {0.75, 3.0625, 1.615, 14, 75}, {1, 4, 2.000, 16, 100},        {1.5, 6.25, 2.644, 20, 150},
        {2, 9, 3.170, 24, 200},        {3, 16, 4.000, 32, 300},       {4, 25, 4.644, 40, 400},
        {5, 36, 5.170, 48, 500},       {10, 121, 6.919, 88, 1000},
    };
    for (size_t i = 0; i < COUNT(table); i++) {
        rf_plan_options options = RF_PLAN_OPTIONS_DEFAULT;
        rf_plan_result plan;
        options.focal_mm = 100;
        options.extension_mm = table[i].extension_mm;
        options.f_number_marked = 8;
        assert_int_equal(rf_plan_compute(&options, &plan, NULL), RF_OK);
        assert_near(plan.magnification, table[i].m, 1e-12);
        assert_near(plan.exposure_factor, table[i].factor, 1e-12);
        assert_within(plan.exposure_stops, table[i].stops, 0.0005);
        assert_near(plan.effective_f_number, table[i].f8_becomes, 1e-12);
    }
}

/* 1 + m/p, reversed 1 + m p, and the depth of field against p = 1, (m+p) / (p(m+1)): photography.grayheron.net (2021)
 * and martinkleinheinz.de. */
static void pupil_ratio_follows_the_table(void **state)
{
    (void)state;
    static const struct {
        double m, p, factor, stops, f8_becomes, depth_ratio, reversed;
    } table[] = {
        {1, 0.5, 9, 3.170, 24, 1.500, 1.5},         {1, 0.7, 5.898, 2.560, 19.43, 1.214, 1.7},
        {1, 1.5, 2.778, 1.474, 13.33, 0.8333, 2.5}, {1, 2, 2.25, 1.170, 12, 0.75, 3},
        {2, 0.5, 25, 4.644, 40, 1.667, 2},          {2, 2, 4, 2.000, 16, 0.6667, 5},
    };
    for (size_t i = 0; i < COUNT(table); i++) {
        rf_plan_options options = RF_PLAN_OPTIONS_DEFAULT;
        rf_plan_result plan, plain;
        options.magnification = table[i].m;
        options.f_number_marked = 8;
        options.pitch_mm = 0.006;
        assert_int_equal(rf_plan_compute(&options, &plain, NULL), RF_OK);
        options.pupil_ratio = table[i].p;
        assert_int_equal(rf_plan_compute(&options, &plan, NULL), RF_OK);
        assert_near(plan.exposure_factor, table[i].factor, 2e-4);
        assert_within(plan.exposure_stops, table[i].stops, 0.0005);
        assert_near(plan.effective_f_number, table[i].f8_becomes, 3e-4);
        assert_near(plan.depth_of_field_geometric_mm / plain.depth_of_field_geometric_mm, table[i].depth_ratio, 4e-4);
        options.reversed = 1;
        assert_int_equal(rf_plan_compute(&options, &plan, NULL), RF_OK);
        assert_near(plan.effective_f_number, 8 * table[i].reversed, 1e-12);
    }
}

/* 2 N (1+m) c / m^2, c = 0.030 mm, nominal f-numbers: the form of handbook tables (grayheron; recomputed). */
static void geometric_depth_follows_the_table(void **state)
{
    (void)state;
    static const double f_numbers[] = {2.8, 4, 5.6, 8, 11, 16, 22};
    static const struct {
        double m, depth_mm[COUNT(f_numbers)];
    } table[] = {
        {0.1, {18.5, 26.4, 37.0, 52.8, 72.6, 105.6, 145.2}},
        {0.25, {3.36, 4.80, 6.72, 9.60, 13.2, 19.2, 26.4}},
        {0.5, {1.008, 1.44, 2.016, 2.88, 3.96, 5.76, 7.92}},
        {0.75, {0.5227, 0.7467, 1.045, 1.493, 2.053, 2.987, 4.107}},
        {1, {0.336, 0.480, 0.672, 0.960, 1.32, 1.92, 2.64}},
        {1.5, {0.1867, 0.2667, 0.3733, 0.5333, 0.7333, 1.067, 1.467}},
        {2, {0.126, 0.180, 0.252, 0.360, 0.495, 0.720, 0.990}},
        {3, {0.07467, 0.1067, 0.1493, 0.2133, 0.2933, 0.4267, 0.5867}},
        {4, {0.0525, 0.075, 0.105, 0.150, 0.2063, 0.300, 0.4125}},
        {5, {0.04032, 0.0576, 0.08064, 0.1152, 0.1584, 0.2304, 0.3168}},
        {10, {0.01848, 0.0264, 0.03696, 0.0528, 0.0726, 0.1056, 0.1452}},
    };
    for (size_t i = 0; i < COUNT(table); i++)
        for (size_t j = 0; j < COUNT(f_numbers); j++) {
            double effective = f_numbers[j] * rf_plan_bellows_factor(table[i].m, 1);
            double depth = rf_plan_depth_geometric_mm(effective, 0.030, table[i].m, 1);
            assert_near(depth, table[i].depth_mm[j], 0.0014); /* 18.5 stands for 18.48 */
            assert_near(rf_plan_depth_geometric_mm(effective, 0.020, table[i].m, 1), depth * 2 / 3, 1e-12);
        }
}

/* Near and far limit by ray geometry, u A/(A+q) and u A/(A-q), q = c/m: the formula is short by (q/A)^2 alone. */
static void geometric_depth_agrees_with_exact_near_and_far(void **state)
{
    (void)state;
    static const struct {
        double f, n, m, exact_mm;
    } table[] = {{60, 8, 1, 0.96002}, {100, 8, 0.1, 52.830}, {50, 5.6, 2, 0.25200}};
    for (size_t i = 0; i < COUNT(table); i++) {
        double f = table[i].f, m = table[i].m, pupil = f / table[i].n, q = 0.030 / m;
        double u = rf_plan_lens_to_subject_mm(f, m);
        double near_mm = u - u * pupil / (pupil + q), far_mm = u * pupil / (pupil - q) - u;
        double formula = rf_plan_depth_geometric_mm(table[i].n * (1 + m), 0.030, m, 1);
        assert_near(near_mm + far_mm, table[i].exact_mm, 2e-5);
        assert_near(formula, near_mm + far_mm, (q / pupil) * (q / pupil) * 1.01);
    }
}

/* Objectives: lambda/NA^2, the geometric term e/(M NA), N_eff = M/2NA, 0.61 lambda/NA, lambda 0.55 um (the two-term
 * form of microscopy handbooks, from memory; recomputed). */
static void objective_depth_follows_the_table(void **state)
{
    (void)state;
    static const struct {
        double m, na, wave_um, term4_um, sum_um, sum65_um, n_eff, rayleigh_um;
    } table[] = {
        {4, 0.10, 55.00, 10.00, 65.00, 71.25, 20.0, 3.355},    {5, 0.14, 28.06, 5.714, 33.78, 37.35, 17.86, 2.396},
        {10, 0.25, 8.800, 1.600, 10.40, 11.40, 20.0, 1.342},   {10, 0.28, 7.015, 1.429, 8.444, 9.337, 17.86, 1.198},
        {20, 0.40, 3.438, 0.500, 3.938, 4.250, 25.0, 0.8388},  {20, 0.42, 3.118, 0.476, 3.594, 3.892, 23.81, 0.7988},
        {40, 0.65, 1.302, 0.154, 1.456, 1.552, 30.77, 0.5162}, {50, 0.55, 1.818, 0.145, 1.964, 2.055, 45.45, 0.6100},
        {60, 0.85, 0.761, 0.078, 0.840, 0.889, 35.29, 0.3947}, {100, 0.95, 0.609, 0.042, 0.652, 0.678, 52.63, 0.3532},
    };
    for (size_t i = 0; i < COUNT(table); i++) {
        rf_plan_options options = RF_PLAN_OPTIONS_DEFAULT;
        rf_plan_result plan;
        options.objective[0] = table[i].m;
        options.objective[1] = table[i].na;
        options.pitch_mm = 0.004;
        options.blur_px = 1;
        assert_int_equal(rf_plan_compute(&options, &plan, NULL), RF_OK);
        double wave_um = plan.depth_of_field_wave_mm * 1000, term_um = plan.depth_of_field_geometric_mm * 1000;
        assert_near(wave_um, table[i].wave_um, 1e-3);
        assert_within(term_um, table[i].term4_um, 0.0006);
        assert_near(wave_um + term_um, table[i].sum_um, 1e-3);
        assert_near(wave_um + term_um * 6.5 / 4, table[i].sum65_um, 1e-3);
        assert_near(plan.effective_f_number, table[i].n_eff, 3e-4);
        assert_near(plan.finest_detail_um, table[i].rayleigh_um, 4e-4);
    }
}

/* Values that others published. One widely copied microscopy table (MicroscopyU, "Depth of Field and Image Depth")
 * follows no single formula, so only its low apertures can be met: 55.5 um for NA 0.10 and 8.5 for 0.25, printed to two
 * or three digits at an unknown wavelength, hence 4 %. */
static void wave_depth_meets_published_values(void **state)
{
    (void)state;
    assert_near(rf_plan_depth_wave_mm(0.10, 550e-6, 1) * 1000, 55.5, 0.04);
    assert_near(rf_plan_depth_wave_mm(0.25, 550e-6, 1) * 1000, 8.5, 0.04);
    /* n lambda / NA^2: "Biophotonics: Concepts to Applications", eq. 8.4. */
    assert_near(rf_plan_depth_wave_mm(0.20, 780e-6, 1.51) * 1000, 29.4, 0.002);
    assert_near(rf_plan_depth_wave_mm(0.55, 780e-6, 1.51) * 1000, 3.89, 0.002);
    /* 2 lambda n / NA^2, twice ours: University of Arizona (mcb.arizona.edu/IPC/depth_of_field.htm), whose digits fit
     * 0.515 um. */
    assert_near(2 * rf_plan_depth_wave_mm(0.13, 515e-6, 1) * 1000, 60.95, 1e-4);
    assert_near(2 * rf_plan_depth_wave_mm(0.45, 515e-6, 1) * 1000, 5.09, 1e-3);
    assert_near(2 * rf_plan_depth_wave_mm(0.75, 515e-6, 1) * 1000, 1.83, 1e-3);
    assert_near(2 * rf_plan_depth_wave_mm(1.30, 515e-6, 1.52) * 1000, 0.93, 0.005);
    /* High apertures: lambda / (2n(1 - cos t)), recomputed; at low ones both forms agree to (NA/2)^2. */
    assert_near(rf_plan_depth_wave_exact_mm(0.95, 550e-6, 1) * 1000, 0.400, 1e-3);
    assert_near(rf_plan_depth_wave_exact_mm(0.05, 550e-6, 1), rf_plan_depth_wave_mm(0.05, 550e-6, 1), 0.000626);
}

/* Where diffraction takes over, p = 1, c = 30 um: recomputed; 4 lambda N_eff^2 / m^2 is the geometric depth at
 * c = 2 lambda N_eff. */
static void the_larger_depth_of_field_rules(void **state)
{
    (void)state;
    static const struct {
        double m, n, na, wave_um, geometric_um, same_blur_um;
    } table[] = {
        {1, 5.6, 0.04464, 276.0, 672, 12.32},   {1, 8, 0.03125, 563.2, 960, 17.6},
        {1, 16, 0.01563, 2253, 1920, 35.2},     {2, 5.6, 0.05952, 155.2, 252, 18.48},
        {5, 2.8, 0.1488, 24.84, 40.3, 18.48},   {5, 4, 0.1042, 50.69, 57.6, 26.4},
        {10, 2.8, 0.1623, 20.87, 18.48, 33.88},
    };
    for (size_t i = 0; i < COUNT(table); i++) {
        double m = table[i].m, effective = table[i].n * (1 + m), na = m / (2 * effective);
        double wave = rf_plan_depth_wave_mm(na, 550e-6, 1),
               geometric = rf_plan_depth_geometric_mm(effective, 0.030, m, 1);
        assert_near(na, table[i].na, 4e-4);
        assert_near(wave * 1000, table[i].wave_um, 4e-4);
        assert_near(geometric * 1000, table[i].geometric_um, 6e-4);
        assert_near(rf_plan_depth_geometric_mm(effective, table[i].same_blur_um / 1000, m, 1), wave, 1e-9);
        rf_plan_options options = RF_PLAN_OPTIONS_DEFAULT;
        rf_plan_result plan;
        options.magnification = m;
        options.f_number_marked = table[i].n;
        options.pitch_mm = 0.015; /* times 2 pixels: c = 30 um */
        assert_int_equal(rf_plan_compute(&options, &plan, NULL), RF_OK);
        assert_int_equal(plan.wave_rules, table[i].same_blur_um > 30);
        assert_true(plan.depth_of_field_mm >= plan.depth_of_field_wave_mm);
        assert_true(plan.depth_of_field_mm >= plan.depth_of_field_geometric_mm);
    }
}

/* Airy 2.44, Rayleigh 1.22, cutoff 1/(lambda N), lambda 0.55 um; the pitch whose Nyquist frequency is the cutoff is
 * half its inverse (any optics text; recomputed). 0.4040 of the cutoff is where the contrast is 50 %. */
static void diffraction_follows_the_table(void **state)
{
    (void)state;
    static const struct {
        double n, airy_um, rayleigh_um, cutoff, mtf50, pitch_um;
    } table[] = {
        {4, 5.37, 2.68, 454.5, 183.6, 1.10},   {5.6, 7.52, 3.76, 324.7, 131.2, 1.54},
        {8, 10.74, 5.37, 227.3, 91.8, 2.20},   {11, 14.76, 7.38, 165.3, 66.8, 3.03},
        {16, 21.47, 10.74, 113.6, 45.9, 4.40}, {22, 29.52, 14.76, 82.6, 33.4, 6.05},
        {32, 42.94, 21.47, 56.8, 23.0, 8.80},  {45, 60.39, 30.20, 40.4, 16.3, 12.38},
    };
    for (size_t i = 0; i < COUNT(table); i++) {
        double cutoff = rf_plan_cutoff_cycles_per_mm(table[i].n, GREEN_UM);
        assert_within(rf_plan_airy_diameter_um(table[i].n, GREEN_UM), table[i].airy_um, 0.006);
        assert_within(rf_plan_rayleigh_um(table[i].n, GREEN_UM), table[i].rayleigh_um, 0.006);
        assert_within(cutoff, table[i].cutoff, 0.06);
        assert_within(0.4040 * cutoff, table[i].mtf50, 0.06);
        assert_within(1000 / cutoff / 2, table[i].pitch_um, 0.006);
    }
}

static void diffraction_contrast_meets_published_values(void **state)
{
    (void)state;
    assert_within(rf_plan_diffraction_contrast(0), 1, 1e-12);
    assert_within(rf_plan_diffraction_contrast(0.25), 0.685, 0.0005);
    assert_within(rf_plan_diffraction_contrast(0.4040), 0.5, 0.0005);
    assert_within(rf_plan_diffraction_contrast(0.5), 0.391, 0.0005);
    assert_within(rf_plan_diffraction_contrast(0.75), 0.144, 0.0005);
    assert_within(rf_plan_diffraction_contrast(1 / 1.22), 0.0894, 0.0001);
    assert_true(rf_plan_diffraction_contrast(1) == 0);
    assert_true(rf_plan_diffraction_contrast(2) == 0);
}

/* Thin lens, u = f(1+1/m), v = f(1+m), total f(2+m+1/m) (any optics text). */
static void conjugates_follow_the_table(void **state)
{
    (void)state;
    static const struct {
        double m, u, v, total, total50;
    } table[] = {
        {0.1, 1100, 110, 1210, 605}, {0.25, 500, 125, 625, 312.5}, {0.5, 300, 150, 450, 225},
        {1, 200, 200, 400, 200},     {2, 150, 300, 450, 225},      {3, 133.33, 400, 533.33, 266.67},
        {5, 120, 600, 720, 360},
    };
    for (size_t i = 0; i < COUNT(table); i++) {
        double m = table[i].m, u = rf_plan_lens_to_subject_mm(100, m), v = rf_plan_lens_to_sensor_mm(100, m);
        assert_near(u, table[i].u, 3e-5);
        assert_near(v, table[i].v, 1e-9);
        assert_near(rf_plan_subject_to_sensor_mm(100, m), table[i].total, 1e-5);
        assert_near(rf_plan_subject_to_sensor_mm(50, m), table[i].total50, 2e-5);
        assert_near(1 / u + 1 / v, 1 / 100.0, 1e-12);
        assert_near(rf_plan_pupil_to_subject_mm(100, m, 1), u, 1e-12);
        assert_near(rf_plan_pupil_to_sensor_mm(100, m, 1), v, 1e-12);
    }
    assert_near(rf_plan_pupil_to_subject_mm(100, 1, 0.5), 300, 1e-12);
    assert_near(rf_plan_pupil_to_sensor_mm(100, 1, 0.5), 150, 1e-12);
}

/* m A D / (u + D), f = 100, f/8: similar triangles through the pupil; recomputed. */
static void backdrop_blur_follows_the_table(void **state)
{
    (void)state;
    static const double distances_mm[] = {10, 50, 100, 300, 1000, INFINITY};
    static const struct {
        double m, blur_mm[COUNT(distances_mm)];
    } table[] = {
        {0.5, {0.2016, 0.8929, 1.563, 3.125, 4.808, 6.25}},
        {1, {0.5952, 2.500, 4.167, 7.500, 10.42, 12.5}},
        {2, {1.563, 6.250, 10.00, 16.67, 21.74, 25}},
    };
    for (size_t i = 0; i < COUNT(table); i++)
        for (size_t j = 0; j < COUNT(distances_mm); j++) {
            double u = rf_plan_pupil_to_subject_mm(100, table[i].m, 1);
            assert_near(rf_plan_backdrop_blur_mm(table[i].m, 12.5, u, distances_mm[j]), table[i].blur_mm[j], 5e-4);
        }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(exposure_factor_and_stops_follow_the_table),
        cmocka_unit_test(pupil_ratio_follows_the_table),
        cmocka_unit_test(geometric_depth_follows_the_table),
        cmocka_unit_test(geometric_depth_agrees_with_exact_near_and_far),
        cmocka_unit_test(objective_depth_follows_the_table),
        cmocka_unit_test(wave_depth_meets_published_values),
        cmocka_unit_test(the_larger_depth_of_field_rules),
        cmocka_unit_test(diffraction_follows_the_table),
        cmocka_unit_test(diffraction_contrast_meets_published_values),
        cmocka_unit_test(conjugates_follow_the_table),
        cmocka_unit_test(backdrop_blur_follows_the_table),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

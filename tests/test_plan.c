/* The planner's single formulas against published tables and values; the source of each stands beside it. "Recomputed"
 * tables were worked out outside this program, to the digits shown; the tolerance is half a unit of their last digit or
 * a little more where they print fewer. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "railfold/plan.h"

#define COUNT(list) (sizeof(list) / sizeof((list)[0]))
static const double GREEN_UM = 0.55;

/* Within `relative` of `expected`; for numbers printed with about as many digits. */
static void assert_near(double actual, double expected, double relative)
{
    if (!(fabs(actual - expected) <= relative * fabs(expected)))
        fail_msg("%.9g is not within %g of %.9g", actual, relative, expected);
}

static void assert_within(double actual, double expected, double absolute)
{
    if (!(fabs(actual - expected) <= absolute))
        fail_msg("%.9g is not within %g of %.9g", actual, absolute, expected);
}

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

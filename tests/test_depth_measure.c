/* Measures on depth maps: places, distances, profiles, planes and roughness, against values that follow from the map's
 * own formula. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "near.h"
#include "railfold/depth_measure.h"

enum { WIDTH = 40, HEIGHT = 30 };

/* depth = 1 + 0.05 x - 0.02 y, in mm; pixel 0.1 mm, step 0.25 mm. */
static rf_depth_map sloping_map(void)
{
    rf_depth_map map = {.metric = 1, .step_mm = 0.25, .pixel_mm = 0.1};
    assert_int_equal(rf_image_alloc(&map.depth, WIDTH, HEIGHT, 1, RF_F32, "a test map", NULL), RF_OK);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++)
            rf_image_row_f32(&map.depth, y)[x] = (float)(1 + 0.05 * x - 0.02 * y);
    return map;
}

static const double float_noise = 1e-6; /* the map's values are rounded to float, near 1 */

static void a_place_between_pixels_is_linear(void **state)
{
    (void)state;
    rf_depth_map map = sloping_map();
    assert_near(rf_depth_at(&map, 3, 4), 1.07, float_noise);
    assert_near(rf_depth_at(&map, 3.25, 4.5), 1 + 0.05 * 3.25 - 0.02 * 4.5, float_noise);
    assert_near(rf_depth_at(&map, WIDTH - 1, HEIGHT - 1), 1 + 0.05 * 39 - 0.02 * 29, float_noise);
    rf_depth_map_free(&map);
}

static void a_place_beside_the_unknown_is_unknown_only_when_it_needs_it(void **state)
{
    (void)state;
    rf_depth_map map = sloping_map();
    rf_image_row_f32(&map.depth, 4)[4] = NAN;
    assert_near(rf_depth_at(&map, 3, 4), 1.07, float_noise);
    assert_true(isnan(rf_depth_at(&map, 3.5, 4)));
    assert_true(isnan(rf_depth_at(&map, 4, 4)));
    assert_true(isnan(rf_depth_sigma_at(&map, 3, 4))); /* there is no such map */
    rf_depth_map_free(&map);
}

static void a_distance_has_its_parts_and_is_true_only_in_mm(void **state)
{
    (void)state;
    rf_depth_map map = sloping_map();
    const double line[4] = {2, 3, 32, 23}; /* 30 right, 20 down */
    rf_depth_distance d = rf_depth_measure_distance(&map, line);
    assert_near(d.across, 3, 1e-12);
    assert_near(d.down, 2, 1e-12);
    assert_near(d.depth, 30 * 0.05 - 20 * 0.02, float_noise);
    assert_near(d.true_length, sqrt(9 + 4 + 1.1 * 1.1), float_noise);
    map.pixel_mm = 0;
    d = rf_depth_measure_distance(&map, line);
    assert_near(d.across, 30, 1e-12);
    assert_true(isnan(d.true_length));
    rf_depth_map_free(&map);
}

static void a_profile_holds_both_ends_and_no_gap_above_a_pixel(void **state)
{
    (void)state;
    rf_depth_map map = sloping_map();
    const double line[4] = {1, 1, 38, 27.5};
    rf_profile profile = {0};
    assert_int_equal(rf_profile_take(&map, line, &profile, NULL), RF_OK);
    int last = profile.count - 1;
    assert_near(profile.x_px[0], 1, 0);
    assert_near(profile.y_px[last], 27.5, 0);
    assert_near(profile.along[last], 0.1 * hypot(37, 26.5), 1e-9);
    for (int i = 0; i < profile.count; i++) {
        assert_near(profile.depth[i], 1 + 0.05 * profile.x_px[i] - 0.02 * profile.y_px[i], float_noise);
        if (i > 0)
            assert_true(hypot(profile.x_px[i] - profile.x_px[i - 1], profile.y_px[i] - profile.y_px[i - 1]) <=
                        1 + 1e-9);
    }
    rf_profile_free(&profile);
    rf_depth_map_free(&map);
}

static void a_profile_of_one_place_has_one_sample(void **state)
{
    (void)state;
    rf_depth_map map = sloping_map();
    const double line[4] = {5, 6, 5, 6};
    rf_profile profile = {0};
    rf_roughness roughness;
    assert_int_equal(rf_profile_take(&map, line, &profile, NULL), RF_OK);
    assert_int_equal(profile.count, 1);
    assert_int_equal(rf_profile_roughness(&profile, &roughness, NULL), RF_OK);
    assert_int_equal(roughness.count, 0);
    rf_profile_free(&profile);
    rf_depth_map_free(&map);
}

static void a_fitted_plane_is_found_whatever_is_unknown(void **state)
{
    (void)state;
    rf_depth_map map = sloping_map();
    rf_depth_plane plane;
    for (int i = 0; i < 9; i++)
        rf_image_row_f32(&map.depth, 2 * i + 3)[3 * i] = i & 1 ? NAN : INFINITY;
    assert_int_equal(rf_depth_plane_fit(&map, &plane, NULL), RF_OK);
    assert_near(plane.per_x, 0.05, float_noise);
    assert_near(plane.per_y, -0.02, float_noise);
    assert_near(plane.at_origin, 1, 1e-5);
    assert_near(plane.tilt_deg, atan(hypot(0.05, 0.02) / 0.1) * 57.29577951308232, 1e-4);
    assert_near(plane.tilt_towards_deg, atan2(-0.02, 0.05) * 57.29577951308232, 1e-3);
    assert_near(plane.peak_to_valley, 0, 1e-5);
    assert_near(plane.pixels, WIDTH * HEIGHT - 9, 0);
    rf_depth_map_level(&map, &plane);
    assert_near(rf_depth_at(&map, 20, 10), 0, 1e-5);
    rf_depth_map_free(&map);
}

static void an_unsure_pixel_does_not_bend_the_plane(void **state)
{
    (void)state;
    rf_depth_map map = sloping_map();
    rf_depth_plane plane;
    assert_int_equal(rf_image_alloc(&map.confidence, WIDTH, HEIGHT, 1, RF_F32, "a test map", NULL), RF_OK);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            rf_image_row_f32(&map.confidence, y)[x] = x < 30 ? 0.9f : 0.1f;
            if (x >= 30)
                rf_image_row_f32(&map.depth, y)[x] = 9;
        }
    assert_int_equal(rf_depth_plane_fit(&map, &plane, NULL), RF_OK);
    assert_near(plane.per_x, 0.05, float_noise);
    rf_depth_map_free(&map);
}

static void a_plane_through_three_places_passes_through_them(void **state)
{
    (void)state;
    rf_depth_map map = sloping_map();
    rf_depth_plane plane;
    rf_error err = {0};
    const double places[6] = {0, 0, 39, 0, 0, 29}, line[6] = {0, 0, 10, 10, 20, 20}, beside[6] = {7, 7, 39, 0, 0, 29};
    rf_image_row_f32(&map.depth, 15)[20] += 0.5f;
    assert_int_equal(rf_depth_plane_through(&map, places, &plane, &err), RF_OK);
    assert_near(plane.per_x, 0.05, float_noise);
    assert_near(plane.per_y, -0.02, float_noise);
    assert_near(plane.peak_to_valley, 0.5, 1e-5);
    assert_int_equal(rf_depth_plane_through(&map, line, &plane, &err), RF_ERR_USAGE);
    assert_non_null(strstr(err.text, "one line"));
    rf_image_row_f32(&map.depth, 7)[7] = NAN;
    err = (rf_error){0};
    assert_int_equal(rf_depth_plane_through(&map, beside, &plane, &err), RF_ERR_USAGE);
    assert_non_null(strstr(err.text, "unknown"));
    rf_depth_map_free(&map);
}

static void a_map_of_one_row_has_no_plane(void **state)
{
    (void)state;
    rf_depth_map map = {0};
    rf_depth_plane plane;
    rf_error err = {0};
    assert_int_equal(rf_image_alloc(&map.depth, 50, 1, 1, RF_F32, "a test map", NULL), RF_OK);
    assert_int_equal(rf_depth_plane_fit(&map, &plane, &err), RF_ERR_INPUT);
    rf_depth_map_free(&map);
}

/* The means of |sin| and sin^2 over whole waves are 2/pi and 1/2; a triangle of the same height has 1/2 and 1/3, a
 * square wave 1 and 1: textbook values that follow from the integrals of ISO 4287. */
static void roughness_of_the_three_textbook_waves(void **state)
{
    enum { COUNT = 5000, WAVES = 25 };
    static double wave[COUNT];
    const double height = 3, pi = 3.14159265358979;
    rf_roughness r;
    (void)state;
    for (int i = 0; i < COUNT; i++)
        wave[i] = 7 + height * sin(2 * pi * WAVES * (i + 0.5) / COUNT);
    assert_int_equal(rf_roughness_of(wave, COUNT, 5, &r), 1);
    assert_near(r.ra, height * 2 / pi, 1e-3 * height); /* 200 samples a wave */
    assert_near(r.rq, height / sqrt(2), 1e-3 * height);
    assert_near(r.rz, 2 * height, 1e-3 * height);
    assert_near(r.rt, 2 * height, 1e-3 * height);
    for (int i = 0; i < COUNT; i++) {
        double phase = fmod(WAVES * (i + 0.5) / COUNT, 1);
        wave[i] = height * (phase < 0.5 ? 4 * phase - 1 : 3 - 4 * phase);
    }
    assert_int_equal(rf_roughness_of(wave, COUNT, 5, &r), 1);
    assert_near(r.ra, height / 2, 1e-3 * height);
    assert_near(r.rq, height / sqrt(3), 1e-3 * height);
    for (int i = 0; i < COUNT; i++)
        wave[i] = fmod(WAVES * (i + 0.5) / COUNT, 1) < 0.5 ? height : -height;
    assert_int_equal(rf_roughness_of(wave, COUNT, 5, &r), 1);
    assert_near(r.ra, height, 1e-9);
    assert_near(r.rq, height, 1e-9);
    assert_near(r.rz, 2 * height, 1e-9);
}

/* A common textbook exercise of engineering metrology: twenty peaks and valleys in turn, in um (figures from memory).
 * About their mean of 29 the departures add up to 158 and their squares to 1412 when done by hand. */
static void roughness_of_twenty_peaks_and_valleys(void **state)
{
    static const double heights[20] = {35, 25, 40, 22, 35, 18, 42, 25, 35, 22, 36, 18, 42, 22, 32, 21, 37, 18, 35, 20};
    rf_roughness r;
    (void)state;
    assert_int_equal(rf_roughness_of(heights, 20, 5, &r), 1);
    assert_near(r.ra, 158.0 / 20, 1e-12);
    assert_near(r.rq, sqrt(1412.0 / 20), 1e-12);
    /* sampling lengths of four: 40-22, 42-18, 36-18, 42-21, 37-18 */
    assert_near(r.rz, (18 + 24 + 18 + 21 + 19) / 5.0, 1e-12);
    assert_near(r.rt, 42 - 18, 1e-12);
}

/* Different sampling lengths have different spans; Rz is their mean, Rt the whole. */
static void rz_is_the_mean_of_the_sampling_lengths(void **state)
{
    static const double heights[10] = {0, 1, 0, 2, 0, 3, 0, 4, 0, 5};
    rf_roughness r = {.ra = -1};
    (void)state;
    assert_int_equal(rf_roughness_of(heights, 10, 5, &r), 1);
    assert_near(r.rz, 3, 1e-12);
    assert_near(r.rt, 5, 1e-12);
    r.ra = -1;
    assert_int_equal(rf_roughness_of(heights, 9, 5, &r), 0);
    assert_near(r.ra, -1, 0);
}

static void a_tilted_line_is_not_rough(void **state)
{
    (void)state;
    rf_depth_map map = sloping_map();
    const double line[4] = {0, 5, 39, 20};
    rf_profile profile = {0};
    rf_roughness roughness;
    assert_int_equal(rf_profile_take(&map, line, &profile, NULL), RF_OK);
    assert_int_equal(rf_profile_roughness(&profile, &roughness, NULL), RF_OK);
    assert_near(roughness.ra, 0, float_noise);
    assert_near(roughness.rt, 0, float_noise);
    rf_profile_free(&profile);
    rf_depth_map_free(&map);
}

/* ---- the text a map carries ---- */

static void the_text_of_a_map_reads_back(void **state)
{
    (void)state;
    char text[RF_MAP_TEXT_BYTES];
    rf_map_facts facts = {.kind = RF_MAP_SIGMA, .metric = 1, .offset = -0.125, .scale = 1.0 / 3, .step_mm = 0.05};
    facts.pixel_mm = 0.0012;
    facts.frames = 36;
    facts.direction_known = facts.nearer = facts.levelled = 1;
    rf_map_facts back;
    rf_map_text_write(&facts, text);
    assert_int_equal(rf_map_text_read(text, &back), 1);
    assert_int_equal(back.kind, RF_MAP_SIGMA);
    assert_true(back.metric && back.direction_known && back.nearer && back.levelled);
    assert_near(back.offset, -0.125, 0);
    assert_true((float)back.scale == (float)facts.scale && (float)back.pixel_mm == (float)facts.pixel_mm);
    assert_near(back.step_mm, 0.05, 1e-12);
    assert_int_equal(back.frames, 36);
}

static void a_text_of_another_program_is_no_map_text(void **state)
{
    (void)state;
    static const char *const texts[] = {"", "a photograph, scale=2 kind=depth",
                                        "railfold map:", "railfold map: kind=picture",
                                        "railfold map: kind=depthlike scale=1"};
    rf_map_facts facts;
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        assert_int_equal(rf_map_text_read(texts[i], &facts), 0);
        assert_near(facts.scale, 1, 0);
    }
    assert_int_equal(rf_map_text_read(NULL, &facts), 0);
}

static void spoilt_numbers_in_a_map_text_are_unknown(void **state)
{
    (void)state;
    rf_map_facts facts;
    assert_int_equal(
        rf_map_text_read("railfold map: kind=depth unit=mm scale=nan step_mm=-1 pixel_mm=inf frames=1e30", &facts), 1);
    assert_near(facts.scale, 1, 0);
    assert_near(facts.step_mm, 0, 0);
    assert_near(facts.pixel_mm, 0, 0);
    assert_int_equal(facts.frames, 0);
}

static rf_depth_map one_pixel(const rf_map_facts *facts, double step_mm)
{
    rf_depth_map map;
    rf_image samples = {0};
    assert_int_equal(rf_image_alloc(&samples, 1, 1, 1, RF_F32, "a test map", NULL), RF_OK);
    rf_image_row_f32(&samples, 0)[0] = 4;
    rf_depth_map_from(&map, &samples, facts, step_mm, 0);
    assert_null(samples.data);
    return map;
}

static void values_come_out_in_mm_whenever_a_step_is_known(void **state)
{
    (void)state;
    const rf_map_facts frames = {.kind = RF_MAP_DEPTH, .scale = 1},
                       mm = {.kind = RF_MAP_DEPTH, .scale = 1, .metric = 1, .step_mm = 0.5},
                       coded = {.kind = RF_MAP_DEPTH, .offset = 1, .scale = 0.25};
    const struct {
        const rf_map_facts *facts;
        double step_mm, depth;
        int metric;
    } cases[] = {{&frames, 0, 4, 0}, {&frames, 0.2, 0.8, 1}, {&mm, 0, 4, 1},
                 {&mm, 0.25, 2, 1},  {&coded, 0, 2, 0},      {&coded, 3, 6, 1}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        rf_depth_map map = one_pixel(cases[i].facts, cases[i].step_mm);
        assert_near((double)rf_image_row_f32(&map.depth, 0)[0], cases[i].depth, float_noise);
        assert_int_equal(map.metric, cases[i].metric);
        rf_depth_map_free(&map);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_place_between_pixels_is_linear),
        cmocka_unit_test(a_place_beside_the_unknown_is_unknown_only_when_it_needs_it),
        cmocka_unit_test(a_distance_has_its_parts_and_is_true_only_in_mm),
        cmocka_unit_test(a_profile_holds_both_ends_and_no_gap_above_a_pixel),
        cmocka_unit_test(a_profile_of_one_place_has_one_sample),
        cmocka_unit_test(a_fitted_plane_is_found_whatever_is_unknown),
        cmocka_unit_test(an_unsure_pixel_does_not_bend_the_plane),
        cmocka_unit_test(a_plane_through_three_places_passes_through_them),
        cmocka_unit_test(a_map_of_one_row_has_no_plane),
        cmocka_unit_test(roughness_of_the_three_textbook_waves),
        cmocka_unit_test(roughness_of_twenty_peaks_and_valleys),
        cmocka_unit_test(rz_is_the_mean_of_the_sampling_lengths),
        cmocka_unit_test(a_tilted_line_is_not_rough),
        cmocka_unit_test(the_text_of_a_map_reads_back),
        cmocka_unit_test(a_text_of_another_program_is_no_map_text),
        cmocka_unit_test(spoilt_numbers_in_a_map_text_are_unknown),
        cmocka_unit_test(values_come_out_in_mm_whenever_a_step_is_known),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

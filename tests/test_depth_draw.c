/* Views and meshes: what is drawn stands where the depth says, nothing is drawn or joined across a depth edge. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "map_shapes.h"
#include "near.h"
#include "railfold/depth_draw.h"
#include "railfold/depth_mesh.h"
#include "railfold/memory.h"

static int red_at(const rf_image *view, int x, int y)
{
    return ((const uint8_t *)rf_image_row(view, y))[3 * x];
}

/* ---- contours, smoothing, relief ---- */

static void contours_stand_at_whole_multiples(void **state)
{
    (void)state;
    rf_depth_map map = make_map(200, 20, slope);
    rf_image view = grey_view(&map, 255);
    /* every 0.1 mm is every 20 pixels, every fifth heavier */
    rf_depth_contours(&map, &map.depth, 0.1, &view, NULL);
    for (int x = 1; x < 199; x++) {
        int on_line = x % 20 == 0, beside = x % 20 == 1 || x % 20 == 19;
        if (on_line)
            assert_true(red_at(&view, x, 10) < 120);
        else if (!beside)
            assert_int_equal(red_at(&view, x, 10), 255);
    }
    assert_true(red_at(&view, 100, 10) < red_at(&view, 80, 10));
    assert_true(red_at(&view, 101, 10) < red_at(&view, 81, 10));
    rf_image_free(&view);
    rf_depth_map_free(&map);
}

static void no_contour_runs_along_a_cliff_or_through_a_guess(void **state)
{
    (void)state;
    rf_depth_map map = make_map(80, 60, cliff);
    rf_image view = grey_view(&map, 255);
    rf_depth_contours(&map, &map.depth, 0.4, &view, NULL); /* 1.2, 1.6 and 2.0 lie within the cliff's jump */
    for (int y = 5; y < 60; y++)                           /* row 0 lies on the contour of 2.0 */
        for (int x = 0; x < 80; x++)
            assert_int_equal(red_at(&view, x, y), 255);
    rf_image_free(&view);
    rf_depth_map_free(&map);

    map = make_map(200, 20, slope);
    assert_int_equal(rf_image_alloc(&map.confidence, 200, 20, 1, RF_F32, "a test map", NULL), RF_OK);
    view = grey_view(&map, 255);
    rf_depth_contours(&map, &map.depth, 0.1, &view, NULL);
    assert_int_equal(red_at(&view, 100, 10), 255);
    rf_image_free(&view);
    rf_depth_map_free(&map);
}

static void smoothing_keeps_a_plane_and_a_cliff(void **state)
{
    (void)state;
    rf_depth_map map = make_map(80, 60, cliff);
    rf_image smooth = {0};
    assert_int_equal(rf_image_alloc(&smooth, 80, 60, 1, RF_F32, "a test map", NULL), RF_OK);
    rf_depth_smooth(&map, &smooth, NULL);
    for (int y = 2; y < 58; y++)
        for (int x = 0; x < 80; x++)
            assert_near((double)rf_image_row_f32(&smooth, y)[x], cliff(x, y), 1e-5);
    rf_image_free(&smooth);
    rf_depth_map_free(&map);
}

static int relief_tone(const rf_depth_map *map, int x, int y)
{
    rf_image view = grey_view(map, 0);
    rf_depth_relief(map, &map->depth, rf_depth_pixels_per_unit(map, 1), &view, NULL);
    int tone = red_at(&view, x, y);
    rf_image_free(&view);
    return tone;
}

/* Depth that grows to the right falls away from the camera to the right: it faces the right, away from the lamp. A
 * retreating rail turns that around. Lambert: the flat has cos 45 degrees, of a lamp that reaches 0.12 round the corner
 * and gives all but 0.12 of the light. */
static void the_lamp_stands_at_the_upper_left(void **state)
{
    (void)state;
    rf_depth_map level = make_map(60, 40, flat), away = make_map(60, 40, slope);
    int flat_tone = relief_tone(&level, 30, 20);
    float light = 0.88f * (0.70710678f + 0.12f) / 1.12f + 0.12f;
    assert_near(flat_tone, 255 * (double)rf_coded_from_linear(0.04f + 0.86f * light), 0.51);
    assert_true(relief_tone(&away, 30, 20) < flat_tone - 10);
    away.nearer = 1;
    assert_true(relief_tone(&away, 30, 20) > flat_tone + 10);
    rf_depth_map_free(&level);
    rf_depth_map_free(&away);
}

static void a_round_interval_is_1_2_or_5(void **state)
{
    (void)state;
    const double cases[][2] = {{0.19, 0.1}, {0.2, 0.2}, {0.49, 0.2}, {0.5, 0.5}, {1, 1}, {7300, 5000}, {1e-5, 1e-5}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        assert_near(rf_round_interval(cases[i][0]), cases[i][1], 1e-9 * cases[i][1]);
}

static void strokes_lie_where_it_is_unsure_and_nowhere_else(void **state)
{
    (void)state;
    rf_depth_map map = make_map(60, 40, flat);
    assert_int_equal(rf_image_alloc(&map.confidence, 60, 40, 1, RF_F32, "a test map", NULL), RF_OK);
    for (int y = 0; y < 40; y++)
        for (int x = 0; x < 60; x++)
            rf_image_row_f32(&map.confidence, y)[x] = x < 30 ? 1 : 0;
    rf_image view = grey_view(&map, 50);
    rf_depth_hatch(&map, &view, NULL);
    int strokes = 0;
    for (int y = 0; y < 40; y++)
        for (int x = 0; x < 60; x++) {
            if (x < 30)
                assert_int_equal(red_at(&view, x, y), 50);
            strokes += red_at(&view, x, y) != 50;
        }
    assert_true(strokes > 30 * 40 / 10 && strokes < 30 * 40 / 2);
    rf_image_free(&view);
    rf_depth_map_free(&map);
}

/* ---- draped views ---- */

/* Mean column of the white pixels. */
static double white_column(const rf_image *view)
{
    double sum = 0, count = 0;
    for (int y = 0; y < view->height; y++)
        for (int x = 0; x < view->width; x++)
            if (red_at(view, x, y) > 200) {
                sum += x;
                count += 1;
            }
    assert_true(count > 0);
    return sum / count;
}

/* A white post 20 pixels' width nearer than the rest, on black ground. */
static double post(int x, int y)
{
    return x >= 48 && x < 52 && y >= 30 && y < 50 ? 1 - 0.2 : 1;
}

static rf_image post_skin(const rf_depth_map *map)
{
    rf_image skin = grey_view(map, 10);
    for (int y = 30; y < 50; y++)
        memset((uint8_t *)rf_image_row(&skin, y) + 3 * 48, 255, 3 * 4);
    return skin;
}

static void seen_from_straight_on_a_view_is_the_picture(void **state)
{
    (void)state;
    rf_depth_map map = make_map(100, 80, flat);
    rf_image skin = grey_view(&map, 10), view = {0};
    for (int y = 0; y < 80; y++)
        for (int i = 0; i < 300; i++)
            ((uint8_t *)rf_image_row(&skin, y))[i] = (uint8_t)(i * 7 + y * 13);
    rf_drape_view from = {.pixels_per_unit = 100, .frame_width = 100, .frame_height = 80};
    assert_int_equal(rf_depth_drape(&map, &skin, &from, &view, NULL), RF_OK);
    for (int y = 1; y < 79; y++)
        assert_memory_equal((uint8_t *)rf_image_row(&view, y) + 3, (uint8_t *)rf_image_row(&skin, y) + 3, 3 * 98);
    rf_image_free(&view);
    rf_image_free(&skin);
    rf_depth_map_free(&map);
}

static int stop_now(void)
{
    return 1;
}

static void asked_to_stop_no_view_is_drawn(void **state)
{
    (void)state;
    rf_depth_map map = make_map(100, 80, flat);
    rf_image skin = grey_view(&map, 10), view = {0};
    const rf_drape_view from = {.pixels_per_unit = 100, .stop = stop_now};
    rf_error err = {0};
    assert_int_equal(rf_depth_drape(&map, &skin, &from, &view, &err), RF_ERR_STOPPED);
    assert_null(view.data);
    assert_int_equal(rf_depth_stereo(&map, &skin, &from, 6, &view, &err), RF_ERR_STOPPED);
    assert_null(view.data);
    rf_image_free(&skin);
    rf_depth_map_free(&map);
}

/* By parallel projection a point h nearer moves by h sin(angle) against the ground: the post stands 20 pixels out, the
 * eyes 6 degrees apart, so that it moves 20 * 2 sin 3 = 2.09 pixels. The left eye sees it farther to the right. */
static void near_things_stand_farther_right_for_the_left_eye(void **state)
{
    (void)state;
    rf_depth_map map = make_map(100, 80, post);
    rf_image skin = post_skin(&map), pair = {0};
    const rf_drape_view from = {.pixels_per_unit = 100};
    assert_int_equal(rf_depth_stereo(&map, &skin, &from, 6, &pair, NULL), RF_OK);
    int eye = (pair.width - 12) / 2;
    rf_image left = pair, right = pair;
    left.width = right.width = eye;
    right.data = (uint8_t *)pair.data + 3 * (eye + 12);
    /* the frame is centred on the ground's box, which the post does not change */
    assert_near(white_column(&left) - white_column(&right), 20 * 2 * sin(3 * 0.017453292), 0.3);
    map.nearer = 1; /* now the post is a pit */
    rf_image_free(&pair);
    assert_int_equal(rf_depth_stereo(&map, &skin, &from, 6, &pair, NULL), RF_OK);
    left.data = pair.data;
    right.data = (uint8_t *)pair.data + 3 * (eye + 12);
    assert_true(white_column(&left) < white_column(&right));
    rf_image_free(&pair);
    rf_image_free(&skin);
    rf_depth_map_free(&map);
}

static void a_legend_leaves_the_view_as_it_is(void **state)
{
    (void)state;
    rf_depth_map map = make_map(500, 420, slope);
    rf_image view = grey_view(&map, 77), out = {0};
    const rf_legend legend = {.near = 0, .far = 2.5, .interval = 0.2, .bar = 1};
    assert_int_equal(rf_depth_legend(&map, &view, &legend, &out, NULL), RF_OK);
    assert_true(out.width > 500 && out.height == 420);
    int dark = 0;
    for (int y = 0; y < 420; y++) {
        assert_memory_equal(rf_image_row(&out, y), rf_image_row(&view, y), 1500);
        for (int x = 530; x < out.width; x++)
            dark += red_at(&out, x, y) < 60;
    }
    assert_true(dark > 200); /* there is writing */
    rf_image_free(&out);
    rf_image_free(&view);
    rf_depth_map_free(&map);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(contours_stand_at_whole_multiples),
        cmocka_unit_test(no_contour_runs_along_a_cliff_or_through_a_guess),
        cmocka_unit_test(smoothing_keeps_a_plane_and_a_cliff),
        cmocka_unit_test(the_lamp_stands_at_the_upper_left),
        cmocka_unit_test(a_round_interval_is_1_2_or_5),
        cmocka_unit_test(strokes_lie_where_it_is_unsure_and_nowhere_else),
        cmocka_unit_test(seen_from_straight_on_a_view_is_the_picture),
        cmocka_unit_test(asked_to_stop_no_view_is_drawn),
        cmocka_unit_test(near_things_stand_farther_right_for_the_left_eye),
        cmocka_unit_test(a_legend_leaves_the_view_as_it_is),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

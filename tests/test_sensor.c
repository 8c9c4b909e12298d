/* test_sensor.c - laws of the search for sensor faults and of their repair, on the takes of sensor_scene.h. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "failing_memory.h"
#include "near.h"
#include "sensor_find.h"
#include "railfold/memory.h"
#include "railfold/sensor.h"

static rf_sensor_map find(const scene *s)
{
    rf_sensor_map map;
    assert_int_equal(try_find(s, FRAMES, 1, 0, &map), RF_OK);
    return map;
}

static void the_sample_takes_four_frames_from_each_end(void **state)
{
    (void)state;
    int index[RF_SENSOR_SAMPLE_MAX];
    assert_int_equal(rf_sensor_sample(3, index), 0);
    assert_int_equal(rf_sensor_sample(4, index), 4);
    for (int count = 13; count < 200; count++) {
        assert_int_equal(rf_sensor_sample(count, index), RF_SENSOR_SAMPLE_MAX);
        for (int i = 0; i < 4; i++) {
            assert_int_equal(index[i], i);
            assert_int_equal(index[RF_SENSOR_SAMPLE_MAX - 1 - i], count - 1 - i);
        }
        for (int i = 1; i < RF_SENSOR_SAMPLE_MAX; i++)
            assert_true(index[i] > index[i - 1]);
    }
}

static int lists_sample(const rf_sensor_map *map, int x, int y, int c)
{
    for (int i = 0; i < map->bad_count; i++)
        if (map->bad[i].x == x && map->bad[i].y == y && map->bad[i].channel == c)
            return 1;
    return 0;
}

static void hot_and_dead_pixels_are_found_where_they_are(void **state)
{
    (void)state;
    for (int grey = 0; grey < 2; grey++) {
        scene s = MOVING;
        s.hot = 3, s.dead = 1;
        s.channels = grey ? 1 : 3;
        s.sample = grey ? RF_U16 : RF_U8;
        rf_sensor_map map = find(&s);
        assert_int_equal(map.hot_count, 4);
        assert_int_equal(map.bad_count, grey ? 4 : 6); /* one channel each; the dead one in all three */
        for (int i = 0; i < 3; i++)
            assert_true(lists_sample(&map, HOT[i][0], HOT[i][1], grey ? 0 : i));
        assert_true(lists_sample(&map, DEAD[0], DEAD[1], 0));
        assert_int_equal(map.dust_count, 0);
        rf_sensor_map_free(&map);
    }
}

static void a_smeared_hot_pixel_is_one_fault_and_wholly_listed(void **state)
{
    (void)state;
    scene s = MOVING;
    s.hot = 2, s.smear = 1;
    rf_sensor_map map = find(&s);
    assert_int_equal(map.hot_count, 2);
    for (int dy = -1; dy <= 1; dy++)
        for (int dx = -1; dx <= 1; dx++)
            assert_true(lists_sample(&map, HOT[0][0] + dx, HOT[0][1] + dy, 1));
    assert_true(map.bad_count <= 2 * 3 * 25); /* nor much more than that */
    rf_sensor_map_free(&map);
}

static void a_clean_moving_take_has_no_faults(void **state)
{
    (void)state;
    scene s = MOVING;
    s.contrast = 0.03;
    s.speck = s.blob = 1;
    rf_sensor_map map = find(&s);
    assert_true(rf_sensor_map_is_empty(&map));
    rf_sensor_map_free(&map);
}

static void specks_and_dark_spots_of_a_still_take_go_out_of_focus_and_are_kept(void **state)
{
    (void)state;
    for (int textured = 0; textured < 2; textured++) {
        scene s = MOVING;
        s.drift_px = 0;
        s.contrast = textured ? 0.03 : 0.002;
        s.speck = 1;
        rf_sensor_map map = find(&s);
        assert_true(rf_sensor_map_is_empty(&map));
        rf_sensor_map_free(&map);
        s.speck = 0, s.blob = 1;
        map = find(&s);
        assert_true(rf_sensor_map_is_empty(&map));
        rf_sensor_map_free(&map);
    }
}

/* Nothing moves, nothing refocuses: a fault cannot be told from the subject, so the subject wins. */
static void a_take_that_does_not_change_is_left_alone(void **state)
{
    (void)state;
    scene s = MOVING;
    s.drift_px = s.blur_px = 0;
    s.contrast = 0.05;
    s.hot = 3, s.dust = 1, s.speck = 1;
    rf_sensor_map map = find(&s);
    assert_true(rf_sensor_map_is_empty(&map));
    rf_sensor_map_free(&map);
}

static void fewer_than_four_frames_tell_nothing(void **state)
{
    (void)state;
    scene s = MOVING;
    s.hot = 3, s.dust = 1;
    rf_sensor_map map;
    assert_int_equal(try_find(&s, 3, 1, 0, &map), RF_OK);
    assert_true(rf_sensor_map_is_empty(&map));
    rf_sensor_map_free(&map);
}

static void dust_is_found_and_measured(void **state)
{
    (void)state;
    scene s = MOVING;
    s.contrast = 0.012, s.dust = 1;
    rf_sensor_map map = find(&s);
    assert_int_equal(map.dust_count, 1);
    assert_int_equal(map.bad_count, 0);
    const rf_dust_spot *dust = &map.dust[0];
    assert_near(dust->x, DUST_X, 0.6);
    assert_near(dust->y, DUST_Y, 0.6);
    assert_near(dust->radius_px, DUST_RADIUS,
                1.5); /* half of the log's dip, fitted against a quadratic: a little less */
    double square = 0;
    for (int i = 0; i < dust->side * dust->side; i++) {
        double wanted = dust_gain(dust->left + i % dust->side, dust->top + i / dust->side);
        assert_in_range((int)(dust->gain[i] * 1000), 600, 1000);
        square += (dust->gain[i] - wanted) * (dust->gain[i] - wanted);
    }
    /* An eighth of the dip: below what the eye finds on even ground, and what the fit's skirts cost (the ring of the
     * surroundings still holds 2 % of it). */
    assert_true(sqrt(square / (dust->side * dust->side)) < DUST_DIP / 8);
    rf_sensor_map_free(&map);
}

/* Repaired frames against frames from a clean sensor, rms over the faults' neighbourhood in linear light. */
static double error_near(const scene *s, const rf_sensor_map *map, int centre_x, int centre_y, int reach)
{
    rf_image broken = {0}, clean = {0};
    double square = 0;
    int count = 0;
    assert_int_equal(rf_image_alloc(&broken, WIDTH, HEIGHT, s->channels, s->sample, "a frame", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&clean, WIDTH, HEIGHT, s->channels, s->sample, "a frame", NULL), RF_OK);
    render(s, 2, 1, &broken);
    render(s, 2, 0, &clean);
    assert_int_equal(rf_sensor_repair(map, &broken, NULL), RF_OK);
    for (int y = centre_y - reach; y <= centre_y + reach; y++)
        for (int x = centre_x - reach; x <= centre_x + reach; x++)
            for (int c = 0; y >= 0 && y < HEIGHT && x >= 0 && x < WIDTH && c < s->channels; c++, count++) {
                double difference = linear_sample(&broken, x, y, c) - linear_sample(&clean, x, y, c);
                square += difference * difference;
            }
    rf_image_free(&broken);
    rf_image_free(&clean);
    return sqrt(square / count);
}

static void repair_brings_back_what_a_clean_sensor_shows(void **state)
{
    (void)state;
    scene s = MOVING;
    s.contrast = 0.012, s.hot = 3, s.smear = 1, s.dust = 1;
    rf_sensor_map map = find(&s), none = {0};
    assert_int_equal(map.dust_count, 1);
    for (int i = 0; i < 3; i++) {
        assert_true(error_near(&s, &none, HOT[i][0], HOT[i][1], 1) > 0.1);
        assert_true(error_near(&s, &map, HOT[i][0], HOT[i][1], 1) < 0.006); /* a sample is 0.002 to 0.004 coarse here */
    }
    assert_true(error_near(&s, &none, 120, 71, 6) > 0.03);
    assert_true(error_near(&s, &map, 120, 71, 6) < 0.01);
    /* of 0.3: 3 % of the light, as the gain map's error allows */ /* of 0.3: under 3 % of the light */
    rf_sensor_map_free(&map);
}

static void repair_leaves_every_other_sample_as_it_is(void **state)
{
    (void)state;
    scene s = MOVING;
    s.hot = 3, s.dead = 1;
    rf_sensor_map map = find(&s);
    rf_image before = {0}, after = {0};
    assert_int_equal(rf_image_alloc(&before, WIDTH, HEIGHT, 3, RF_U8, "a frame", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&after, WIDTH, HEIGHT, 3, RF_U8, "a frame", NULL), RF_OK);
    render(&s, 5, 1, &before);
    render(&s, 5, 1, &after);
    assert_int_equal(rf_sensor_repair(&map, &after, NULL), RF_OK);
    int changed = 0;
    for (int y = 0; y < HEIGHT; y++)
        for (int i = 0; i < 3 * WIDTH; i++)
            if (((uint8_t *)rf_image_row(&before, y))[i] != ((uint8_t *)rf_image_row(&after, y))[i]) {
                assert_true(lists_sample(&map, i / 3, y, i % 3));
                changed++;
            }
    assert_int_equal(changed, map.bad_count);
    rf_image_free(&before);
    rf_image_free(&after);
    rf_sensor_map_free(&map);
}

static void one_and_three_threads_find_the_same(void **state)
{
    (void)state;
    scene s = MOVING;
    s.contrast = 0.012, s.hot = 3, s.dust = 1;
    rf_sensor_map one, three;
    assert_int_equal(try_find(&s, FRAMES, 1, 1, &one), RF_OK);
    assert_int_equal(try_find(&s, FRAMES, 3, 1, &three), RF_OK);
    assert_int_equal(one.bad_count, three.bad_count);
    assert_memory_equal(one.bad, three.bad, (size_t)one.bad_count * sizeof *one.bad);
    assert_int_equal(one.dust_count, 1);
    assert_int_equal(three.dust_count, 1);
    int side = one.dust[0].side;
    assert_int_equal(side, three.dust[0].side);
    assert_memory_equal(one.dust[0].gain, three.dust[0].gain, (size_t)(side * side) * sizeof(float));
    rf_sensor_map_free(&one);
    rf_sensor_map_free(&three);
}

static void memory_keeps_its_bound_whatever_the_take(void **state)
{
    (void)state;
    for (int frames = 8; frames <= FRAMES; frames += 12) {
        scene s = MOVING;
        s.hot = 3, s.dust = 1;
        rf_sensor_map map;
        size_t before = rf_memory_held();
        rf_memory_reset_peak();
        assert_int_equal(try_find(&s, frames, 2, 1, &map), RF_OK);
        rf_sensor_map_free(&map);
        size_t frame_bytes = (RF_SENSOR_EARLY + 1) * ((size_t)WIDTH * HEIGHT * 3 + 64 * HEIGHT);
        assert_true(rf_memory_peak() - before <= rf_sensor_memory_bytes(WIDTH, HEIGHT) + frame_bytes);
        assert_int_equal(rf_memory_held(), before);
    }
    rf_sensor *sensor = NULL; /* the part that grows with the picture, alone */
    size_t before = rf_memory_held();
    assert_int_equal(rf_sensor_create(&sensor, 2000, 1500, 3, RF_U8, NULL, NULL), RF_OK);
    assert_true(rf_memory_held() - before <= (size_t)20 * 2000 * 1500);
    rf_sensor_destroy(&sensor);
}

static void any_allocation_may_fail(void **state)
{
    (void)state;
    scene s = {.drift_px = 0.4, .blur_px = 0.7, .hot = 2, .dust = 1, .channels = 1, .sample = RF_U8, .finest = 0.1};
    failing_memory memory = failing_memory_start();
    rf_status status;
    do {
        rf_sensor_map map;
        failing_memory_arm(&memory);
        status = try_find(&s, 4, 1, 1, &map);
        rf_sensor_map_free(&map);
        memory.at += memory.at < 40 ? 0 : 6; /* each frame's is like the one before */
    } while (failing_memory_goes_on(&memory, status, NULL));
    assert_true(memory.failures >= 20);
}

static void frames_of_another_shape_are_refused(void **state)
{
    (void)state;
    rf_sensor *sensor = NULL;
    rf_image frame = {0};
    rf_error err = {0};
    assert_int_equal(rf_sensor_create(&sensor, WIDTH, HEIGHT, 2, RF_U8, NULL, NULL), RF_ERR_USAGE);
    assert_int_equal(rf_sensor_create(&sensor, WIDTH, HEIGHT, 3, RF_U8, NULL, NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&frame, WIDTH + 1, HEIGHT, 3, RF_U8, "a frame", NULL), RF_OK);
    assert_int_equal(rf_sensor_survey(sensor, &frame, NULL, &err), RF_ERR_INPUT);
    assert_non_null(strstr(err.text, "201 x 150"));
    assert_int_equal(rf_image_alloc(&frame, WIDTH, HEIGHT, 3, RF_U8, "a frame", NULL), RF_OK);
    for (int i = 0; i < RF_SENSOR_SAMPLE_MAX; i++)
        assert_int_equal(rf_sensor_survey(sensor, &frame, NULL, NULL), RF_OK);
    assert_int_equal(rf_sensor_survey(sensor, &frame, NULL, NULL), RF_ERR_INPUT);
    rf_image_free(&frame);
    rf_sensor_destroy(&sensor);
}

static void tiny_pictures_are_taken(void **state)
{
    (void)state;
    for (int side = 1; side < 12; side++) {
        rf_sensor *sensor = NULL;
        rf_image frame = {0};
        rf_sensor_map map = {0};
        int suspects;
        assert_int_equal(rf_sensor_create(&sensor, side, 12 - side, 1, RF_U16, NULL, NULL), RF_OK);
        assert_int_equal(rf_image_alloc(&frame, side, 12 - side, 1, RF_U16, "a frame", NULL), RF_OK);
        ((uint16_t *)rf_image_row(&frame, (12 - side) / 2))[side / 2] = 60000;
        for (int k = 0; k < 5; k++)
            assert_int_equal(rf_sensor_survey(sensor, &frame, NULL, NULL), RF_OK);
        assert_int_equal(rf_sensor_suspects(sensor, &suspects, NULL), RF_OK);
        for (int k = 0; k < 5; k++)
            assert_int_equal(rf_sensor_examine(sensor, &frame, NULL, NULL), RF_OK);
        assert_int_equal(rf_sensor_finish(sensor, &map, NULL), RF_OK);
        assert_int_equal(rf_sensor_repair(&map, &frame, NULL), RF_OK);
        rf_sensor_map_free(&map);
        rf_image_free(&frame);
        rf_sensor_destroy(&sensor);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_sample_takes_four_frames_from_each_end),
        cmocka_unit_test(hot_and_dead_pixels_are_found_where_they_are),
        cmocka_unit_test(a_smeared_hot_pixel_is_one_fault_and_wholly_listed),
        cmocka_unit_test(a_clean_moving_take_has_no_faults),
        cmocka_unit_test(specks_and_dark_spots_of_a_still_take_go_out_of_focus_and_are_kept),
        cmocka_unit_test(a_take_that_does_not_change_is_left_alone),
        cmocka_unit_test(fewer_than_four_frames_tell_nothing),
        cmocka_unit_test(dust_is_found_and_measured),
        cmocka_unit_test(repair_brings_back_what_a_clean_sensor_shows),
        cmocka_unit_test(repair_leaves_every_other_sample_as_it_is),
        cmocka_unit_test(one_and_three_threads_find_the_same),
        cmocka_unit_test(memory_keeps_its_bound_whatever_the_take),
        cmocka_unit_test(any_allocation_may_fail),
        cmocka_unit_test(frames_of_another_shape_are_refused),
        cmocka_unit_test(tiny_pictures_are_taken),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* test_shadow.c - laws of the search for dust that knows the poses, on the takes of sensor_scene.h. */
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
#include "sensor_scene.h"
#include "railfold/memory.h"
#include "railfold/sensor.h"

/* Texture in every frame, under the dust and around it. */
static const scene SHAKING = {.drift_px = 0.2,
                              .blur_px = 0.25,
                              .contrast = 0.015,
                              .finest = 0.3,
                              .coarsest = 0.03,
                              .channels = 3,
                              .sample = RF_U8,
                              .jitter_px = 1.2};

static rf_status try_search(const scene *s, int faults, int threads, rf_sensor_map *map)
{
    rf_status status;
    rf_pool *pool = NULL;
    rf_shadow *shadow = NULL;
    rf_image frame = {0}, luma = {0};
    rf_pose poses[FRAMES];
    RF_TRY(rf_pool_create(&pool, threads, NULL));
    RF_TRY(rf_image_alloc(&frame, WIDTH, HEIGHT, s->channels, s->sample, "a frame", NULL));
    RF_TRY(rf_image_alloc(&luma, WIDTH, HEIGHT, 1, RF_F32, "a luma", NULL));
    RF_TRY(rf_shadow_create(&shadow, WIDTH, HEIGHT, 1, FRAMES, pool, NULL));
    for (int k = 0; k < FRAMES; k++) {
        poses[k] = rf_pose_identity();
        poses[k].usable = 1;
        shift_of(s, k, &poses[k].tx, &poses[k].ty);
        render(s, k, faults, &frame);
        rf_image_luma(&frame, 1, &luma, NULL);
        RF_TRY(rf_shadow_keep(shadow, k, &luma, NULL));
    }
    RF_TRY(rf_shadow_finish(shadow, poses, map, NULL));
done:
    rf_shadow_destroy(&shadow);
    rf_image_free(&frame);
    rf_image_free(&luma);
    rf_pool_destroy(&pool);
    return status;
}

static rf_sensor_map search(const scene *s, int faults)
{
    rf_sensor_map map = {0};
    assert_int_equal(try_search(s, faults, 1, &map), RF_OK);
    return map;
}

static void dust_over_texture_is_found_and_measured(void **state)
{
    (void)state;
    scene s = SHAKING;
    s.dust = 1;
    rf_sensor_map map = search(&s, 1);
    assert_int_equal(map.dust_count, 1);
    const rf_dust_spot *spot = &map.dust[0];
    assert_near(spot->x, DUST_X, 1); /* an eighth of the radius: what the texture leaves in doubt */
    assert_near(spot->y, DUST_Y, 1);
    assert_near(spot->radius_px, DUST_RADIUS, 1);
    double square = 0, count = 0;
    for (int i = 0; i < spot->side * spot->side; i++) {
        double x = spot->left + i % spot->side, y = spot->top + i / spot->side;
        double error = (double)spot->gain[i] / dust_gain(x, y) - 1;
        if (hypot(x - DUST_X, y - DUST_Y) < 1.5 * DUST_RADIUS)
            square += error * error, count++;
    }
    assert_true(sqrt(square / count) < 0.02); /* a tenth of the dip */
    rf_sensor_map_free(&map);
}

static void a_clean_shaking_take_has_no_dust(void **state)
{
    (void)state;
    scene s = SHAKING;
    rf_sensor_map map = search(&s, 0);
    assert_int_equal(map.dust_count, 0);
    s.blob = 1; /* a dark disc of the subject as wide as dust */
    map = search(&s, 0);
    assert_int_equal(map.dust_count, 0);
    rf_sensor_map_free(&map);
}

static void a_smooth_rail_tells_nothing_false(void **state)
{
    (void)state;
    scene s = SHAKING;
    s.jitter_px = 0;
    s.blob = 1;
    rf_sensor_map map = search(&s, 0);
    assert_int_equal(map.dust_count, 0);
    rf_sensor_map_free(&map);
}

static void hot_pixels_are_no_dust(void **state)
{
    (void)state;
    scene s = SHAKING;
    s.hot = 2, s.smear = 1, s.dead = 1;
    rf_sensor_map map = {0};
    assert_int_equal(rf_alloc(&map.bad, 4, sizeof *map.bad, "faults", NULL), RF_OK);
    for (int i = 0; i < 2; i++)
        map.bad[map.bad_count++] = (rf_bad_sample){.x = HOT[i][0], .y = HOT[i][1]};
    map.bad[map.bad_count++] = (rf_bad_sample){.x = DEAD[0], .y = DEAD[1]};
    assert_int_equal(try_search(&s, 1, 1, &map), RF_OK);
    assert_int_equal(map.dust_count, 0);
    rf_sensor_map_free(&map);
}

static void what_is_known_is_not_added_again(void **state)
{
    (void)state;
    scene s = SHAKING;
    s.dust = 1;
    rf_sensor_map map = {0};
    assert_int_equal(rf_alloc(&map.dust, 1, sizeof *map.dust, "dust", NULL), RF_OK);
    map.dust[0] = (rf_dust_spot){.x = 122, .y = 70, .radius_px = 8, .dip = 0.1f};
    map.dust_count = 1;
    assert_int_equal(try_search(&s, 1, 1, &map), RF_OK);
    assert_int_equal(map.dust_count, 1);
    assert_true(map.dust[0].dip == 0.1f);
    rf_sensor_map_free(&map);
}

static void one_and_three_threads_find_the_same_dust(void **state)
{
    (void)state;
    scene s = SHAKING;
    s.dust = 1;
    rf_sensor_map one = {0}, three = {0};
    assert_int_equal(try_search(&s, 1, 1, &one), RF_OK);
    assert_int_equal(try_search(&s, 1, 3, &three), RF_OK);
    assert_int_equal(one.dust_count, three.dust_count);
    for (int i = 0; i < one.dust_count; i++) {
        size_t area = (size_t)one.dust[i].side * (size_t)one.dust[i].side;
        assert_true(one.dust[i].x == three.dust[i].x && one.dust[i].dip == three.dust[i].dip);
        assert_memory_equal(one.dust[i].gain, three.dust[i].gain, area * sizeof(float));
    }
    rf_sensor_map_free(&one);
    rf_sensor_map_free(&three);
}

static void memory_keeps_its_bound_and_any_allocation_may_fail(void **state)
{
    (void)state;
    scene s = SHAKING;
    s.dust = 1;
    size_t before = rf_memory_held();
    rf_sensor_map map = {0};
    rf_memory_reset_peak();
    assert_int_equal(try_search(&s, 1, 1, &map), RF_OK);
    size_t frames = (size_t)WIDTH * HEIGHT * (3 + 4) + 4096; /* the test's own */
    assert_true(rf_memory_peak() - before <= rf_shadow_memory_bytes(WIDTH, HEIGHT, FRAMES) + frames);
    rf_sensor_map_free(&map);
    failing_memory memory = failing_memory_start();
    rf_status status;
    do {
        failing_memory_arm(&memory);
        map = (rf_sensor_map){0};
        status = try_search(&s, 1, 1, &map);
        rf_sensor_map_free(&map);
        memory.at += memory.at > 20 ? 4 : 0; /* each frame's is like the one before */
    } while (failing_memory_goes_on(&memory, status, NULL));
    assert_true(memory.failures >= 20);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(dust_over_texture_is_found_and_measured),
        cmocka_unit_test(a_clean_shaking_take_has_no_dust),
        cmocka_unit_test(a_smooth_rail_tells_nothing_false),
        cmocka_unit_test(hot_pixels_are_no_dust),
        cmocka_unit_test(what_is_known_is_not_added_again),
        cmocka_unit_test(one_and_three_threads_find_the_same_dust),
        cmocka_unit_test(memory_keeps_its_bound_and_any_allocation_may_fail),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

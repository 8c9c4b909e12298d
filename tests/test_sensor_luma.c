/* test_sensor_luma.c - laws of what spares decoding: hot pixels followed from the first frames on, lumas repaired. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "near.h"
#include "sensor_find.h"

static void same_map(const rf_sensor_map *a, const rf_sensor_map *b)
{
    assert_int_equal(a->hot_count, b->hot_count);
    assert_int_equal(a->bad_count, b->bad_count);
    assert_int_equal(a->bad_luma_count, b->bad_luma_count);
    assert_int_equal(a->dust_count, b->dust_count);
    if (a->hot_count > 0) {
        assert_memory_equal(a->hot, b->hot, (size_t)a->hot_count * sizeof *a->hot);
        assert_memory_equal(a->bad, b->bad, (size_t)a->bad_count * sizeof *a->bad);
        assert_memory_equal(a->bad_luma, b->bad_luma, (size_t)a->bad_luma_count * sizeof *a->bad_luma);
    }
    for (int i = 0; i < a->dust_count; i++) {
        int side = a->dust[i].side;
        assert_int_equal(side, b->dust[i].side);
        assert_memory_equal(a->dust[i].gain, b->dust[i].gain, (size_t)(side * side) * sizeof(float));
    }
}

static void following_finds_what_a_second_look_finds(void **state)
{
    (void)state;
    scene scenes[5] = {MOVING, MOVING, MOVING, MOVING, MOVING};
    scenes[0].hot = 3, scenes[0].dead = 1;
    scenes[1].hot = 2, scenes[1].smear = 1;
    scenes[2].contrast = 0.012, scenes[2].hot = 3, scenes[2].dust = 1;
    scenes[3].channels = 1, scenes[3].sample = RF_U16, scenes[3].hot = 3, scenes[3].dead = 1;
    scenes[4].contrast = 0.05, scenes[4].speck = scenes[4].blob = 1, scenes[4].hot = 1; /* detail stands out, too */
    for (int i = 0; i < 5; i++)
        for (int frames = 4; frames <= FRAMES; frames += 8) {
            rf_sensor_map looked, followed;
            assert_int_equal(try_find(&scenes[i], frames, 1, 0, &looked), RF_OK);
            assert_int_equal(try_find(&scenes[i], frames, 2, 1, &followed), RF_OK);
            same_map(&looked, &followed);
            assert_true(frames < FRAMES || looked.hot_count > 0);
            rf_sensor_map_free(&looked);
            rf_sensor_map_free(&followed);
        }
}

/* Grains like sharp sand, out of focus from the fifth frame on, and one pixel hotter than any. */
static void sand(rf_image *frame, int k)
{
    uint32_t seed = 1;
    for (int y = 0; y < frame->height; y++)
        for (int x = 0; x < frame->width; x++)
            ((uint8_t *)rf_image_row(frame, y))[x] =
                k < RF_SENSOR_EARLY ? (uint8_t)((next(&seed) >> 24) % 160) : (uint8_t)(80 + k);
    ((uint8_t *)rf_image_row(frame, 200))[300] = 240;
}

static void where_too_much_persists_as_yet_the_second_look_wants_the_frames(void **state)
{
    (void)state;
    rf_sensor *sensor = NULL;
    rf_sensor_map map = {0};
    rf_image frames[RF_SENSOR_SAMPLE_MAX] = {{0}};
    const rf_image *shown[RF_SENSOR_EARLY];
    int suspects;
    assert_int_equal(rf_sensor_create(&sensor, 600, 400, 1, RF_U8, NULL, NULL), RF_OK);
    for (int k = 0; k < RF_SENSOR_SAMPLE_MAX; k++) {
        assert_int_equal(rf_image_alloc(&frames[k], 600, 400, 1, RF_U8, "a frame", NULL), RF_OK);
        sand(&frames[k], k);
        assert_int_equal(rf_sensor_survey(sensor, &frames[k], NULL, NULL), RF_OK);
        if (k < RF_SENSOR_EARLY)
            shown[k] = &frames[k];
        if (k == RF_SENSOR_EARLY - 1)
            assert_int_equal(rf_sensor_follow(sensor, shown, NULL), RF_OK);
    }
    assert_int_equal(rf_sensor_suspects(sensor, &suspects, NULL), RF_OK);
    assert_true(rf_sensor_wants_colour(sensor));
    assert_int_equal(rf_sensor_examine(sensor, NULL, &frames[0], NULL), RF_ERR_INTERNAL);
    for (int k = 0; k < RF_SENSOR_SAMPLE_MAX; k++)
        assert_int_equal(rf_sensor_examine(sensor, &frames[k], NULL, NULL), RF_OK);
    assert_int_equal(rf_sensor_finish(sensor, &map, NULL), RF_OK);
    assert_int_equal(map.hot_count, 1);
    assert_int_equal(map.hot[0].x, 300);
    rf_sensor_map_free(&map);
    for (int k = 0; k < RF_SENSOR_SAMPLE_MAX; k++)
        rf_image_free(&frames[k]);
    rf_sensor_destroy(&sensor);
}

static void following_at_another_time_is_refused(void **state)
{
    (void)state;
    rf_sensor *sensor = NULL;
    rf_image frame = {0};
    rf_error err = {0};
    const rf_image *shown[RF_SENSOR_EARLY] = {&frame, &frame, &frame, &frame};
    assert_int_equal(rf_sensor_create(&sensor, WIDTH, HEIGHT, 1, RF_U8, NULL, NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&frame, WIDTH, HEIGHT, 1, RF_U8, "a frame", NULL), RF_OK);
    for (int k = 0; k <= RF_SENSOR_EARLY; k++) {
        if (k != RF_SENSOR_EARLY)
            assert_int_equal(rf_sensor_follow(sensor, shown, &err), RF_ERR_INTERNAL);
        else
            assert_int_equal(rf_sensor_follow(sensor, shown, NULL), RF_OK);
        assert_int_equal(rf_sensor_survey(sensor, &frame, NULL, NULL), RF_OK);
    }
    assert_int_equal(rf_sensor_follow(sensor, shown, &err), RF_ERR_INTERNAL);
    assert_non_null(strstr(err.text, "from 4 frames on"));
    rf_image_free(&frame);
    rf_sensor_destroy(&sensor);
}

static int luma_at(const rf_image *luma, int x, int y)
{
    return ((const uint8_t *)rf_image_row(luma, y))[x];
}

/* A weighted mean of three channels repaired apart against the mean repaired: near a dead pixel, where neighbours are
 * told from noise, the direction may differ. */
static void a_repaired_luma_is_a_repaired_frames_luma(void **state)
{
    (void)state;
    scene s = MOVING;
    s.contrast = 0.012, s.hot = 3, s.smear = 1, s.dead = 1, s.dust = 1;
    rf_sensor_map map;
    rf_image frame = {0}, wanted = {0}, luma = {0}, broken = {0};
    assert_int_equal(try_find(&s, FRAMES, 1, 1, &map), RF_OK);
    assert_int_equal(map.dust_count, 1);
    assert_int_equal(rf_image_alloc(&frame, WIDTH, HEIGHT, 3, RF_U8, "a frame", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&wanted, WIDTH, HEIGHT, 1, RF_U8, "a luma", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&luma, WIDTH, HEIGHT, 1, RF_U8, "a luma", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&broken, WIDTH, HEIGHT, 1, RF_U8, "a luma", NULL), RF_OK);
    render(&s, 2, 1, &frame);
    rf_image_luma(&frame, 1, &luma, NULL);
    rf_image_luma(&frame, 1, &broken, NULL);
    assert_int_equal(rf_sensor_repair_luma(&map, &luma, NULL), RF_OK);
    assert_int_equal(rf_sensor_repair(&map, &frame, NULL), RF_OK);
    rf_image_luma(&frame, 1, &wanted, NULL);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++)
            assert_in_range(luma_at(&luma, x, y) - luma_at(&wanted, x, y) + 2, 0, 4);
    for (int i = 0; i < 3; i++)
        assert_true(luma_at(&broken, HOT[i][0], HOT[i][1]) - luma_at(&luma, HOT[i][0], HOT[i][1]) > 10);
    assert_true(luma_at(&luma, DEAD[0], DEAD[1]) - luma_at(&broken, DEAD[0], DEAD[1]) > 50);
    assert_true(luma_at(&luma, 120, 71) - luma_at(&broken, 120, 71) > 5);
    assert_int_equal(rf_sensor_repair_luma(&map, &frame, NULL), RF_ERR_INPUT);
    rf_image_free(&frame);
    rf_image_free(&wanted);
    rf_image_free(&luma);
    rf_image_free(&broken);
    rf_sensor_map_free(&map);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(following_finds_what_a_second_look_finds),
        cmocka_unit_test(where_too_much_persists_as_yet_the_second_look_wants_the_frames),
        cmocka_unit_test(following_at_another_time_is_refused),
        cmocka_unit_test(a_repaired_luma_is_a_repaired_frames_luma),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

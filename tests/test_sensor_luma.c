/* test_sensor_luma.c - the search for sensor faults on lumas alone, on the takes of sensor_scene.h. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "sensor_scene.h"
#include "railfold/sensor.h"

static const scene MOVING = {.drift_px = 0.4,
                             .blur_px = 0.7,
                             .contrast = 0.012,
                             .finest = 0.35,
                             .coarsest = 0.06,
                             .channels = 3,
                             .sample = RF_U8};

typedef struct search {
    rf_sensor *sensor;
    rf_image frame, luma;
    int index[RF_SENSOR_SAMPLE_MAX], count;
} search;

static search search_begin(const scene *s)
{
    search self = {0};
    self.count = rf_sensor_sample(FRAMES, self.index);
    assert_int_equal(rf_image_alloc(&self.frame, WIDTH, HEIGHT, 3, s->sample, "a frame", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&self.luma, WIDTH, HEIGHT, 1, s->sample, "a luma", NULL), RF_OK);
    assert_int_equal(rf_sensor_create(&self.sensor, WIDTH, HEIGHT, 3, s->sample, NULL, NULL), RF_OK);
    return self;
}

static void search_end(search *self)
{
    rf_sensor_destroy(&self->sensor);
    rf_image_free(&self->frame);
    rf_image_free(&self->luma);
}

/* Both looks, the first with lumas from without or made by the sensor itself, the second with nothing but lumas or
 * nothing but frames. */
static rf_sensor_map find(const scene *s, int lumas)
{
    search self = search_begin(s);
    rf_sensor_map map = {0};
    int suspects = 0;
    for (int i = 0; i < self.count; i++) {
        render(s, self.index[i], 1, &self.frame);
        rf_image_luma(&self.frame, 1, &self.luma, NULL);
        assert_int_equal(rf_sensor_survey(self.sensor, &self.frame, lumas ? &self.luma : NULL, NULL), RF_OK);
    }
    assert_int_equal(rf_sensor_suspects(self.sensor, &suspects, NULL), RF_OK);
    assert_true(suspects > 0);
    assert_int_equal(rf_sensor_wants_colour(self.sensor), 0);
    for (int i = 0; i < self.count; i++) {
        render(s, self.index[i], 1, &self.frame);
        rf_image_luma(&self.frame, 1, &self.luma, NULL);
        assert_int_equal(rf_sensor_examine(self.sensor, lumas ? NULL : &self.frame, lumas ? &self.luma : NULL, NULL),
                         RF_OK);
    }
    assert_int_equal(rf_sensor_finish(self.sensor, &map, NULL), RF_OK);
    search_end(&self);
    return map;
}

static void dust_is_found_without_colour(void **state)
{
    (void)state;
    for (int deep = 0; deep < 2; deep++) {
        scene s = MOVING;
        s.dust = 1, s.sample = deep ? RF_U16 : RF_U8;
        rf_sensor_map with = find(&s, 0), without = find(&s, 1);
        assert_int_equal(with.dust_count, 1);
        assert_int_equal(without.dust_count, 1);
        int side = with.dust[0].side;
        assert_int_equal(without.dust[0].side, side);
        assert_memory_equal(with.dust[0].gain, without.dust[0].gain, (size_t)(side * side) * sizeof(float));
        rf_sensor_map_free(&with);
        rf_sensor_map_free(&without);
    }
}

static void hot_pixels_are_not_looked_for_without_colour(void **state)
{
    (void)state;
    scene s = MOVING;
    s.hot = 3;
    search self = search_begin(&s);
    int suspects = 0;
    for (int k = 0; k < 8; k++) {
        render(&s, k, 1, &self.frame);
        assert_int_equal(rf_sensor_survey(self.sensor, &self.frame, NULL, NULL), RF_OK);
    }
    assert_int_equal(rf_sensor_suspects(self.sensor, &suspects, NULL), RF_OK);
    assert_int_equal(rf_sensor_wants_colour(self.sensor), 1);
    assert_int_equal(rf_sensor_examine(self.sensor, NULL, &self.luma, NULL), RF_ERR_INTERNAL);
    search_end(&self);
}

static void what_is_no_luma_is_refused(void **state)
{
    (void)state;
    search self = search_begin(&MOVING);
    assert_int_equal(rf_sensor_survey(self.sensor, &self.frame, &self.frame, NULL), RF_ERR_INPUT);
    assert_int_equal(rf_sensor_survey(self.sensor, &self.luma, NULL, NULL), RF_ERR_INPUT);
    search_end(&self);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(dust_is_found_without_colour),
        cmocka_unit_test(hot_pixels_are_not_looked_for_without_colour),
        cmocka_unit_test(what_is_no_luma_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

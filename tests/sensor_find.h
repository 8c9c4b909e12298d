/* sensor_find.h - what the search finds on a take of sensor_scene.h. */
#ifndef RF_TEST_SENSOR_FIND_H
#define RF_TEST_SENSOR_FIND_H

#include <string.h>

#include "sensor_scene.h"
#include "railfold/memory.h"
#include "railfold/sensor.h"

/* `follow`: hot pixels are followed from the first frames on and the second look sees lumas alone, where it may. */
static rf_status try_find(const scene *s, int frames, int threads, int follow, rf_sensor_map *map)
{
    int index[RF_SENSOR_SAMPLE_MAX], count = rf_sensor_sample(frames, index), suspects = 0;
    rf_status status;
    rf_pool *pool = NULL;
    rf_sensor *sensor = NULL;
    rf_image early[RF_SENSOR_EARLY] = {{0}}, frame = {0}, luma = {0};
    const rf_image *shown[RF_SENSOR_EARLY];
    memset(map, 0, sizeof *map);
    RF_TRY(rf_pool_create(&pool, threads, NULL));
    RF_TRY(rf_image_alloc(&frame, WIDTH, HEIGHT, s->channels, s->sample, "a frame", NULL));
    RF_TRY(rf_image_alloc(&luma, WIDTH, HEIGHT, 1, s->sample, "a luma", NULL));
    RF_TRY(rf_sensor_create(&sensor, WIDTH, HEIGHT, s->channels, s->sample, pool, NULL));
    for (int i = 0; i < count; i++) {
        render(s, index[i], 1, &frame);
        RF_TRY(rf_sensor_survey(sensor, &frame, NULL, NULL));
        if (!follow || i >= RF_SENSOR_EARLY)
            continue;
        shown[i] = &early[i];
        RF_TRY(rf_image_alloc(&early[i], WIDTH, HEIGHT, s->channels, s->sample, "a frame", NULL));
        render(s, index[i], 1, &early[i]);
        if (i == RF_SENSOR_EARLY - 1)
            RF_TRY(rf_sensor_follow(sensor, shown, NULL));
    }
    RF_TRY(rf_sensor_suspects(sensor, &suspects, NULL));
    for (int i = 0; i < count && suspects > 0; i++) {
        render(s, index[i], 1, &frame);
        rf_image_luma(&frame, 1, &luma, pool);
        RF_TRY(rf_sensor_examine(sensor, follow && !rf_sensor_wants_colour(sensor) ? NULL : &frame, &luma, NULL));
    }
    RF_TRY(rf_sensor_finish(sensor, map, NULL));
done:
    rf_sensor_destroy(&sensor);
    for (int i = 0; i < RF_SENSOR_EARLY; i++)
        rf_image_free(&early[i]);
    rf_image_free(&luma);
    rf_image_free(&frame);
    rf_pool_destroy(&pool);
    return status;
}

static const scene MOVING = {.drift_px = 0.4,
                             .blur_px = 0.7,
                             .contrast = 0.015,
                             .finest = 0.35,
                             .coarsest = 0.06,
                             .channels = 3,
                             .sample = RF_U8};

#endif

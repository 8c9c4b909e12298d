/* sensor-faults.c - development tool: what the frames of a take say about the sensor, as JSON. Usage: sensor-faults
 * FRAME... */
#include <stdio.h>
#include <time.h>

#include "railfold/frame_io.h"
#include "railfold/sensor.h"

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void print_map(const rf_sensor_map *map, double seconds)
{
    printf("{\"width\": %d, \"height\": %d, \"seconds\": %.3f, \"bad_samples\": %d,\n \"hot_pixels\": [", map->width,
           map->height, seconds, map->bad_count);
    for (int i = 0; i < map->hot_count; i++)
        printf("%s\n  {\"x\": %d, \"y\": %d, \"excess\": %.4f}", i > 0 ? "," : "", map->hot[i].x, map->hot[i].y,
               (double)map->hot[i].excess);
    printf("],\n \"dust\": [");
    for (int i = 0; i < map->dust_count; i++) {
        const rf_dust_spot *dust = &map->dust[i];
        printf("%s\n  {\"x\": %.2f, \"y\": %.2f, \"radius_px\": %.2f, \"dip\": %.4f, \"left\": %d, \"top\": %d, "
               "\"side\": %d, \"gain\": [",
               i > 0 ? "," : "", (double)dust->x, (double)dust->y, (double)dust->radius_px, (double)dust->dip,
               dust->left, dust->top, dust->side);
        for (int at = 0; at < dust->side * dust->side; at++)
            printf("%s%.4f", at > 0 ? "," : "", (double)dust->gain[at]);
        printf("]}");
    }
    printf("]}\n");
}

int main(int argc, char **argv)
{
    int index[RF_SENSOR_SAMPLE_MAX], count = rf_sensor_sample(argc - 1, index), suspects = 0;
    rf_frame_limits limits = rf_frame_limits_default();
    rf_error err = {0};
    rf_status status = RF_OK;
    rf_image frame = {0};
    rf_sensor *sensor = NULL;
    rf_pool *pool = NULL;
    rf_sensor_map map = {0};
    double seconds = 0, start;
    RF_TRY(rf_pool_create(&pool, 0, &err));
    for (int i = 0; i < count; i++) {
        RF_TRY(rf_frame_read(argv[1 + index[i]], &limits, &frame, NULL, NULL, &err));
        start = now_s();
        if (sensor == NULL)
            RF_TRY(rf_sensor_create(&sensor, frame.width, frame.height, frame.channels, frame.sample, pool, &err));
        RF_TRY(rf_sensor_survey(sensor, &frame, NULL, &err));
        seconds += now_s() - start;
    }
    if (count > 0)
        RF_TRY(rf_sensor_suspects(sensor, &suspects, &err));
    for (int i = 0; i < count && suspects > 0; i++) {
        RF_TRY(rf_frame_read(argv[1 + index[i]], &limits, &frame, NULL, NULL, &err));
        start = now_s();
        RF_TRY(rf_sensor_examine(sensor, &frame, NULL, &err));
        seconds += now_s() - start;
    }
    if (count > 0)
        RF_TRY(rf_sensor_finish(sensor, &map, &err));
    print_map(&map, seconds);
done:
    if (status != RF_OK)
        fprintf(stderr, "sensor-faults: %s\n", err.text);
    rf_sensor_map_free(&map);
    rf_sensor_destroy(&sensor);
    rf_image_free(&frame);
    rf_pool_destroy(&pool);
    return status != RF_OK;
}

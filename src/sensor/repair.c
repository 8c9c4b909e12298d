/* repair.c - sensor faults taken out of one frame. */
#include <math.h>

#include "faults.h"
#include "railfold/memory.h"

enum { DIRECTIONS = 4 };
static const int STEP[DIRECTIONS][2] = {{1, 0}, {0, 1}, {1, 1}, {1, -1}};
static const float NOISE = 0.01f; /* coded: a difference below this does not tell one direction from another */

int rf_sensor_map_is_empty(const rf_sensor_map *map)
{
    return map->bad_count == 0 && map->dust_count == 0;
}

void rf_sensor_map_free(rf_sensor_map *map)
{
    for (int i = 0; i < map->dust_count; i++)
        rf_free(map->dust[i].gain);
    rf_free(map->dust);
    rf_free(map->hot);
    rf_free(map->bad);
    rf_free(map->bad_luma);
    *map = (rf_sensor_map){0};
}

static void store(rf_image *frame, int x, int y, int channel, float coded)
{
    size_t at = (size_t)x * (size_t)frame->channels + (size_t)channel;
    if (frame->sample == RF_U8)
        rf_row_from_f32((uint8_t *)rf_image_row(frame, y) + at, &coded, RF_U8, 1);
    else
        rf_row_from_f32((uint16_t *)rf_image_row(frame, y) + at, &coded, RF_U16, 1);
}

/* Linear interpolation along each direction, weighted by nearness and against the change across the gap; good samples
 * are never written, so the order of the list does not matter. */
static void replace(const rf_bad_sample *b, rf_image *frame)
{
    float sum = 0.0f, weights = 0.0f, lone_sum = 0.0f, lone_weights = 0.0f;
    for (int d = 0; d < DIRECTIONS; d++) {
        float length = d < 2 ? 1.0f : 1.41421356f, before = b->before[d], after = b->after[d], low = 0.0f, high = 0.0f;
        if (b->before[d] != 0)
            low =
                rf_sample_coded(frame, b->x - b->before[d] * STEP[d][0], b->y - b->before[d] * STEP[d][1], b->channel);
        if (b->after[d] != 0)
            high = rf_sample_coded(frame, b->x + b->after[d] * STEP[d][0], b->y + b->after[d] * STEP[d][1], b->channel);
        if (b->before[d] != 0 && b->after[d] != 0) {
            float gap = (before + after) * length, slope = high - low;
            float weight = 1.0f / (gap * gap * (slope * slope + NOISE * NOISE));
            sum += weight * (low * after + high * before) / (before + after);
            weights += weight;
        } else if (b->before[d] != 0 || b->after[d] != 0) {
            float weight = 1.0f / ((before + after) * length);
            lone_sum += weight * (low + high);
            lone_weights += weight;
        }
    }
    if (weights > 0.0f)
        store(frame, b->x, b->y, b->channel, sum / weights);
    else if (lone_weights > 0.0f)
        store(frame, b->x, b->y, b->channel, lone_sum / lone_weights);
}

static void divide_out(const rf_dust_spot *spot, rf_image *frame)
{
    for (int j = 0; j < spot->side; j++)
        for (int i = 0; i < spot->side; i++) {
            int x = spot->left + i, y = spot->top + j;
            float gain = spot->gain[j * spot->side + i];
            if (x < 0 || y < 0 || x >= frame->width || y >= frame->height || gain >= 1.0f)
                continue;
            for (int c = 0; c < frame->channels; c++) {
                float light = rf_linear_from_coded(rf_sample_coded(frame, x, y, c)) / gain;
                store(frame, x, y, c, rf_coded_from_linear(light));
            }
        }
}

static rf_status repair(const rf_sensor_map *map, const rf_bad_sample *bad, int bad_count, int channels,
                        rf_image *frame, rf_error *err)
{
    if (rf_sensor_map_is_empty(map))
        return RF_OK;
    if (frame->width != map->width || frame->height != map->height || frame->channels != channels ||
        frame->sample == RF_F32)
        return rf_fail(err, RF_ERR_INPUT,
                       "a frame of %d x %d pixels and %d channels does not fit the sensor's %d x %d and %d",
                       frame->width, frame->height, frame->channels, map->width, map->height, channels);
    for (int i = 0; i < bad_count; i++)
        replace(&bad[i], frame);
    for (int i = 0; i < map->dust_count; i++)
        divide_out(&map->dust[i], frame);
    return RF_OK;
}

rf_status rf_sensor_repair(const rf_sensor_map *map, rf_image *frame, rf_error *err)
{
    return repair(map, map->bad, map->bad_count, map->channels, frame, err);
}

rf_status rf_sensor_repair_luma(const rf_sensor_map *map, rf_image *luma, rf_error *err)
{
    return repair(map, map->bad_luma, map->bad_luma_count, 1, luma, err);
}

/* depth_map.c - a depth map in one unit. */
#include "railfold/depth_map.h"

#include <math.h>

void rf_depth_map_free(rf_depth_map *map)
{
    rf_image_free(&map->depth);
    rf_image_free(&map->confidence);
    rf_image_free(&map->sigma);
    *map = (rf_depth_map){0};
}

void rf_depth_map_from(rf_depth_map *map, rf_image *samples, const rf_map_facts *facts, double step_mm, double pixel_mm)
{
    double to_unit = 1;
    *map = (rf_depth_map){.depth = *samples, .frames = facts->frames};
    *samples = (rf_image){0};
    map->nearer = facts->nearer;
    map->direction_known = facts->direction_known;
    map->levelled = facts->levelled;
    map->step_mm = step_mm > 0 ? step_mm : facts->step_mm;
    map->pixel_mm = pixel_mm > 0 ? pixel_mm : facts->pixel_mm;
    map->metric = map->step_mm > 0;
    if (facts->metric && facts->step_mm > 0)
        to_unit = map->step_mm / facts->step_mm;
    else if (!facts->metric && map->metric)
        to_unit = map->step_mm;
    double scale = facts->scale * to_unit, offset = facts->offset * to_unit;
    for (int y = 0; y < map->depth.height; y++) {
        float *row = rf_image_row_f32(&map->depth, y);
        for (int x = 0; x < map->depth.width; x++) {
            double value = offset + scale * (double)row[x];
            row[x] = fabs(value) <= RF_DEPTH_MOST ? (float)value : NAN;
        }
    }
}

const char *rf_depth_map_unit(const rf_depth_map *map)
{
    return map->metric ? "mm" : "step";
}

int rf_depth_map_sure(const rf_depth_map *map, int x, int y)
{
    if (!isfinite(rf_image_row_f32(&map->depth, y)[x]))
        return 0;
    return map->confidence.data == NULL || rf_image_row_f32(&map->confidence, y)[x] >= RF_DEPTH_SURE;
}

double rf_depth_map_edge(const rf_depth_map *map)
{
    if (!map->metric)
        return 0.5;
    return fmax(0.5 * map->step_mm, 3 * map->pixel_mm);
}

/* relief.c - the depth map as a grey surface under one lamp. */
#include "railfold/depth_draw.h"

#include <math.h>

#include "railfold/depth_view.h"

enum { BLOCK_ROWS = 32, FLAT_TONE = 190 };

double rf_depth_pixels_per_unit(const rf_depth_map *map, double exaggerate)
{
    float low, high;
    if (map->metric && map->pixel_mm > 0)
        return exaggerate / map->pixel_mm;
    if (!rf_depth_range(&map->depth, 0.01f, &low, &high) || !(high > low))
        return 0;
    return exaggerate * 0.25 * map->depth.width / (double)(high - low);
}

typedef struct relief_job {
    const rf_depth_map *map;
    const rf_image *smooth;
    rf_image *rgb;
    float edge, height_per_unit; /* pixels towards the camera */
} relief_job;

/* A neighbour's depth, or the pixel's own where an edge lies between: the slope is that of the pixel's own surface. */
static float neighbour(const relief_job *job, int x, int y, float own)
{
    const rf_image *smooth = job->smooth;
    x = x < 0 ? 0 : x < smooth->width ? x : smooth->width - 1;
    y = y < 0 ? 0 : y < smooth->height ? y : smooth->height - 1;
    float value = rf_image_row_f32(smooth, y)[x];
    return fabsf(value - own) <= 2 * job->edge ? value : own;
}

/* The lamp reaches a little round the slopes that face away, and a dim sky lights what looks up: relief stays visible
 * in the shade. Our own choice. */
static const float WRAP = 0.12f, SKY = 0.12f;

static float light_at(const relief_job *job, int x, int y)
{
    float own = rf_image_row_f32(job->smooth, y)[x], n[3][3];
    if (!isfinite(own))
        return -1;
    for (int j = 0; j < 3; j++)
        for (int i = 0; i < 3; i++)
            n[j][i] = neighbour(job, x + i - 1, y + j - 1, own);
    float dx = (n[0][2] + 2 * n[1][2] + n[2][2] - n[0][0] - 2 * n[1][0] - n[2][0]) / 8 * job->height_per_unit;
    float dy = (n[2][0] + 2 * n[2][1] + n[2][2] - n[0][0] - 2 * n[0][1] - n[0][2]) / 8 * job->height_per_unit;
    /* normal (-dx, -dy, 1); lamp from the upper left, as high as it is far: (-1, -1, sqrt 2) / 2 */
    float length = sqrtf(dx * dx + dy * dy + 1);
    float lamp = fmaxf(((dx + dy + 1.41421356f) / 2 / length + WRAP) / (1 + WRAP), 0);
    return (1 - SKY) * lamp + SKY / length;
}

static void relief_rows(void *arg, int begin, int end, int block, int thread)
{
    const relief_job *job = arg;
    (void)block;
    (void)thread;
    for (int y = begin; y < end; y++) {
        uint8_t *out = rf_image_row(job->rgb, y);
        for (int x = 0; x < job->smooth->width; x++) {
            float light = light_at(job, x, y);
            float tone = light < 0 ? 128 : 255 * rf_coded_from_linear(0.04f + 0.86f * light);
            if (!rf_depth_map_sure(job->map, x, y)) /* a guess has no relief to show */
                tone = 0.25f * tone + 0.75f * FLAT_TONE;
            out[3 * x] = out[3 * x + 1] = out[3 * x + 2] = (uint8_t)(tone + 0.5f);
        }
    }
}

void rf_depth_relief(const rf_depth_map *map, const rf_image *smooth, double pixels_per_unit, rf_image *rgb,
                     rf_pool *pool)
{
    relief_job job = {.map = map,
                      .smooth = smooth,
                      .rgb = rgb,
                      .edge = (float)rf_depth_map_edge(map),
                      .height_per_unit = (float)(map->nearer ? pixels_per_unit : -pixels_per_unit)};
    rf_pool_rows(pool, map->depth.height, BLOCK_ROWS, relief_rows, &job);
}

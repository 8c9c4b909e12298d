/* map_shapes.h - depth maps of simple shapes. */
#ifndef RF_TEST_MAP_SHAPES_H
#define RF_TEST_MAP_SHAPES_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "near.h"
#include "railfold/depth_draw.h"
#include "railfold/depth_mesh.h"
#include "railfold/memory.h"

typedef double (*shape_fn)(int x, int y);

static inline rf_depth_map make_map(int width, int height, shape_fn shape)
{
    rf_depth_map map = {.metric = 1, .step_mm = 0.1, .pixel_mm = 0.01};
    assert_int_equal(rf_image_alloc(&map.depth, width, height, 1, RF_F32, "a test map", NULL), RF_OK);
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++)
            rf_image_row_f32(&map.depth, y)[x] = (float)shape(x, y);
    return map;
}

static inline double flat(int x, int y)
{
    (void)x;
    (void)y;
    return 1;
}
static inline double slope(int x, int y)
{
    (void)y;
    return 0.005 * x;
}
static inline double dome(int x, int y)
{
    return 0.0004 * ((x - 64) * (x - 64) + (y - 48) * (y - 48)) / 4;
}
static inline double cliff(int x, int y)
{
    return (x < 40 ? 1 : 2) + 0.001 * y;
}

static inline rf_image grey_view(const rf_depth_map *map, uint8_t tone)
{
    rf_image view = {0};
    assert_int_equal(rf_image_alloc(&view, map->depth.width, map->depth.height, 3, RF_U8, "a test view", NULL), RF_OK);
    for (int y = 0; y < view.height; y++)
        memset(rf_image_row(&view, y), tone, 3 * (size_t)view.width);
    return view;
}

#endif

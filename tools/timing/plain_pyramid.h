/* plain_pyramid.h - a pyramid merge and nothing else: what a pass over memory costs (floor.h). Frames are taken as they
 * lie; the strongest coefficient of all frames wins everywhere, the coarsest level is their mean. */
#ifndef RF_BENCH_PLAIN_PYRAMID_H
#define RF_BENCH_PLAIN_PYRAMID_H

#include "railfold/image.h"
#include "railfold/pool.h"

typedef struct plain_pyramid plain_pyramid;

rf_status plain_pyramid_create(plain_pyramid **out, int width, int height, int channels, rf_pool *pool,
                               rf_error *err) RF_CHECKED;
void plain_pyramid_destroy(plain_pyramid **pyramid);
void plain_pyramid_reset(plain_pyramid *pyramid); /* as if no frame had come */
void plain_pyramid_add(plain_pyramid *pyramid, const rf_image *frame);
/* Of all frames so far; `picture`: the shape given at the start, any sample type. The pyramid is used up. */
void plain_pyramid_collapse(plain_pyramid *pyramid, rf_image *picture);

#endif

/* scene_pebble.c - the demo: a lichen-crusted pebble with moss bristles before a soft, far backdrop. */
#include "moss.h"
#include "rock.h"
#include "scene.h"
#include "strand.h"
#include "surface.h"

#include "railfold/memory.h"

static const double DEPTH_UNITS = 305;
static const float BACKDROP_STEPS_BEHIND = 4.0f; /* in lengths of the whole take */

rf_status scene_pebble(scene_maker *maker, rf_error *err)
{
    rf_status status;
    rock pebble;
    canopy shade = {0};
    strand_list front = {0}, behind = {0};
    const rail *plan = maker->plan;
    scene_set_depth(maker, DEPTH_UNITS);
    rock_make(&pebble, maker);
    RF_TRY(moss_grow(maker, &pebble, &front, &behind, err));
    RF_TRY(canopy_make(&shade, v3(-720, -520, -10), v3(720, 520, 330), err));
    strand_list_shade(&front, &shade);
    strand_list_shade(&behind, &shade);
    RF_TRY(backdrop_make(maker, (float)(plan->farthest * (double)BACKDROP_STEPS_BEHIND + 20), err));
    RF_TRY(strand_layer_fill(maker, &behind, &shade, &scene_add_layer(maker, LAYER_STRANDS)->strands, err));
    int margin = scene_margin(maker);
    int place[4] = {-margin, -margin, plan->view.width + 2 * margin, plan->view.height + 2 * margin};
    surface body = {.at = rock_at, .arg = &pebble, .shade = &shade, .step_cap = 4};
    RF_TRY(surface_render(maker, &body, &scene_add_layer(maker, LAYER_RASTER)->raster, place, err));
    RF_TRY(strand_layer_fill(maker, &front, &shade, &scene_add_layer(maker, LAYER_STRANDS)->strands, err));
    status = RF_OK;
done:
    strand_list_free(&front);
    strand_list_free(&behind);
    canopy_free(&shade);
    return status;
}

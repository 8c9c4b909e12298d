/* scene.c - see scene.h. */
#include "scene.h"

#include "random.h"
#include "railfold/memory.h"

void scene_set_depth(scene_maker *maker, double depth_units)
{
    maker->depth_units = depth_units;
    maker->unit_steps = (maker->plan->subject_end - maker->plan->subject_begin) / depth_units;
    maker->out->unit_steps = maker->unit_steps;
}

layer *scene_add_layer(scene_maker *maker, layer_kind kind)
{
    layer *added = &maker->out->layers[maker->out->count++];
    added->kind = kind;
    return added;
}

int scene_margin(const scene_maker *maker)
{
    const rail *plan = maker->plan;
    double near = fmin(plan->nearest, plan->subject_begin), far = fmax(plan->farthest, plan->subject_end);
    double beyond = fmax(rail_margin_px(plan, near), rail_margin_px(plan, far));
    return (int)ceil(beyond + plan->blur_px_per_step * (far - near + 1)) + 6;
}

rf_status scene_make(scene *out, const take_options *options, const rail *plan, rf_pool *pool, rf_error *err)
{
    *out = (scene){.unit_px = options->height / 800.0};
    scene_maker maker = {.options = options, .plan = plan, .pool = pool, .out = out, .unit_px = out->unit_px};
    maker.seed = (uint32_t)take_hash(options->seed);
    switch (options->scene) {
    case SCENE_PLANE:
        return scene_plane(&maker, err);
    case SCENE_STAIRS:
        return scene_stairs(&maker, err);
    case SCENE_GRID:
        return scene_grid(&maker, err);
    case SCENE_BRISTLES:
        return scene_bristles(&maker, err);
    case SCENE_DOME:
        return scene_dome(&maker, err);
    case SCENE_PEBBLE:
    default:
        return scene_pebble(&maker, err);
    }
}

void scene_free(scene *out)
{
    for (int i = 0; i < SCENE_MAX_LAYERS; i++) {
        rf_free(out->layers[i].raster.rgba);
        rf_free(out->layers[i].raster.depth);
        rf_free(out->layers[i].strands.strands);
        rf_free(out->layers[i].strands.points);
    }
    rf_free(out->back.rgb);
    *out = (scene){0};
}

/* scene_bristles.c - thin bristles that cross at many depths before a far textured plate. */
#include "random.h"
#include "scene.h"
#include "strand.h"
#include "surface.h"
#include "texture.h"

static const double DEPTH_UNITS = 300;
enum { BRISTLE_COUNT = 70 };

typedef struct plate {
    float octaves;
    uint32_t seed;
} plate;

static void plate_at(const void *arg, float x, float y, surface_point *out)
{
    const plate *self = arg;
    float mottle = take_fractal(x / 50, y / 50, self->octaves, 0.72f, self->seed);
    vec3 colour = v3_mix(v3(0.13f, 0.15f, 0.17f), v3(0.24f, 0.20f, 0.15f),
                         clampf(0.5f + 0.5f * take_noise(x / 200, y / 200, self->seed + 1), 0, 1));
    out->depth = (float)DEPTH_UNITS - 3;
    out->inside = 100;
    out->skin = (material){.albedo = v3_scale(colour, maxf(1 + 0.45f * mottle, 0.1f)), .gloss = 0.03f, .shine = 10};
}

static rf_status place_bristles(const scene_maker *maker, strand_list *list, rf_error *err)
{
    static const vec3 colours[5] = {{0.42f, 0.33f, 0.16f},
                                    {0.10f, 0.075f, 0.055f},
                                    {0.17f, 0.24f, 0.05f},
                                    {0.36f, 0.12f, 0.05f},
                                    {0.50f, 0.47f, 0.40f}};
    rf_status status = RF_OK;
    take_random random = take_random_start(maker->options->seed, "bristles");
    float half_width = (float)(maker->plan->view.cx / maker->unit_px);
    for (int i = 0; i < BRISTLE_COUNT; i++) {
        strand_shape s = {.outline = OUTLINE_BRISTLE,
                          .round = 1,
                          .half_width = take_random_between(&random, 1.2f, 4.5f),
                          .streak = 0.15f};
        float depth = (float)DEPTH_UNITS * (0.93f * ((float)i + 0.5f) / BRISTLE_COUNT),
              slope = take_random_between(&random, -60, 60);
        double angle = 2 * TAKE_PI * take_random_uniform(&random);
        vec3 way = v3((float)take_cos(angle), (float)take_sin(angle), 0);
        float x = take_random_between(&random, -half_width, half_width), y = take_random_between(&random, -380, 380);
        vec3 middle = v3(x, y, depth);
        float length = take_random_between(&random, 300, 900),
              bow = take_random_between(&random, -0.12f, 0.12f) * length;
        for (int p = 0; p < 4; p++) {
            float along = (float)p / 3 - 0.5f, arch = p == 1 || p == 2 ? bow : 0;
            s.line[p] = v3_add(middle, v3(way.x * along * length - way.y * arch, way.y * along * length + way.x * arch,
                                          slope * along));
            s.line[p].z = clampf(s.line[p].z, 1.5f, (float)DEPTH_UNITS - 12);
        }
        s.root = colours[take_random_below(&random, 5)];
        s.middle = v3_scale(s.root, 1.1f);
        s.tip = v3_mix(s.root, v3(0.45f, 0.38f, 0.25f), 0.4f);
        s.skin = (material){.gloss = 0.5f, .shine = 40};
        s.seed = (uint32_t)take_random_bits(&random);
        s.loose = i % 6 == 0;
        RF_TRY(strand_list_add(list, &s, err));
    }
done:
    return status;
}

rf_status scene_bristles(scene_maker *maker, rf_error *err)
{
    rf_status status;
    strand_list list = {0};
    scene_set_depth(maker, DEPTH_UNITS);
    int margin = scene_margin(maker);
    int place[4] = {-margin, -margin, maker->plan->view.width + 2 * margin, maker->plan->view.height + 2 * margin};
    plate ground = {.octaves = surface_octaves(maker, 50), .seed = maker->seed + 40};
    surface body = {.at = plate_at, .arg = &ground, .step_cap = 3};
    RF_TRY(place_bristles(maker, &list, err));
    RF_TRY(backdrop_make(maker, (float)maker->plan->farthest + 20, err));
    RF_TRY(surface_render(maker, &body, &scene_add_layer(maker, LAYER_RASTER)->raster, place, err));
    RF_TRY(strand_layer_fill(maker, &list, NULL, &scene_add_layer(maker, LAYER_STRANDS)->strands, err));
done:
    strand_list_free(&list);
    return status;
}

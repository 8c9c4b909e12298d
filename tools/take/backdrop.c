/* backdrop.c - the print far behind: warm to cool, with a few soft spots. Coarse, because nothing in it is small. */
#include "random.h"
#include "scene.h"
#include "texture.h"

#include "railfold/memory.h"

enum { BACKDROP_SPOTS = 26 };

typedef struct spot {
    float x, y, size;
    vec3 light;
} spot;

static void place_spots(spot *spots, uint64_t seed)
{
    static const vec3 warm[2] = {{0.30f, 0.22f, 0.08f}, {0.34f, 0.30f, 0.20f}};
    static const vec3 cool[2] = {{0.10f, 0.15f, 0.06f}, {0.05f, 0.10f, 0.14f}};
    take_random random = take_random_start(seed, "backdrop");
    for (int i = 0; i < BACKDROP_SPOTS; i++) {
        spots[i].x = take_random_between(&random, -800, 800);
        spots[i].y = take_random_between(&random, -560, 420);
        spots[i].size = take_random_between(&random, 45, 150);
        float strength = take_random_between(&random, 0.15f, 0.8f);
        /* mostly warm ones to the left, cool ones to the right */
        int is_cool = take_random_between(&random, -700, 700) < spots[i].x;
        spots[i].light = v3_scale(is_cool ? cool[i % 2] : warm[i % 2], strength);
    }
}

static vec3 print_at(const spot *spots, float x, float y, uint32_t seed)
{
    float across = clampf((x + 0.35f * y) / 1300 + 0.5f + 0.10f * take_fractal(x / 500, y / 500, 2, 0.5f, seed), 0, 1);
    float down = clampf((y + 400) / 800, -0.2f, 1.2f);
    vec3 warm = v3(0.235f, 0.150f, 0.062f), cool = v3(0.055f, 0.095f, 0.115f);
    vec3 light = v3_scale(v3_mix(warm, cool, smoothstep(0, 1, across)), 1.15f - 0.45f * down);
    for (int i = 0; i < BACKDROP_SPOTS; i++) {
        float dx = (x - spots[i].x) / spots[i].size, dy = (y - spots[i].y) / spots[i].size;
        light = v3_add(light, v3_scale(spots[i].light, 0.55f * take_exp(-0.5f * (dx * dx + dy * dy))));
    }
    return light;
}

rf_status backdrop_make(scene_maker *maker, float depth_steps, rf_error *err)
{
    rf_status status;
    backdrop *back = &maker->out->back;
    const rail_view *view = &maker->plan->view;
    spot spots[BACKDROP_SPOTS];
    place_spots(spots, maker->options->seed);
    *back = (backdrop){.depth = depth_steps};
    back->reduce = (int)floor(8 * maker->unit_px + 0.5);
    back->reduce = back->reduce < 1 ? 1 : back->reduce;
    double farthest_off =
        fmax(fabs((double)depth_steps - maker->plan->nearest), fabs((double)depth_steps - maker->plan->farthest));
    double beyond = maker->plan->blur_px_per_step * farthest_off + rail_margin_px(maker->plan, (double)depth_steps);
    back->margin = (int)ceil(beyond / back->reduce) + 3;
    back->width = (view->width + back->reduce - 1) / back->reduce + 2 * back->margin;
    back->height = (view->height + back->reduce - 1) / back->reduce + 2 * back->margin;
    RF_TRY(rf_alloc_raw(&back->rgb, (size_t)back->width * (size_t)back->height * 3, sizeof *back->rgb, "the backdrop",
                        err));
    float *out = back->rgb;
    for (int y = 0; y < back->height; y++)
        for (int x = 0; x < back->width; x++, out += 3) {
            double px = back->reduce * (x - back->margin) + (back->reduce - 1) / 2.0 - view->cx;
            double py = back->reduce * (y - back->margin) + (back->reduce - 1) / 2.0 - view->cy;
            vec3 light = print_at(spots, (float)(px / maker->unit_px), (float)(py / maker->unit_px), maker->seed + 77);
            out[0] = light.x;
            out[1] = light.y;
            out[2] = light.z;
        }
    return RF_OK;
done:
    return status;
}

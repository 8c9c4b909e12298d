/* Faint ground beside strong outlines: what continues a surface known nearby, and what is no measurement. The focus
 * peaks are set by hand, as they are measured beside a bristle: its trail is stronger than the faint ground's own. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "depth/state.h"
#include "failing_memory.h"
#include "railfold/memory.h"

enum { WIDTH = 48, HEIGHT = 32, BRISTLE = 36, TRAIL = 5 };

static const float FLOOR = 1e-6f, GROUND_WAY = 20.0f, BRISTLE_WAY = 4.0f;

typedef struct scene {
    rf_depth depth;
    rf_focus focus[WIDTH * HEIGHT];
} scene;

static void set_place(scene *s, int x, int y, rf_peak first, rf_peak second, float trust)
{
    rf_focus *focus = &s->focus[y * WIDTH + x];
    *focus = (rf_focus){.lowest = FLOOR};
    focus->peak[0] = first;
    focus->peak[1] = second;
    rf_image_row_f32(&s->depth.way, y)[x] = first.position;
    rf_image_row_f32(&s->depth.trust, y)[x] = trust;
    rf_image_row_f32(&s->depth.guide_at, y)[x] = first.energy;
}

/* Ground 14 times the noise, trusted on the left alone; from BRISTLE on a bristle of 5000 times the noise, and to the
 * left of it TRAIL places in which its trail is twice the ground. */
static void make_scene(scene *s)
{
    rf_error err;
    memset(s, 0, sizeof *s);
    s->depth.energy_width = WIDTH;
    s->depth.energy_height = HEIGHT;
    s->depth.noise_floor = FLOOR;
    s->depth.focus = s->focus;
    rf_image *planes[] = {&s->depth.way, &s->depth.trust, &s->depth.guide_at};
    for (int i = 0; i < 3; i++)
        assert_int_equal(rf_image_alloc(planes[i], WIDTH, HEIGHT, 1, RF_F32, "a plane", &err), RF_OK);
    const rf_peak none = {0}, ground = {GROUND_WAY, 14 * FLOOR}, bristle = {BRISTLE_WAY, 5000 * FLOOR};
    const rf_peak trail = {BRISTLE_WAY, 28 * FLOOR};
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            if (x >= BRISTLE)
                set_place(s, x, y, bristle, none, 1.0f);
            else if (x >= BRISTLE - TRAIL)
                set_place(s, x, y, trail, ground, 1.0f);
            else
                set_place(s, x, y, ground, none, x < WIDTH / 3 ? 0.5f : 0.0f);
            rf_image_row_f32(&s->depth.guide_at, y)[x] = x < BRISTLE - TRAIL ? 14 * FLOOR : 5000 * FLOOR;
        }
}

static void free_scene(scene *s)
{
    rf_image *planes[] = {&s->depth.way, &s->depth.trust, &s->depth.guide_at};
    for (int i = 0; i < 3; i++)
        rf_image_free(planes[i]);
    rf_free(s->depth.known);
}

static float way(scene *s, int x, int y)
{
    return rf_image_row_f32(&s->depth.way, y)[x];
}

static float trust(scene *s, int x, int y)
{
    return rf_image_row_f32(&s->depth.trust, y)[x];
}

static void known_ground_grows_up_to_the_bristle(void **state)
{
    (void)state;
    rf_error err;
    static scene s;
    make_scene(&s);
    assert_int_equal(rf_back_grow(&s.depth, &err), RF_OK);
    for (int x = 0; x < WIDTH; x++) {
        assert_true(way(&s, x, HEIGHT / 2) == (x < BRISTLE ? GROUND_WAY : BRISTLE_WAY));
        assert_true(trust(&s, x, HEIGHT / 2) > 0.0f);
        assert_int_equal(s.depth.known[HEIGHT / 2 * WIDTH + x], RF_KNOWN);
    }
    /* the trail is forgotten, so that no front grows back into it */
    assert_true(s.focus[HEIGHT / 2 * WIDTH + BRISTLE - 1].peak[0].position == GROUND_WAY);
    assert_true(s.focus[HEIGHT / 2 * WIDTH + BRISTLE - 1].peak[1].energy == 0.0f);
    free_scene(&s);
}

static void another_depth_does_not_continue_the_ground(void **state)
{
    (void)state;
    rf_error err;
    static scene s;
    make_scene(&s);
    const rf_peak trail = {BRISTLE_WAY, 28 * FLOOR}, other = {GROUND_WAY - 3.0f, 14 * FLOOR};
    for (int y = 0; y < HEIGHT; y++)
        set_place(&s, BRISTLE - TRAIL, y, trail, other, 1.0f);
    assert_int_equal(rf_back_grow(&s.depth, &err), RF_OK);
    assert_true(way(&s, BRISTLE - TRAIL - 1, HEIGHT / 2) == GROUND_WAY);
    for (int x = BRISTLE - TRAIL; x < BRISTLE; x++)
        assert_true(way(&s, x, HEIGHT / 2) == BRISTLE_WAY);
    free_scene(&s);
}

/* Texture of the bristle's own strength is no trail, whatever lies behind it. */
static void a_strong_place_keeps_its_depth(void **state)
{
    (void)state;
    rf_error err;
    static scene s;
    make_scene(&s);
    const rf_peak own = {BRISTLE_WAY, 500 * FLOOR}, ground = {GROUND_WAY, 14 * FLOOR};
    for (int y = 0; y < HEIGHT; y++)
        set_place(&s, BRISTLE - TRAIL, y, own, ground, 1.0f);
    assert_int_equal(rf_back_grow(&s.depth, &err), RF_OK);
    assert_true(way(&s, BRISTLE - TRAIL, HEIGHT / 2) == BRISTLE_WAY);
    free_scene(&s);
}

/* A few places that agree do not make a surface: those that are faint besides are doubted and nothing grows from them.
 */
static void a_few_faint_places_are_no_measurement(void **state)
{
    (void)state;
    rf_error err;
    static scene s;
    make_scene(&s);
    const rf_peak rim = {12.0f, 14 * FLOOR}, none = {0};
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < BRISTLE; x++) {
            int few = x >= 20 && x < 25 && y >= 10 && y < 15;
            set_place(&s, x, y, rim, none, few ? 0.5f : 0.0f);
            rf_image_row_f32(&s.depth.guide_at, y)[x] = 5000 * FLOOR;
        }
    assert_int_equal(rf_back_grow(&s.depth, &err), RF_OK);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < BRISTLE; x++)
            assert_true(trust(&s, x, y) == 0.0f);
    free_scene(&s);
}

static void growing_reports_a_lack_of_memory(void **state)
{
    (void)state;
    rf_error err;
    rf_status status;
    static scene s;
    failing_memory memory = failing_memory_start();
    do {
        make_scene(&s);
        failing_memory_arm(&memory);
        status = rf_back_grow(&s.depth, &err);
        free_scene(&s);
    } while (failing_memory_goes_on(&memory, status, &err));
    assert_int_equal(memory.failures, 4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(known_ground_grows_up_to_the_bristle),
        cmocka_unit_test(another_depth_does_not_continue_the_ground),
        cmocka_unit_test(a_strong_place_keeps_its_depth),
        cmocka_unit_test(a_few_faint_places_are_no_measurement),
        cmocka_unit_test(growing_reports_a_lack_of_memory),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

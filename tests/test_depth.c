/* The laws of the depth map, on small takes rendered here: textured ground, blurred by discs, a near bar in front of
 * it. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "railfold/depth.h"
#include "railfold/memory.h"
#include "failing_memory.h"

enum { WIDTH = 150, HEIGHT = 110, FRAMES = 11 };
static const float BLUR = 1.1f; /* px of disc radius per step */

typedef struct scene {
    float ground_at[WIDTH];  /* depth of the ground, by column */
    int bar_left, bar_right; /* a near bar over these columns; none when equal */
    float bar_at;
    float contrast;
    int flat_left, flat_right; /* columns of the ground without texture */
} scene;

static float hash(int x, int y, int seed)
{
    uint32_t h = (uint32_t)x * 374761393u + (uint32_t)y * 668265263u + (uint32_t)seed * 2246822519u;
    h = (h ^ (h >> 13)) * 1274126177u;
    h ^= h >> 16;
    return (float)(h >> 8) / 16777216.0f;
}

static float ground(const scene *s, int x, int y)
{
    x = x < 0 ? 0 : x >= WIDTH ? WIDTH - 1 : x;
    y = y < 0 ? 0 : y >= HEIGHT ? HEIGHT - 1 : y;
    float at = x >= s->flat_left && x < s->flat_right ? 0.5f : hash(x, y, 1) + hash(x / 3, y / 3, 3);
    return 0.4f + 0.5f * s->contrast * (at - (x >= s->flat_left && x < s->flat_right ? 0.0f : 0.5f));
}

static float bar(const scene *s, int x, int y, float *cover)
{
    *cover = x >= s->bar_left && x < s->bar_right ? 1.0f : 0.0f;
    return 0.85f + 0.1f * (hash(x, y, 2) - 0.5f);
}

/* Frame focused at k: the ground blurred, then the bar over it, each by the disc of its defocus. */
static void render(const scene *s, float k, rf_image *frame)
{
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            float sum[2] = {0}, total[2] = {0}, cover = 0.0f;
            float radius[2] = {BLUR * fabsf(s->ground_at[x] - k), BLUR * fabsf(s->bar_at - k)};
            int reach = (int)fmaxf(radius[0], radius[1]) + 1;
            for (int dy = -reach; dy <= reach; dy++)
                for (int dx = -reach; dx <= reach; dx++) {
                    float away = sqrtf((float)(dx * dx + dy * dy)), a;
                    float w = fminf(fmaxf(radius[0] + 0.5f - away, 0.0f), 1.0f);
                    sum[0] += w * ground(s, x + dx, y + dy);
                    total[0] += w;
                    w = fminf(fmaxf(radius[1] + 0.5f - away, 0.0f), 1.0f);
                    float colour = bar(s, x + dx, y + dy, &a);
                    sum[1] += w * a * colour;
                    cover += w * a;
                    total[1] += w;
                }
            cover /= total[1];
            rf_image_row_f32(frame, y)[x] = (1.0f - cover) * sum[0] / total[0] + sum[1] / total[1] +
                                            0.002f * (hash(x, y, 100 + (int)(8.0f * k)) - 0.5f);
        }
}

static scene slope(void)
{
    scene s = {.contrast = 1.0f};
    for (int x = 0; x < WIDTH; x++)
        s.ground_at[x] = 2.0f + 6.0f * (float)x / WIDTH;
    return s;
}

static scene bar_over_ground(void)
{
    scene s = {.contrast = 0.3f, .bar_left = 70, .bar_right = 76, .bar_at = 2.0f};
    for (int x = 0; x < WIDTH; x++)
        s.ground_at[x] = 8.0f;
    return s;
}

typedef struct take {
    rf_image frame[FRAMES];
} take;

static take rendered(scene s)
{
    take t = {0};
    for (int k = 0; k < FRAMES; k++) {
        assert_int_equal(rf_image_alloc(&t.frame[k], WIDTH, HEIGHT, 1, RF_F32, "test", NULL), RF_OK);
        render(&s, (float)k, &t.frame[k]);
    }
    return t;
}

static void free_take(take *t)
{
    for (int k = 0; k < FRAMES; k++)
        rf_image_free(&t->frame[k]);
}

static rf_status run(const take *t, int reversed, int threads, rf_depth_maps *maps, double *blur, rf_error *err)
{
    rf_status status;
    rf_depth *d = NULL;
    rf_pool *pool = NULL;
    RF_TRY(rf_pool_create(&pool, threads, err));
    RF_TRY(rf_depth_create(&d, WIDTH, HEIGHT, FRAMES, &(rf_depth_options){.far_first = reversed}, pool, err));
    for (int pass = 0; pass < rf_depth_passes(d); pass++) {
        RF_TRY(rf_depth_begin_pass(d, pass, err));
        for (int k = 0; k < FRAMES; k++)
            RF_TRY(rf_depth_add_frame(d, k, &t->frame[reversed ? FRAMES - 1 - k : k], NULL, err));
        RF_TRY(rf_depth_end_pass(d, err));
    }
    if (blur != NULL)
        *blur = rf_depth_blur_px_per_step(d);
    RF_TRY(rf_depth_result(d, maps, err));
done:
    rf_depth_destroy(&d);
    if (pool != NULL)
        rf_pool_destroy(&pool);
    return status;
}

static int by_value(const void *a, const void *b)
{
    float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

static void depth_of_a_slope_is_found_between_the_frames(void **state)
{
    (void)state;
    enum { BORDER = 6 };
    static float error[WIDTH * HEIGHT];
    scene s = slope();
    take t = rendered(s);
    rf_depth_maps maps = {0};
    assert_int_equal(run(&t, 0, 1, &maps, NULL, NULL), RF_OK);
    size_t n = 0, wrong = 0;
    for (int y = BORDER; y < HEIGHT - BORDER; y++)
        for (int x = BORDER; x < WIDTH - BORDER; x++, n++) {
            error[n] = fabsf(rf_image_row_f32(&maps.depth, y)[x] - s.ground_at[x]);
            wrong += error[n] > 0.5f;
            assert_true(rf_image_row_f32(&maps.confidence, y)[x] > 0.5f);
        }
    qsort(error, n, sizeof *error, by_value);
    assert_true(error[n / 2] < 0.1f); /* a tenth of a step, the goal on textured ground */
    assert_true(wrong < n / 100);
    rf_depth_maps_free(&maps);
    free_take(&t);
}

/* Pixels of the bar that are not told to be its own, and pixels further than `margin_px` from it that are not told to
 * be ground; `rows` are looked at. */
typedef struct outline_errors {
    int missed, grown, rows;
} outline_errors;

static outline_errors outline_of(scene s, int margin_px)
{
    take t = rendered(s);
    rf_depth_maps maps = {0};
    outline_errors e = {0};
    assert_int_equal(run(&t, 0, 1, &maps, NULL, NULL), RF_OK);
    for (int y = 8; y < HEIGHT - 8; y++, e.rows++)
        for (int x = 20; x < WIDTH - 20; x++) {
            float at = rf_image_row_f32(&maps.depth, y)[x];
            int inside = x >= s.bar_left && x < s.bar_right;
            int beside = x >= s.bar_left - margin_px && x < s.bar_right + margin_px;
            e.missed += inside && fabsf(at - s.bar_at) > 1.0f;
            e.grown += !beside && fabsf(at - s.ground_at[x]) > 1.0f;
        }
    rf_depth_maps_free(&maps);
    free_take(&t);
    return e;
}

/* The bar stands 6 steps before the ground, whose blur radius there is 6.6 px. */
static void outline_of_a_near_bar_is_within_a_pixel(void **state)
{
    (void)state;
    outline_errors e = outline_of(bar_over_ground(), 1);
    assert_true(e.missed <= e.rows * 6 / 50); /* 2 % of the bar's 6 columns */
    assert_true(e.grown <= e.rows / 5);       /* a fifth of a pixel a row, both sides together */
}

/* Far from what the outline's energy pools around it, faint ground's own is little: four pixels a row were lost to it.
 */
static void outline_beside_faint_ground_is_within_two_pixels(void **state)
{
    (void)state;
    scene s = bar_over_ground();
    s.contrast = 0.03f;
    outline_errors e = outline_of(s, 2);
    assert_true(e.missed <= e.rows * 6 / 50);
    assert_true(e.grown <= e.rows / 2);
}

static void a_retreating_take_gives_the_mirrored_depth(void **state)
{
    (void)state;
    take t = rendered(bar_over_ground());
    rf_depth_maps there = {0}, back = {0};
    assert_int_equal(run(&t, 0, 1, &there, NULL, NULL), RF_OK);
    assert_int_equal(run(&t, 1, 1, &back, NULL, NULL), RF_OK);
    int differ = 0;
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++)
            differ += fabsf(rf_image_row_f32(&there.depth, y)[x] + rf_image_row_f32(&back.depth, y)[x] - (FRAMES - 1)) >
                      0.01f;
    assert_true(differ < WIDTH * HEIGHT / 500); /* sums run in another order: ties at outlines may fall either way */
    rf_depth_maps_free(&there);
    rf_depth_maps_free(&back);
    free_take(&t);
}

static void ground_without_texture_is_filled_and_owns_up(void **state)
{
    (void)state;
    scene s = slope();
    s.flat_left = 60, s.flat_right = 100;
    take t = rendered(s);
    rf_depth_maps maps = {0};
    assert_int_equal(run(&t, 0, 1, &maps, NULL, NULL), RF_OK);
    for (int y = 10; y < HEIGHT - 10; y++)
        for (int x = 76; x < 83; x++) { /* out of the reach of the blurred borders, 16 px on both sides */
            float at = rf_image_row_f32(&maps.depth, y)[x];
            assert_true(rf_image_row_f32(&maps.confidence, y)[x] < 0.1f);
            assert_true(at > s.ground_at[55] - 1.0f && at < s.ground_at[105] + 1.0f); /* between its borders' depths */
            assert_true(rf_image_row_f32(&maps.sigma, y)[x] > 1.0f);
        }
    rf_depth_maps_free(&maps);
    free_take(&t);
}

static void blur_per_step_is_told_by_the_take(void **state)
{
    (void)state;
    take t = rendered(slope());
    rf_depth_maps maps = {0};
    double blur = 0.0;
    assert_int_equal(run(&t, 0, 1, &maps, &blur, NULL), RF_OK);
    assert_true(fabs(blur / (double)BLUR - 1.0) < 0.1); /* the accuracy that veil removal needs */
    rf_depth_maps_free(&maps);
    free_take(&t);
}

static void threads_do_not_change_a_byte(void **state)
{
    (void)state;
    take t = rendered(bar_over_ground());
    rf_depth_maps one = {0}, three = {0};
    assert_int_equal(run(&t, 0, 1, &one, NULL, NULL), RF_OK);
    assert_int_equal(run(&t, 0, 3, &three, NULL, NULL), RF_OK);
    for (int y = 0; y < HEIGHT; y++) {
        size_t bytes = WIDTH * sizeof(float);
        assert_memory_equal(rf_image_row(&one.depth, y), rf_image_row(&three.depth, y), bytes);
        assert_memory_equal(rf_image_row(&one.confidence, y), rf_image_row(&three.confidence, y), bytes);
        assert_memory_equal(rf_image_row(&one.sigma, y), rf_image_row(&three.sigma, y), bytes);
    }
    rf_depth_maps_free(&one);
    rf_depth_maps_free(&three);
    free_take(&t);
}

static size_t peak_of(int frame_count, rf_image *frame)
{
    rf_depth *d = NULL;
    rf_depth_maps maps = {0};
    size_t before = rf_memory_held();
    rf_memory_reset_peak();
    assert_int_equal(rf_depth_create(&d, frame->width, frame->height, frame_count, NULL, NULL, NULL), RF_OK);
    for (int pass = 0; pass < rf_depth_passes(d); pass++) {
        assert_int_equal(rf_depth_begin_pass(d, pass, NULL), RF_OK);
        for (int k = 0; k < frame_count; k++)
            assert_int_equal(rf_depth_add_frame(d, k, frame, NULL, NULL), RF_OK);
        assert_int_equal(rf_depth_end_pass(d, NULL), RF_OK);
    }
    assert_int_equal(rf_depth_result(d, &maps, NULL), RF_OK);
    rf_depth_destroy(&d);
    rf_depth_maps_free(&maps);
    assert_int_equal(rf_memory_held(), before);
    return rf_memory_peak() - before;
}

static void memory_follows_the_formula_not_the_take(void **state)
{
    (void)state;
    rf_image frame = {0};
    assert_int_equal(rf_image_alloc(&frame, 640, 480, 3, RF_F32, "test", NULL), RF_OK);
    size_t few = peak_of(5, &frame), many = peak_of(60, &frame);
    assert_true(many <= few + 55 * 32); /* a histogram bin a frame and thread, nothing else */
    assert_true(many <= rf_depth_memory_bytes(640, 480, 60, 1));
    rf_image_free(&frame);
}

static void every_failed_allocation_is_reported_and_nothing_leaks(void **state)
{
    (void)state;
    take t = rendered(slope());
    failing_memory memory = failing_memory_start();
    rf_status status;
    rf_error err;
    do {
        rf_depth_maps maps = {0};
        err = (rf_error){0};
        failing_memory_arm(&memory);
        status = run(&t, 0, 1, &maps, NULL, &err);
        rf_depth_maps_free(&maps);
    } while (failing_memory_goes_on(&memory, status, &err));
    assert_true(memory.failures > 20);
    free_take(&t);
}

static void frames_out_of_order_or_shape_are_refused(void **state)
{
    (void)state;
    rf_depth *d = NULL;
    rf_depth_maps maps = {0};
    rf_error err = {0};
    rf_image frame = {0}, other = {0};
    assert_int_equal(rf_image_alloc(&frame, 40, 30, 1, RF_F32, "test", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&other, 41, 30, 1, RF_F32, "test", NULL), RF_OK);
    assert_int_equal(rf_depth_create(&d, 40, 30, 0, NULL, NULL, &err), RF_ERR_USAGE);
    assert_int_equal(rf_depth_create(&d, 40, 30, 5, NULL, NULL, NULL), RF_OK);
    assert_int_equal(rf_depth_add_frame(d, 0, &frame, NULL, NULL), RF_ERR_INTERNAL);
    assert_int_equal(rf_depth_begin_pass(d, 1, NULL), RF_ERR_INTERNAL);
    assert_int_equal(rf_depth_begin_pass(d, 0, NULL), RF_OK);
    assert_int_equal(rf_depth_end_pass(d, NULL), RF_ERR_INPUT);
    assert_int_equal(rf_depth_add_frame(d, 2, &frame, NULL, NULL), RF_OK);
    assert_int_equal(rf_depth_add_frame(d, 2, &frame, NULL, NULL), RF_ERR_INPUT);
    assert_int_equal(rf_depth_add_frame(d, 5, &frame, NULL, NULL), RF_ERR_INPUT);
    assert_int_equal(rf_depth_add_frame(d, 3, &other, NULL, NULL), RF_ERR_INPUT);
    assert_int_equal(rf_depth_result(d, &maps, NULL), RF_ERR_INTERNAL);
    rf_depth_destroy(&d);
    rf_image_free(&frame);
    rf_image_free(&other);
}

/* One or two frames, and a picture of a few pixels, still give a map. */
static void the_smallest_takes_work(void **state)
{
    (void)state;
    static const int SIDE[3] = {1, 2, 17};
    for (int i = 0; i < 3; i++)
        for (int count = 1; count <= 3; count++) {
            rf_depth *d = NULL;
            rf_depth_maps maps = {0};
            rf_image frame = {0};
            assert_int_equal(rf_image_alloc(&frame, SIDE[i], SIDE[i], 3, RF_F32, "test", NULL), RF_OK);
            assert_int_equal(rf_depth_create(&d, SIDE[i], SIDE[i], count, NULL, NULL, NULL), RF_OK);
            for (int pass = 0; pass < rf_depth_passes(d); pass++) {
                assert_int_equal(rf_depth_begin_pass(d, pass, NULL), RF_OK);
                for (int k = 0; k < count; k++)
                    assert_int_equal(rf_depth_add_frame(d, k, &frame, NULL, NULL), RF_OK);
                assert_int_equal(rf_depth_end_pass(d, NULL), RF_OK);
            }
            assert_int_equal(rf_depth_result(d, &maps, NULL), RF_OK);
            float at = rf_image_row_f32(&maps.depth, 0)[0];
            assert_true(at >= 0.0f && at <= (float)(count - 1));
            rf_depth_maps_free(&maps);
            rf_depth_destroy(&d);
            rf_image_free(&frame);
        }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(depth_of_a_slope_is_found_between_the_frames),
        cmocka_unit_test(outline_of_a_near_bar_is_within_a_pixel),
        cmocka_unit_test(outline_beside_faint_ground_is_within_two_pixels),
        cmocka_unit_test(a_retreating_take_gives_the_mirrored_depth),
        cmocka_unit_test(ground_without_texture_is_filled_and_owns_up),
        cmocka_unit_test(blur_per_step_is_told_by_the_take),
        cmocka_unit_test(threads_do_not_change_a_byte),
        cmocka_unit_test(memory_follows_the_formula_not_the_take),
        cmocka_unit_test(every_failed_allocation_is_reported_and_nothing_leaks),
        cmocka_unit_test(frames_out_of_order_or_shape_are_refused),
        cmocka_unit_test(the_smallest_takes_work),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* test_depth_reduced.c - depth read off reduced frames: what small frames tell holds for large ones. A large frame here
 * is a small one with every pixel repeated, so that the mean of each block is the small pixel, to the bit. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <string.h>

#include "railfold/depth.h"
#include "railfold/memory.h"
#include "failing_memory.h"

enum { WIDTH = 130, HEIGHT = 90, FRAMES = 10, BAR_LEFT = 50, BAR_RIGHT = 60, REST = 3 };
static const float BLUR = 1.1f, BAR_AT = 2.0f, GROUND_AT = 7.3f; /* px of disc radius per step; frame positions */

static float hash(int x, int y, int seed)
{
    uint32_t h = (uint32_t)x * 374761393u + (uint32_t)y * 668265263u + (uint32_t)seed * 2246822519u;
    h = (h ^ (h >> 13)) * 1274126177u;
    h ^= h >> 16;
    return (float)(h >> 8) / 16777216.0f;
}

/* Frame focused at k: a textured ground, a bar before it, each blurred by the disc of its defocus. */
static void render(int k, rf_image *frame)
{
    float radius[2] = {BLUR * fabsf(GROUND_AT - (float)k), BLUR * fabsf(BAR_AT - (float)k)};
    int reach = (int)fmaxf(radius[0], radius[1]) + 1;
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            float sum[2] = {0}, total[2] = {0}, cover = 0.0f;
            for (int dy = -reach; dy <= reach; dy++)
                for (int dx = -reach; dx <= reach; dx++) {
                    float away = sqrtf((float)(dx * dx + dy * dy));
                    float a = fminf(fmaxf(radius[0] + 0.5f - away, 0.0f), 1.0f);
                    float b = fminf(fmaxf(radius[1] + 0.5f - away, 0.0f), 1.0f);
                    int u = x + dx, v = y + dy, bar = u >= BAR_LEFT && u < BAR_RIGHT;
                    sum[0] += a * (0.25f + 0.15f * (hash(u, v, 1) + hash(u / 3, v / 3, 3)));
                    sum[1] += bar ? b * (0.8f + 0.1f * (hash(u, v, 2) - 0.5f)) : 0.0f;
                    cover += bar ? b : 0.0f;
                    total[0] += a;
                    total[1] += b;
                }
            rf_image_row_f32(frame, y)[x] = (1.0f - cover / total[1]) * sum[0] / total[0] + sum[1] / total[1] +
                                            0.002f * (hash(x, y, 100 + k) - 0.5f);
        }
}

typedef struct take {
    rf_image small[FRAMES];
} take;

static take rendered(void)
{
    take t = {0};
    for (int k = 0; k < FRAMES; k++) {
        assert_int_equal(rf_image_alloc(&t.small[k], WIDTH, HEIGHT, 1, RF_F32, "test", NULL), RF_OK);
        render(k, &t.small[k]);
    }
    return t;
}

static void free_take(take *t)
{
    for (int k = 0; k < FRAMES; k++)
        rf_image_free(&t->small[k]);
}

/* Every pixel `times` times, and a rest that reduction drops. */
static void repeat_pixels(const rf_image *small, int times, rf_image *large)
{
    for (int y = 0; y < large->height; y++)
        for (int x = 0; x < large->width; x++) {
            int i = x / times < WIDTH ? x / times : WIDTH - 1, j = y / times < HEIGHT ? y / times : HEIGHT - 1;
            rf_image_row_f32(large, y)[x] = rf_image_row_f32(small, j)[i];
        }
}

static rf_status run(const take *t, int reduce, int threads, rf_depth_maps *maps, double *blur, rf_error *err)
{
    rf_status status;
    rf_depth *d = NULL;
    rf_pool *pool = NULL;
    rf_image large = {0};
    int rest = reduce > 1 ? REST % reduce : 0;
    RF_TRY(rf_pool_create(&pool, threads, err));
    RF_TRY(rf_image_alloc(&large, reduce * WIDTH + rest, reduce * HEIGHT + rest, 1, RF_F32, "test", err));
    RF_TRY(rf_depth_create(&d, large.width, large.height, FRAMES, &(rf_depth_options){.reduce = reduce}, pool, err));
    for (int pass = 0; pass < rf_depth_passes(d); pass++) {
        RF_TRY(rf_depth_begin_pass(d, pass, err));
        for (int k = 0; k < FRAMES; k++) {
            repeat_pixels(&t->small[k], reduce, &large);
            RF_TRY(rf_depth_add_frame(d, k, pass == 0 ? &t->small[k] : &large, NULL, err));
        }
        RF_TRY(rf_depth_end_pass(d, err));
    }
    if (blur != NULL)
        *blur = rf_depth_blur_px_per_step(d);
    RF_TRY(rf_depth_result(d, maps, err));
done:
    rf_depth_destroy(&d);
    rf_image_free(&large);
    if (pool != NULL)
        rf_pool_destroy(&pool);
    return status;
}

/* Far from the bar both sizes read the same peaks; beside it the outline is the bar's to within a small pixel. */
static void depth_of_large_frames_is_that_of_small_ones(void **state)
{
    (void)state;
    take t = rendered();
    for (int reduce = 2; reduce <= 4; reduce *= 2) {
        rf_depth_maps maps = {0};
        assert_int_equal(run(&t, reduce, 1, &maps, NULL, NULL), RF_OK);
        assert_int_equal(maps.depth.width, reduce * WIDTH + REST % reduce);
        long missed = 0, grown = 0, off = 0, pixels = 0, rows = 0;
        for (int y = 8 * reduce; y < reduce * (HEIGHT - 8); y++, rows++)
            for (int x = 16 * reduce; x < maps.depth.width - 16 * reduce; x++) {
                float at = rf_image_row_f32(&maps.depth, y)[x];
                int inside = x >= BAR_LEFT * reduce && x < BAR_RIGHT * reduce;
                int beside = x >= (BAR_LEFT - 1) * reduce && x < (BAR_RIGHT + 1) * reduce;
                int around = x >= (BAR_LEFT - 12) * reduce && x < (BAR_RIGHT + 12) * reduce;
                missed += inside && fabsf(at - BAR_AT) > 1.0f;
                grown += !beside && fabsf(at - GROUND_AT) > 1.0f;
                off += !around && fabsf(at - GROUND_AT) > 0.25f;
                pixels += !around;
            }
        assert_true(missed <= rows * (BAR_RIGHT - BAR_LEFT) * reduce / 50); /* 2 %, as at size 1 (test_depth.c) */
        assert_true(grown <= rows * reduce / 5);                            /* a fifth of a small pixel a row */
        assert_true(off <= pixels / 100);
        rf_depth_maps_free(&maps);
    }
    free_take(&t);
}

static void blur_is_told_in_full_size_pixels(void **state)
{
    (void)state;
    take t = rendered();
    double blur[3] = {0};
    for (int i = 0; i < 3; i++) {
        rf_depth_maps maps = {0};
        assert_int_equal(run(&t, 1 << i, 1, &maps, &blur[i], NULL), RF_OK);
        rf_depth_maps_free(&maps);
    }
    assert_true(fabs(blur[0] / (double)BLUR - 1.0) < 0.1);     /* the accuracy that veil removal needs */
    assert_true(fabs(blur[1] / (2.0 * blur[0]) - 1.0) < 1e-3); /* the same small pixels, but for rounding */
    assert_true(fabs(blur[2] / (4.0 * blur[0]) - 1.0) < 1e-3);
    free_take(&t);
}

static void threads_do_not_change_a_byte(void **state)
{
    (void)state;
    take t = rendered();
    rf_depth_maps one = {0}, three = {0};
    assert_int_equal(run(&t, 2, 1, &one, NULL, NULL), RF_OK);
    assert_int_equal(run(&t, 2, 3, &three, NULL, NULL), RF_OK);
    for (int y = 0; y < one.depth.height; y++) {
        size_t bytes = (size_t)one.depth.width * sizeof(float);
        assert_memory_equal(rf_image_row(&one.depth, y), rf_image_row(&three.depth, y), bytes);
        assert_memory_equal(rf_image_row(&one.confidence, y), rf_image_row(&three.confidence, y), bytes);
        assert_memory_equal(rf_image_row(&one.sigma, y), rf_image_row(&three.sigma, y), bytes);
    }
    rf_depth_maps_free(&one);
    rf_depth_maps_free(&three);
    free_take(&t);
}

static void reducing_takes_no_more_memory(void **state)
{
    (void)state;
    take t = rendered();
    size_t before = rf_memory_held();
    for (int reduce = 2; reduce <= 4; reduce *= 2) {
        rf_depth_maps maps = {0};
        size_t width = (size_t)(reduce * WIDTH + REST % reduce), height = (size_t)(reduce * HEIGHT + REST % reduce);
        rf_memory_reset_peak();
        assert_int_equal(run(&t, reduce, 1, &maps, NULL, NULL), RF_OK);
        size_t frame = 4 * (width + 16) * height;
        assert_true(rf_memory_peak() - before <= rf_depth_memory_bytes((int)width, (int)height, FRAMES, 1) + frame);
        rf_depth_maps_free(&maps);
        assert_int_equal(rf_memory_held(), before);
    }
    free_take(&t);
}

static void every_failed_allocation_is_reported_and_nothing_leaks(void **state)
{
    (void)state;
    take t = rendered();
    failing_memory memory = failing_memory_start();
    rf_status status;
    rf_error err;
    do {
        rf_depth_maps maps = {0};
        err = (rf_error){0};
        failing_memory_arm(&memory);
        status = run(&t, 2, 1, &maps, NULL, &err);
        rf_depth_maps_free(&maps);
    } while (failing_memory_goes_on(&memory, status, &err));
    assert_true(memory.failures > 20);
    free_take(&t);
}

static void what_cannot_be_reduced_is_refused(void **state)
{
    (void)state;
    rf_depth *d = NULL;
    rf_image whole = {0};
    rf_error err = {0};
    assert_int_equal(rf_image_alloc(&whole, 40, 30, 1, RF_F32, "test", NULL), RF_OK);
    assert_int_equal(rf_depth_create(&d, 40, 30, 5, &(rf_depth_options){.reduce = 3}, NULL, &err), RF_ERR_USAGE);
    assert_int_equal(rf_depth_create(&d, 3, 30, 5, &(rf_depth_options){.reduce = 4}, NULL, &err), RF_ERR_USAGE);
    assert_int_equal(rf_depth_create(&d, 40, 30, 5, &(rf_depth_options){.reduce = 2}, NULL, &err), RF_OK);
    assert_int_equal(rf_depth_begin_pass(d, 0, &err), RF_OK);
    assert_int_equal(rf_depth_add_frame(d, 0, &whole, NULL, &err), RF_ERR_INPUT); /* 20 x 15 was announced */
    rf_depth_destroy(&d);
    rf_image_free(&whole);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(depth_of_large_frames_is_that_of_small_ones),
        cmocka_unit_test(blur_is_told_in_full_size_pixels),
        cmocka_unit_test(threads_do_not_change_a_byte),
        cmocka_unit_test(reducing_takes_no_more_memory),
        cmocka_unit_test(every_failed_allocation_is_reported_and_nothing_leaks),
        cmocka_unit_test(what_cannot_be_reduced_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

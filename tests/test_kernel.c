/* test_kernel.c - laws of the weights a frame has at a pixel, and of where they may be those of a local fit. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "merge/apart.h"
#include "merge/kernel.h"
#include "near.h"
#include "railfold/merge.h"

enum { FRAMES = 32 };

static rf_image plane(int width, int height, int channels, float value)
{
    rf_image image = {0};
    assert_int_equal(rf_image_alloc(&image, width, height, channels, RF_F32, "a test picture", NULL), RF_OK);
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width * channels; x++)
            rf_image_row_f32(&image, y)[x] = value;
    return image;
}

/* Weights of all frames at one pixel of this depth. */
static void weights_at(const rf_kernel_table *table, float depth, uint8_t kernel, double w[FRAMES])
{
    for (int k = 0; k < FRAMES; k++) {
        float one;
        int use = 0;
        (void)rf_kernel_weigh_row(table, &depth, &kernel, (float)k, 1, &one, &use);
        w[k] = (double)one;
    }
}

static void local_weights_take_a_parabola_back(void **state)
{
    (void)state;
    static rf_kernel_table table;
    rf_kernel_table_fill(&table, FRAMES);
    for (int code = rf_kernel_local(2.05f); code < 256; code += 3)
        for (float depth = 0.5f; depth<FRAMES - 1.5f; depth += depth> 12 && depth < 20 ? 0.07f : 0.27f) {
            double w[FRAMES], sum = 0, seen = 0, flat = 0;
            weights_at(&table, depth, (uint8_t)code, w);
            for (int k = 0; k < FRAMES; k++) {
                double d = k - (double)depth;
                sum += w[k];
                flat += w[k] * 0.25;
                seen += w[k] * (0.25 + d * d);
            }
            /* 0.1: q is told for 1/32 of a step; a plain kernel of this support gives 0.5 and more */
            assert_near(seen / sum, 0.25, 0.1);
            assert_near(flat / sum, 0.25, 1e-6);
        }
}

static void wider_support_gathers_less_noise(void **state)
{
    (void)state;
    static rf_kernel_table table;
    rf_kernel_table_fill(&table, FRAMES);
    double before = 1;
    for (float support = 2.05f; support < RF_SUPPORT_MAX; support *= 1.4f) {
        double w[FRAMES], sum = 0, squares = 0;
        weights_at(&table, 14.3f, rf_kernel_local(support), w);
        for (int k = 0; k < FRAMES; k++) {
            sum += w[k];
            squares += w[k] * w[k];
        }
        double gain = sqrt(squares) / sum;
        assert_true(gain < before);
        before = gain;
    }
    assert_true(before < 0.5); /* support 7.9: sqrt(1.25 / 7.9) = 0.40 for this kernel */
}

static void a_kernel_without_its_frames_is_plain(void **state)
{
    (void)state;
    for (int code = 0; code < 256; code++) {
        uint8_t without = rf_kernel_without((uint8_t)code);
        assert_true(without < RF_KERNEL_LOCAL && (without > 0) == (code > 0));
        assert_true(rf_kernel_reach(without) <= rf_kernel_reach((uint8_t)code));
    }
}

/* A plain kernel counts the frames within its reach, fewer of those behind; where it counts a veil is taken off, under
 * a local one it is not. */
static void what_a_frame_is_to_a_pixel_follows_its_reach(void **state)
{
    (void)state;
    static rf_kernel_table table;
    rf_kernel_table_fill(&table, FRAMES);
    for (int code = rf_kernel_plain(0.65f); code < 256; code += 3)
        for (float depth = 10.1f; depth < 12; depth += 0.23f)
            for (int k = 0; k < FRAMES; k++) {
                uint8_t kernel = (uint8_t)code;
                float d = (float)k - depth, w;
                int use = 0, row = rf_kernel_weigh_row(&table, &depth, &kernel, (float)k, 1, &w, &use);
                int counts = d > 0 ? d < rf_kernel_reach_behind(kernel) : -d < rf_kernel_reach(kernel);
                assert_int_equal(row, use);
                assert_int_equal(use & RF_PIXEL_COUNTS, counts ? RF_PIXEL_COUNTS : 0);
                assert_int_equal(use & RF_PIXEL_VEILED, counts && code < RF_KERNEL_LOCAL ? RF_PIXEL_VEILED : 0);
                assert_true(w != 0 && (counts || w <= RF_FAR_WEIGHT));
                assert_true(d <= RF_REACH_BEHIND || code >= RF_KERNEL_LOCAL || !counts);
            }
}

/* Of weights by distance with the spread of a flat pixel's kernel none gathers less noise than a parabola's; a box and
 * the bell of 1 / (1 + d^4) gather more. */
static void a_plain_kernel_gathers_little_noise_for_its_spread(void **state)
{
    (void)state;
    static rf_kernel_table table;
    rf_kernel_table_fill(&table, FRAMES);
    double sum = 0, squares = 0, spread = 0;
    for (float depth = 12; depth < 13; depth += 1 / 32.0f) {
        double w[FRAMES];
        weights_at(&table, depth, rf_kernel_plain(RF_REACH_MAX), w);
        for (int k = 0; k <= (int)depth; k++) { /* the side of it that is whole */
            double d = k - (double)depth;
            sum += w[k];
            squares += w[k] * w[k];
            spread += w[k] * d * d;
        }
    }
    double noise = squares / sum / sum * 32, width = sqrt(spread / sum);
    assert_near(noise * width, 1.2 / sqrt(5), 0.01); /* a box: 2 / (2 sqrt(3)) = 0.577 against 0.537 */
}

static void the_blur_of_an_edge_is_kept_out_as_far_as_it_reaches(void **state)
{
    (void)state;
    enum { SIDE = 80, EDGE = 20, NEAR = 2, FAR = 8 };
    rf_image depth = plane(SIDE, SIDE, 1, FAR), picture = plane(SIDE, SIDE, 3, 0.4f);
    rf_image cone = plane(SIDE / 2, SIDE / 2, 1, 0);
    for (int y = 0; y < SIDE; y++)
        for (int x = 0; x < EDGE; x++)
            rf_image_row_f32(&depth, y)[x] = NEAR;
    for (float blur = 0.8f; blur < 1.5f; blur += 0.3f) {
        rf_apart_cone(&picture, &depth, blur, &cone, NULL);
        const float *row = rf_image_row_f32(&cone, SIDE / 4);
        for (int i = EDGE / 2 + 2; i < SIDE / 2; i++) {
            /* the edge lies in the cell before EDGE / 2; cells are 2 px */
            double away_px = 2.0 * (i - EDGE / 2 + 1);
            assert_near((double)row[i], NEAR + (away_px - 2.5) / (0.75 * (double)blur), 0.01);
        }
        assert_true(row[EDGE / 2] < FAR && row[SIDE / 2 - 1] > FAR);
    }
    rf_image_free(&depth);
    rf_image_free(&picture);
    rf_image_free(&cone);
}

static void a_clipped_highlight_stands_apart(void **state)
{
    (void)state;
    rf_image depth = plane(40, 40, 1, 5), picture = plane(40, 40, 3, 0.4f), cone = plane(20, 20, 1, 0);
    rf_apart_cone(&picture, &depth, 1, &cone, NULL);
    assert_true(rf_image_row_f32(&cone, 10)[10] > 1e6f);
    rf_image_row_f32(&picture, 21)[3 * 21 + 1] = 1;
    rf_apart_cone(&picture, &depth, 1, &cone, NULL);
    assert_true(rf_image_row_f32(&cone, 10)[10] < 5);
    assert_true(rf_image_row_f32(&cone, 10)[12] < 5 + 2.4f); /* 3 px off: still in its blur */
    assert_true(rf_image_row_f32(&cone, 10)[18] > 5 + 9);
    rf_image_free(&depth);
    rf_image_free(&picture);
    rf_image_free(&cone);
}

/* Cells are seeded so many at a time: what lies where two such runs meet, or in the last odd column, is seen too. */
static void seeds_are_found_all_along_a_wide_row(void **state)
{
    (void)state;
    enum { WIDE = 1201, MID = 600 };
    for (int at = 0; at < WIDE; at += (at >= 504 && at < 520) || at >= WIDE - 30 ? 1 : 24) {
        rf_image depth = plane(WIDE, 5, 1, 5), picture = plane(WIDE, 5, 3, 0.4f), cone = plane((WIDE + 1) / 2, 3, 1, 0);
        rf_image_row_f32(&picture, 4)[3 * at + 2] = 1;
        rf_apart_cone(&picture, &depth, 1, &cone, NULL);
        assert_true(rf_image_row_f32(&cone, 2)[at / 2] < 5);
        assert_true(rf_image_row_f32(&cone, 2)[at < MID ? at / 2 + 40 : at / 2 - 40] > 5 + 9);
        rf_image_row_f32(&picture, 4)[3 * at + 2] = 0.4f;
        for (int x = at; x < WIDE; x++)
            rf_image_row_f32(&depth, 1)[x] = 7;
        rf_apart_cone(&picture, &depth, 1, &cone, NULL);
        assert_true(rf_image_row_f32(&cone, 0)[at / 2] < 5);
        rf_image_free(&depth);
        rf_image_free(&picture);
        rf_image_free(&cone);
    }
}

/* What a smooth hollow loses in each frame by its defocus, the merge puts back. */
static void blur_that_grows_with_the_square_is_taken_back(void **state)
{
    (void)state;
    enum { SIDE = 70 };
    const float z = 7.4f;
    for (int taken_back = 0; taken_back < 2; taken_back++) {
        rf_image depth = plane(SIDE, SIDE, 1, z), model = plane(SIDE, SIDE, 3, 0.5f);
        for (int y = 0; y < SIDE; y++) /* texture: flat ground takes the plain mean of many frames */
            for (int x = 0; x < 3 * SIDE; x++)
                rf_image_row_f32(&model, y)[x] = 0.3f + 0.1f * (float)((x / 3 * 7 + y * 13) % 5);
        /* steps too coarse for a local fit take the mean, which shows the loss: the test can fail */
        rf_merge_settings settings = {SIDE, SIDE, 3, 16, taken_back ? 1.0f : 2.0f, 0.01f, 0};
        rf_merge *merge;
        assert_int_equal(rf_merge_create(&merge, &settings, NULL, &depth, &model, NULL, NULL), RF_OK);
        for (int k = 0; k < settings.frame_count; k++) {
            float d = (float)k - z;
            rf_image frame = plane(SIDE, SIDE, 3, 0.5f + 0.004f * d * d);
            rf_source source = rf_source_of_image(&frame, NULL);
            rf_merge_add(merge, k, &source);
            rf_image_free(&frame);
        }
        const rf_image *picture = rf_merge_finish(merge);
        double off = (double)rf_image_row_f32(picture, 30)[3 * 30] - 0.5;
        if (taken_back)
            assert_near(off, 0, 1e-4); /* q is told for 1/32 of a step */
        else
            assert_true(off > 6e-4); /* what the nearest frame lacks */
        rf_merge_destroy(&merge);
        rf_image_free(&depth);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(local_weights_take_a_parabola_back),
        cmocka_unit_test(wider_support_gathers_less_noise),
        cmocka_unit_test(a_kernel_without_its_frames_is_plain),
        cmocka_unit_test(what_a_frame_is_to_a_pixel_follows_its_reach),
        cmocka_unit_test(a_plain_kernel_gathers_little_noise_for_its_spread),
        cmocka_unit_test(the_blur_of_an_edge_is_kept_out_as_far_as_it_reaches),
        cmocka_unit_test(a_clipped_highlight_stands_apart),
        cmocka_unit_test(seeds_are_found_all_along_a_wide_row),
        cmocka_unit_test(blur_that_grows_with_the_square_is_taken_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* test_image.c - laws of the picture buffer, its conversions and poses. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "near.h"
#include "railfold/image.h"
#include "railfold/memory.h"
#include "railfold/pose.h"

static void rows_start_on_the_alignment(void **state)
{
    (void)state;
    rf_image image = {0};
    assert_int_equal(rf_image_alloc(&image, 13, 5, 3, RF_U16, "a picture", NULL), RF_OK);
    for (int y = 0; y < 5; y++)
        assert_int_equal((uintptr_t)rf_image_row(&image, y) % RF_ALIGN_BYTES, 0);
    assert_true(image.stride_bytes >= 13 * 3 * 2);
    rf_image_free(&image);
    assert_null(image.data);
}

static void impossible_sizes_are_refused(void **state)
{
    (void)state;
    rf_image image = {0};
    rf_error err = {0};
    assert_int_equal(rf_image_alloc(&image, 0, 5, 3, RF_U8, "x", &err), RF_ERR_MEMORY);
    assert_int_equal(rf_image_alloc(&image, RF_MAX_SIDE_PX + 1, 5, 3, RF_U8, "x", NULL), RF_ERR_MEMORY);
    assert_int_equal(rf_image_alloc(&image, 5, 5, 9, RF_U8, "x", NULL), RF_ERR_MEMORY);
    assert_non_null(strstr(err.text, "0 x 5"));
}

/* Every 8- and 16-bit value comes back from float as itself: nothing is lost end to end. */
static void integers_survive_the_way_through_float(void **state)
{
    (void)state;
    for (int value = 0; value < 65536; value++) {
        uint16_t in = (uint16_t)value, out = 1;
        float middle;
        rf_row_to_f32(&middle, &in, RF_U16, 1);
        rf_row_from_f32(&out, &middle, RF_U16, 1);
        assert_int_equal(out, in);
    }
    for (int value = 0; value < 256; value++) {
        uint8_t in = (uint8_t)value, out = 1;
        float middle;
        rf_row_to_f32(&middle, &in, RF_U8, 1);
        rf_row_from_f32(&out, &middle, RF_U8, 1);
        assert_int_equal(out, in);
    }
}

static void what_is_outside_is_clipped_and_nan_is_black(void **state)
{
    (void)state;
    const float in[4] = {-0.5f, 1.5f, NAN, INFINITY};
    uint8_t out[4];
    rf_row_from_f32(out, in, RF_U8, 4);
    assert_int_equal(out[0], 0);
    assert_int_equal(out[1], 255);
    assert_int_equal(out[2], 0);
    assert_int_equal(out[3], 255);
}

/* Weights of Rec. ITU-R BT.601; block means. */
static void luma_is_the_weighted_block_mean(void **state)
{
    (void)state;
    rf_image in = {0}, out = {0};
    assert_int_equal(rf_image_alloc(&in, 5, 4, 3, RF_U8, "in", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&out, 2, 2, 1, RF_F32, "out", NULL), RF_OK);
    double want = 0;
    for (int y = 0; y < 4; y++)
        for (int x = 0; x < 5; x++) {
            uint8_t *p = (uint8_t *)rf_image_row(&in, y) + 3 * x;
            p[0] = (uint8_t)(10 * x + y), p[1] = (uint8_t)(200 - 7 * x), p[2] = (uint8_t)(3 * y * x);
            if (x >= 2 && x < 4 && y >= 2)
                want += (0.299 * p[0] + 0.587 * p[1] + 0.114 * p[2]) / 4 / 255;
        }
    rf_image_luma(&in, 2, &out, NULL);
    assert_near(rf_image_row_f32(&out, 1)[1], want, 1e-6);
    rf_image_free(&in);
    rf_image_free(&out);
}

/* What the check and the aligner rest on when they take a small luma from a larger one; whole numbers are rounded. */
static void a_mean_of_means_is_the_mean_and_whole_numbers_are_rounded(void **state)
{
    (void)state;
    rf_image in = {0}, half = {0}, eighth = {0}, direct = {0}, bytes = {0};
    assert_int_equal(rf_image_alloc(&in, 2100, 19, 3, RF_U8, "in", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&half, 1050, 9, 1, RF_F32, "half", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&bytes, 1050, 9, 1, RF_U8, "half", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&eighth, 262, 2, 1, RF_F32, "eighth", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&direct, 262, 2, 1, RF_F32, "eighth", NULL), RF_OK);
    uint32_t seed = 7;
    for (int y = 0; y < in.height; y++)
        for (int i = 0; i < 3 * in.width; i++) {
            seed = seed * 1664525u + 1013904223u;
            ((uint8_t *)rf_image_row(&in, y))[i] = (uint8_t)(seed >> 24);
        }
    rf_image_luma(&in, 2, &half, NULL);
    rf_image_luma(&in, 2, &bytes, NULL);
    rf_image_luma(&half, 4, &eighth, NULL);
    rf_image_luma(&in, 8, &direct, NULL);
    for (int y = 0; y < 2; y++)
        for (int x = 0; x < 262; x++)
            assert_near(rf_image_row_f32(&eighth, y)[x], rf_image_row_f32(&direct, y)[x], 1e-6);
    for (int y = 0; y < 9; y++)
        for (int x = 0; x < 1050; x++)
            assert_near(((uint8_t *)rf_image_row(&bytes, y))[x], 255 * rf_image_row_f32(&half, y)[x], 0.5001);
    rf_image_free(&in);
    rf_image_free(&half);
    rf_image_free(&bytes);
    rf_image_free(&eighth);
    rf_image_free(&direct);
}

/* Six weights both ways, as image.h tells them, beyond the edge its samples; once more in doubles. */
static double halved(const rf_image *in, int x, int y)
{
    static const double weight[6] = {-26 / 256.0, 26 / 256.0, 0.5, 0.5, 26 / 256.0, -26 / 256.0};
    double sum = 0;
    for (int j = 0; j < 6; j++)
        for (int i = 0; i < 6; i++) {
            int u = 2 * x + i - 2, v = 2 * y + j - 2;
            int most = in->width / 2 * 2 - 1; /* a last odd column is dropped */
            u = u < 0 ? 0 : u > most ? most : u;
            v = v < 0 ? 0 : v >= in->height ? in->height - 1 : v;
            const void *row = rf_image_row(in, v);
            sum +=
                weight[i] * weight[j] * (in->sample == RF_U8 ? ((const uint8_t *)row)[u] : ((const uint16_t *)row)[u]);
        }
    double white = in->sample == RF_U8 ? 255 : 65535;
    return sum < 0 ? 0 : sum > white ? white : sum;
}

static void fill_with_noise(rf_image *image)
{
    uint32_t seed = 11;
    for (int y = 0; y < image->height; y++)
        for (int x = 0; x < image->width; x++) {
            seed = seed * 1664525u + 1013904223u;
            if (image->sample == RF_U8)
                ((uint8_t *)rf_image_row(image, y))[x] = (uint8_t)(seed >> 24);
            else
                ((uint16_t *)rf_image_row(image, y))[x] = (uint16_t)(seed >> 16);
        }
}

static void a_halved_picture_is_the_sum_its_weights_say(void **state)
{
    (void)state;
    static const int sizes[][2] = {{2, 2}, {3, 5}, {1024, 7}, {1026, 4}, {2500, 41}};
    for (size_t i = 0; i < 2 * sizeof sizes / sizeof *sizes; i++) {
        rf_image in = {0}, out = {0};
        rf_pool *pool = NULL;
        rf_sample sample = i % 2 == 0 ? RF_U8 : RF_U16;
        int width = sizes[i / 2][0], height = sizes[i / 2][1];
        assert_int_equal(rf_pool_create(&pool, 2, NULL), RF_OK);
        assert_int_equal(rf_image_alloc(&in, width, height, 1, sample, "in", NULL), RF_OK);
        assert_int_equal(rf_image_alloc(&out, width / 2, height / 2, 1, sample, "out", NULL), RF_OK);
        fill_with_noise(&in);
        rf_image_halve(&in, &out, pool);
        for (int y = 0; y < out.height; y++)
            for (int x = 0; x < out.width; x++) {
                const void *row = rf_image_row(&out, y);
                double got = sample == RF_U8 ? ((const uint8_t *)row)[x] : ((const uint16_t *)row)[x];
                assert_near(got, halved(&in, x, y), 0.51);
            }
        rf_pool_destroy(&pool);
        rf_image_free(&in);
        rf_image_free(&out);
    }
}

/* IEC 61966-2-1: coded 0.5 is linear 0.21404; the two parts of the curve meet at 0.04045 (values from the formula). */
static void srgb_curve_has_its_published_values_and_inverts(void **state)
{
    (void)state;
    assert_near(rf_linear_from_coded(0.5f), 0.2140411f, 1e-6);
    assert_near(rf_linear_from_coded(0.04045f), 0.0031308f, 1e-6);
    assert_near(rf_linear_from_coded(1), 1, 1e-6);
    for (int i = 0; i <= 255; i++)
        assert_near(rf_coded_from_linear(rf_linear_from_coded((float)i / 255)), (float)i / 255, 2e-6);
}

static void a_pose_and_its_inverse_cancel(void **state)
{
    (void)state;
    rf_pose pose = rf_pose_similarity(1.013, 0.002, 3.5, -2.25, 640, 480), inverse = rf_pose_invert(&pose);
    rf_pose both = rf_pose_compose(&inverse, &pose);
    double x, y;
    rf_pose_apply(&both, 123, 321, &x, &y);
    assert_near(x, 123, 1e-9);
    assert_near(y, 321, 1e-9);
    assert_near(rf_pose_scale(&pose), 1.013, 1e-12);
    assert_near(rf_pose_rotation_deg(&pose), 0.002 * (180 / 3.14159265358979324), 1e-9);
    rf_pose_shift_px(&pose, 640, 480, &x, &y);
    assert_near(x, 3.5, 1e-9);
    assert_near(y, -2.25, 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rows_start_on_the_alignment),
        cmocka_unit_test(impossible_sizes_are_refused),
        cmocka_unit_test(integers_survive_the_way_through_float),
        cmocka_unit_test(what_is_outside_is_clipped_and_nan_is_black),
        cmocka_unit_test(luma_is_the_weighted_block_mean),
        cmocka_unit_test(a_mean_of_means_is_the_mean_and_whole_numbers_are_rounded),
        cmocka_unit_test(a_halved_picture_is_the_sum_its_weights_say),
        cmocka_unit_test(srgb_curve_has_its_published_values_and_inverts),
        cmocka_unit_test(a_pose_and_its_inverse_cancel),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

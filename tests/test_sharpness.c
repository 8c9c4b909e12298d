/* The laws of the sharpness measure. Its numbers are checked against SciPy in tests/outside/check_depth.py. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <string.h>

#include "railfold/memory.h"
#include "railfold/sharpness.h"

enum { WIDTH = 97, HEIGHT = 74 }; /* one side odd */

static float noise(unsigned *state)
{
    *state = *state * 1664525u + 1013904223u;
    return (float)(*state >> 8) / 16777216.0f;
}

static rf_image texture(float contrast)
{
    rf_image image = {0};
    unsigned state = 7;
    assert_int_equal(rf_image_alloc(&image, WIDTH, HEIGHT, 1, RF_F32, "test", NULL), RF_OK);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++)
            rf_image_row_f32(&image, y)[x] = 0.5f + contrast * (noise(&state) - 0.5f);
    return image;
}

static rf_image measured(const rf_image *frame, const int (*covered)[2], int threads, float *floor)
{
    rf_sharpness *s = NULL;
    rf_pool *pool = NULL;
    rf_image energy = {0};
    assert_int_equal(rf_pool_create(&pool, threads, NULL), RF_OK);
    assert_int_equal(rf_sharpness_create(&s, frame->width, frame->height, pool, NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&energy, rf_sharpness_side(frame->width), rf_sharpness_side(frame->height), 1,
                                    RF_F32, "test", NULL),
                     RF_OK);
    assert_int_equal(rf_sharpness_measure(s, frame, covered, &energy, NULL), RF_OK);
    if (floor != NULL)
        *floor = rf_sharpness_noise_floor(s);
    rf_sharpness_destroy(&s);
    rf_pool_destroy(&pool);
    return energy;
}

static double mean(const rf_image *image)
{
    double sum = 0.0;
    for (int y = 0; y < image->height; y++)
        for (int x = 0; x < image->width; x++)
            sum += (double)rf_image_row_f32(image, y)[x];
    return sum / image->width / image->height;
}

static void flat_ground_has_no_energy(void **state)
{
    (void)state;
    rf_image flat = texture(0.0f), energy = measured(&flat, NULL, 1, NULL);
    assert_true(mean(&energy) < 1e-10); /* float rounding of 0.5 under a kernel that sums to 0 */
    rf_image_free(&flat);
    rf_image_free(&energy);
}

static void energy_grows_with_the_square_of_contrast(void **state)
{
    (void)state;
    rf_image weak = texture(0.2f), strong = texture(0.4f);
    rf_image a = measured(&weak, NULL, 1, NULL), b = measured(&strong, NULL, 1, NULL);
    assert_true(fabs(mean(&b) / mean(&a) - 4.0) < 1e-3); /* every step of the measure scales alike; rounding only */
    rf_image_free(&weak);
    rf_image_free(&strong);
    rf_image_free(&a);
    rf_image_free(&b);
}

static void a_blurred_frame_has_less_energy(void **state)
{
    (void)state;
    rf_image sharp = texture(0.5f), soft = texture(0.5f);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 1; x < WIDTH - 1; x++) {
            const float *p = rf_image_row_f32(&sharp, y) + x;
            rf_image_row_f32(&soft, y)[x] = (p[-1] + p[0] + p[1]) / 3.0f;
        }
    rf_image a = measured(&sharp, NULL, 1, NULL), b = measured(&soft, NULL, 1, NULL);
    assert_true(mean(&b) < 0.7 * mean(&a));
    rf_image_free(&sharp);
    rf_image_free(&soft);
    rf_image_free(&a);
    rf_image_free(&b);
}

/* An edge between flat halves: energy reaches no further than pooling does, and less far than the pool alone. */
static void energy_of_an_outline_stays_near_it(void **state)
{
    (void)state;
    rf_image step = texture(0.0f);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = WIDTH / 2; x < WIDTH; x++)
            rf_image_row_f32(&step, y)[x] = 0.8f;
    rf_image energy = measured(&step, NULL, 1, NULL);
    const float *row = rf_image_row_f32(&energy, HEIGHT / 4);
    int at = WIDTH / 4;
    /* Gaussian pooling of 1 energy pixel alone would leave exp(-9 / 2) = 0.011 three energy pixels away. */
    assert_true(row[at + 3] < 0.004f * row[at]);
    assert_true(row[at - 4] < 0.004f * row[at]);
    rf_image_free(&step);
    rf_image_free(&energy);
}

static void what_is_not_covered_has_no_energy_and_no_influence(void **state)
{
    (void)state;
    int covered[HEIGHT][2];
    rf_image a = texture(0.5f), b = texture(0.5f);
    for (int y = 0; y < HEIGHT; y++) {
        covered[y][0] = y < 8 ? WIDTH : 20; /* 8 rows seen by nobody */
        covered[y][1] = y < 8 ? WIDTH : 80;
        for (int x = 0; x < WIDTH; x++)
            if (x < covered[y][0] || x >= covered[y][1])
                rf_image_row_f32(&b, y)[x] = 9.0f;
    }
    rf_image ea = measured(&a, (const int(*)[2])covered, 1, NULL), eb = measured(&b, (const int(*)[2])covered, 1, NULL);
    for (int y = 0; y < ea.height; y++) {
        assert_memory_equal(rf_image_row(&ea, y), rf_image_row(&eb, y), (size_t)ea.width * sizeof(float));
        assert_true(rf_image_row_f32(&ea, y)[10] == 0.0f);
        assert_true(rf_image_row_f32(&ea, y)[42] == 0.0f);
        if (y >= 8)
            assert_true(rf_image_row_f32(&ea, y)[25] > 0.0f);
    }
    assert_true(rf_image_row_f32(&ea, 2)[25] == 0.0f);
    rf_image_free(&a);
    rf_image_free(&b);
    rf_image_free(&ea);
    rf_image_free(&eb);
}

static void threads_do_not_change_a_byte(void **state)
{
    (void)state;
    rf_image frame = texture(0.5f), one = measured(&frame, NULL, 1, NULL), three = measured(&frame, NULL, 3, NULL);
    for (int y = 0; y < one.height; y++)
        assert_memory_equal(rf_image_row(&one, y), rf_image_row(&three, y), (size_t)one.width * sizeof(float));
    rf_image_free(&frame);
    rf_image_free(&one);
    rf_image_free(&three);
}

static void another_shape_is_refused(void **state)
{
    (void)state;
    rf_sharpness *s = NULL;
    rf_error err = {0};
    rf_image frame = texture(0.5f), energy = {0};
    assert_int_equal(rf_sharpness_create(&s, WIDTH + 1, HEIGHT, NULL, NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&energy, 49, 37, 1, RF_F32, "test", NULL), RF_OK);
    assert_int_equal(rf_sharpness_measure(s, &frame, NULL, &energy, &err), RF_ERR_INPUT);
    assert_non_null(strstr(err.text, "97 x 74"));
    rf_sharpness_destroy(&s);
    rf_image_free(&frame);
    rf_image_free(&energy);
}

static void memory_is_as_the_header_says(void **state)
{
    (void)state;
    rf_sharpness *s = NULL;
    size_t before = rf_memory_held();
    assert_int_equal(rf_sharpness_create(&s, 1000, 600, NULL, NULL), RF_OK);
    size_t held = rf_memory_held() - before;
    assert_true(held <=
                (size_t)4 * 512 * 300 + 330 * 1000 + 48 * 1024 + 8 * 300 + 4096); /* rows padded to 64 bytes; structs */
    rf_sharpness_destroy(&s);
    assert_int_equal(rf_memory_held(), before);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(flat_ground_has_no_energy),
        cmocka_unit_test(energy_grows_with_the_square_of_contrast),
        cmocka_unit_test(a_blurred_frame_has_less_energy),
        cmocka_unit_test(energy_of_an_outline_stays_near_it),
        cmocka_unit_test(what_is_not_covered_has_no_energy_and_no_influence),
        cmocka_unit_test(threads_do_not_change_a_byte),
        cmocka_unit_test(another_shape_is_refused),
        cmocka_unit_test(memory_is_as_the_header_says),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

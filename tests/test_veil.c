/* test_veil.c - the veil taken off ground beside a near part, against pictures made by the model itself but computed
 * the slow way, pixel by pixel. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "merge_scene.h"
#include "test_picture.h"
#include "railfold/merge.h"
#include "merge/disc.h"

enum { EDGE = 70, NEAR_DEPTH = 2, FAR_DEPTH = 8 };

/* Frame k of a bright near half plane (x < EDGE) over a textured ground: share of the disc that the near part fills. */
static float near_share(int x, int k)
{
    double r = 1.5 * abs(k - NEAR_DEPTH), u = x - (EDGE - 0.5);
    if (r < 0.5)
        return x < EDGE ? 1.0f : 0.0f;
    if (u <= -r)
        return 1;
    if (u >= r)
        return 0;
    return (float)((acos(u / r) - u / r * sqrt(1 - u * u / r / r)) / 3.14159265358979);
}

static void render(rf_image *frame, const rf_image *ground, int k)
{
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
            float a = near_share(x, k), g = rf_linear_from_coded(rf_image_row_f32(ground, y)[x]);
            rf_image_row_f32(frame, y)[x] = rf_coded_from_linear(a * 0.8f + (1 - a) * g);
        }
}

/* From the first pixel that shows the ground alone. */
static double ground_error(const rf_image *merged, const rf_image *ground)
{
    double sum = 0;
    int n = 0;
    for (int y = 20; y < H - 20; y++)
        for (int x = EDGE + 1; x < EDGE + 12; x++, n++) {
            double e = (double)(rf_image_row_f32(merged, y)[x] - rf_image_row_f32(ground, y)[x]);
            sum += e * e;
        }
    return sqrt(sum / n);
}

static double merge_veiled(int veil)
{
    scene s;
    start(&s, 1, 2, veil, 11);
    rf_image ground = make(W, H, 1), frame = make(W, H, 1);
    fill_noise(&ground, 31, 0.2f, 0.5f);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            rf_image_row_f32(&s.depth, y)[x] = x < EDGE ? NEAR_DEPTH : FAR_DEPTH;
    render(&frame, &ground, NEAR_DEPTH);
    begin(&s, &frame); /* the near part as it is */
    for (int k = 0; k < 11; k++) {
        render(&frame, &ground, k);
        add(&s, k, &frame);
    }
    double error = ground_error(rf_merge_finish(s.merge), &ground);
    rf_image_free(&ground);
    rf_image_free(&frame);
    stop(&s);
    return error;
}

static void the_veil_beside_a_near_part_is_removed(void **state)
{
    (void)state;
    double with = merge_veiled(1), without = merge_veiled(0);
    assert_true(without > 0.10); /* the veil is there: far over ten 8-bit levels */
    assert_true(with < 0.02);    /* what is left: the disc is sampled in cells of 2 px where it is 9 px wide */
}

/* Rows and columns beside the near part, all of even ground. */
enum { BESIDE = 10, SPECK_REACH = 2 };

static int by_value(const void *a, const void *b)
{
    float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

static float median_around(const rf_image *merged, int x, int y)
{
    float near[(2 * SPECK_REACH + 1) * (2 * SPECK_REACH + 1)];
    int n = 0;
    for (int j = y - SPECK_REACH; j <= y + SPECK_REACH; j++)
        for (int i = x - SPECK_REACH; i <= x + SPECK_REACH; i++)
            near[n++] = rf_image_row_f32(merged, j)[i];
    qsort(near, (size_t)n, sizeof near[0], by_value);
    return near[n / 2];
}

/* Of the pixels beside the near part, how many stand out from those around by 20 of 255 and more; *darkest: of the
 * medians. */
static int count_specks(const rf_image *merged, float *darkest)
{
    int specks = 0;
    *darkest = 1;
    for (int y = 20; y < H - 20; y++)
        for (int x = EDGE + 1 + SPECK_REACH; x < EDGE + BESIDE; x++) {
            float median = median_around(merged, x, y);
            specks += fabsf(rf_image_row_f32(merged, y)[x] - median) > 20.0f / 255;
            *darkest = median < *darkest ? median : *darkest;
        }
    return specks;
}

/* The model shows the near part an eighth brighter than the frames do, which takes all the light there is beside it;
 * whether a pixel had any left was once decided by its noise, and then it showed the whole veil. */
static void a_veil_told_too_strong_leaves_no_specks_in_dark_ground(void **state)
{
    (void)state;
    scene s;
    start(&s, 1, 2, 1, 11);
    rf_image ground = make(W, H, 1), frame = make(W, H, 1), noise = make(W, H, 1);
    fill_noise(&ground, 31, 0.2f, 0.2f);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            rf_image_row_f32(&s.depth, y)[x] = x < EDGE ? NEAR_DEPTH : FAR_DEPTH;
    render(&frame, &ground, NEAR_DEPTH);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < EDGE; x++)
            rf_image_row_f32(&frame, y)[x] = rf_coded_from_linear(0.9f);
    begin(&s, &frame);
    for (int k = 0; k < 11; k++) {
        render(&frame, &ground, k);
        fill_noise(&noise, 100u + (unsigned)k, -0.02f, 0.02f);
        for (int y = 0; y < H; y++)
            for (int x = 0; x < W; x++)
                rf_image_row_f32(&frame, y)[x] += rf_image_row_f32(&noise, y)[x];
        add(&s, k, &frame);
    }
    float darkest;
    assert_int_equal(count_specks(rf_merge_finish(s.merge), &darkest), 0);
    assert_true(darkest > 0.06f); /* nor a black smear: the ground is 0.2 */
    rf_image_free(&ground);
    rf_image_free(&frame);
    rf_image_free(&noise);
    stop(&s);
}

/* ---- the mean over a disc ---- */

enum { CELLS = 30, MOST_CHANNELS = 4 };

/* Cell by cell; the disc's edge is one cell wide. */
static double slow_mean(const float *from, int channels, double radius, int x, int y, int channel)
{
    double sum = 0, covered = 0;
    for (int j = -RF_DISC_RADIUS; j <= RF_DISC_RADIUS; j++)
        for (int i = -RF_DISC_RADIUS; i <= RF_DISC_RADIUS; i++) {
            double cover = fmin(1, fmax(0, radius + 0.5 - sqrt(i * i + j * j)));
            sum += cover * (double)from[((y + j) * CELLS + x + i) * channels + channel];
            covered += cover;
        }
    return sum / covered;
}

static void means_over_discs_are_those_of_the_slow_way(void **state)
{
    (void)state;
    static float from[CELLS * CELLS * MOST_CHANNELS], to[CELLS * CELLS * MOST_CHANNELS];
    static float sums[CELLS * (CELLS + 1) * MOST_CHANNELS];
    const float radii[] = {0.6f, 1, 1.5f, 2.3f, 3.49f, 4.5f, 5.2f, RF_DISC_RADIUS};
    for (int channels = 2; channels <= MOST_CHANNELS; channels += 2) {
        for (int i = 0; i < CELLS * CELLS * channels; i++)
            from[i] = noise_at((unsigned)i, 3, 0, 8);
        rf_disc_grid grid = {CELLS, channels, from, to, sums};
        for (size_t r = 0; r < sizeof radii / sizeof radii[0]; r++) {
            int left = RF_DISC_RADIUS, right = CELLS - RF_DISC_RADIUS, top = left + 1, bottom = right - 2;
            rf_disc_mean(&grid, radii[r], left, top, right, bottom);
            for (int y = top; y < bottom; y++)
                for (int x = left; x < right; x++)
                    for (int c = 0; c < channels; c++)
                        assert_near(to[(y * CELLS + x) * channels + c],
                                    slow_mean(from, channels, (double)radii[r], x, y, c), 2e-6);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_veil_beside_a_near_part_is_removed),
        cmocka_unit_test(a_veil_told_too_strong_leaves_no_specks_in_dark_ground),
        cmocka_unit_test(means_over_discs_are_those_of_the_slow_way),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

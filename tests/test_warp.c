/* test_warp.c - resampling through a pose: exactness where it must be exact, coverage, agreement with the kernel's
 * definition, and one result for any number of threads. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "railfold/memory.h"
#include "railfold/warp.h"

static void new_image(rf_image *image, int width, int height, int channels, rf_sample sample)
{
    rf_error err = {0};
    assert_int_equal(rf_image_alloc(image, width, height, channels, sample, "a test picture", &err), RF_OK);
}

/* Waves up to 0.15 cycles a pixel: where the kernel is to be within 1 %. */
static double scene(double x, double y, int c)
{
    return 0.5 + 0.2 * sin(0.9 * x + 0.2 * y + c) + 0.15 * cos(0.3 * x - 0.8 * y) + 0.1 * sin(0.05 * x + 0.07 * y);
}

static void draw(rf_image *image)
{
    for (int y = 0; y < image->height; y++)
        for (int x = 0; x < image->width; x++)
            for (int c = 0; c < image->channels; c++) {
                float v = (float)scene(x, y, c);
                void *row = rf_image_row(image, y);
                size_t at = (size_t)(x * image->channels + c);
                rf_row_from_f32((char *)row + at * rf_sample_bytes(image->sample), &v, image->sample, 1);
            }
}

static void identity_pose_copies_every_sample_type_exactly(void **state)
{
    (void)state;
    static const rf_sample samples[] = {RF_U8, RF_U16, RF_F32};
    for (int i = 0; i < 6; i++) {
        rf_image in = {0}, wanted = {0}, out = {0}, covered = {0};
        int channels = i % 2 == 0 ? 3 : 1;
        new_image(&in, 203, 67, channels, samples[i / 2]);
        new_image(&wanted, 203, 67, channels, RF_F32);
        new_image(&out, 203, 67, channels, RF_F32);
        new_image(&covered, 203, 67, 1, RF_U8);
        draw(&in);
        rf_image_to_f32(&in, &wanted, NULL);
        rf_pose pose = rf_pose_identity();
        rf_warp_image(&in, &pose, &out, &covered, NULL);
        for (int y = 0; y < 67; y++) {
            assert_memory_equal(rf_image_row(&out, y), rf_image_row(&wanted, y),
                                203 * (size_t)channels * sizeof(float));
            for (int x = 0; x < 203; x++)
                assert_int_equal(((uint8_t *)rf_image_row(&covered, y))[x], 255);
        }
        rf_image_free(&in);
        rf_image_free(&wanted);
        rf_image_free(&out);
        rf_image_free(&covered);
    }
}

static void whole_pixel_shift_copies_and_covers_what_the_frame_has(void **state)
{
    (void)state;
    rf_image in = {0}, out = {0};
    new_image(&in, 100, 50, 3, RF_U8);
    new_image(&out, 100, 50, 3, RF_F32);
    draw(&in);
    rf_pose pose = rf_pose_identity();
    pose.tx = 7;
    pose.ty = -3;
    rf_warp_image(&in, &pose, &out, NULL, NULL);
    for (int y = 0; y < 50; y++) {
        int from, to;
        rf_warp_span(&pose, 100, 50, 100, y, &from, &to);
        assert_int_equal(from, 0);
        assert_int_equal(to, y >= 3 ? 93 : 0);
        for (int x = 0; x < 100; x++) {
            float wanted = x < to ? (float)((uint8_t *)rf_image_row(&in, y - 3))[3 * (x + 7)] * (1.0f / 255) : 0;
            assert_true(rf_image_row_f32(&out, y)[3 * x] == wanted);
        }
    }
    rf_image_free(&in);
    rf_image_free(&out);
}

static void weights_sum_to_one_and_are_exact_on_the_pixel(void **state)
{
    (void)state;
    float w[6];
    rf_warp_weights(0, w);
    for (int k = 0; k < 6; k++)
        assert_true(w[k] == (k == 2 ? 1.0f : 0.0f));
    for (int i = 0; i <= 64; i++) {
        float mirrored[6], sum = 0;
        rf_warp_weights((float)i / 64, w);
        rf_warp_weights(1 - (float)i / 64, mirrored);
        for (int k = 0; k < 6; k++) {
            sum += w[k];
            assert_true(fabsf(w[k] - mirrored[5 - k]) < 1e-6f); /* rounding */
        }
        assert_true(fabsf(sum - 1) < 1e-6f);
    }
}

/* The rows and columns the kernel of pixel (x, y) reads, straight from the pose. */
static int wholly_inside(const rf_pose *pose, int x, int y, int width, int height, double margin)
{
    double xf, yf;
    rf_pose_apply(pose, x, y, &xf, &yf);
    return xf >= 2 + margin && yf >= 2 + margin && xf <= width - 4 - margin && yf <= height - 4 - margin;
}

static void span_is_what_the_kernel_can_reach(void **state)
{
    (void)state;
    const rf_pose poses[] = {rf_pose_similarity(1.01, 0.003, 4.3, -2.6, 90, 70),
                             rf_pose_similarity(0.98, -0.004, -11.2, 6.9, 90, 70),
                             rf_pose_similarity(1, 0.4, 1.5, 0.5, 90, 70),
                             rf_pose_similarity(1.3, 3.0, 0.2, 0.1, 90, 70), rf_pose_similarity(1, 0, 500, 0, 90, 70)};
    for (size_t i = 0; i < sizeof poses / sizeof poses[0]; i++)
        for (int y = 0; y < 70; y++) {
            int from, to;
            rf_warp_span(&poses[i], 90, 70, 90, y, &from, &to);
            assert_true(from >= 0 && to <= 90 && from <= to);
            for (int x = 0; x < 90; x++) {
                int said = x >= from && x < to;
                if (said)
                    assert_true(wholly_inside(&poses[i], x, y, 90, 70, 0));
                else /* never more than the slack of the first pass (and a pixel when far from upright) is given away */
                    assert_false(wholly_inside(&poses[i], x, y, 90, 70, 3.0));
            }
        }
}

/* The definition: 36 taps at the exact position. */
static double thirty_six_taps(const rf_image *in, double xf, double yf, int c)
{
    float wx[6], wy[6];
    double sum = 0;
    int column = (int)floor(xf), row = (int)floor(yf);
    rf_warp_weights((float)(xf - column), wx);
    rf_warp_weights((float)(yf - row), wy);
    for (int j = 0; j < 6; j++)
        for (int i = 0; i < 6; i++)
            sum += (double)wx[i] * (double)wy[j] *
                   (double)rf_image_row_f32(in, row + j - 2)[(column + i - 2) * in->channels + c];
    return sum;
}

static void two_passes_agree_with_the_36_taps_to_a_quarter_of_a_level(void **state)
{
    (void)state;
    rf_image in = {0}, out = {0};
    new_image(&in, 300, 200, 3, RF_F32);
    new_image(&out, 300, 200, 3, RF_F32);
    draw(&in);
    static const double scales[] = {1.004, 0.97, 1.1, 1.0}, turns[] = {0.0026, -0.0026, 0.01, 0.02};
    for (int i = 0; i < 4; i++) {
        rf_pose pose = rf_pose_similarity(scales[i], turns[i], 3.37, -5.81, 300, 200);
        rf_warp_image(&in, &pose, &out, NULL, NULL);
        int seen = 0;
        for (int y = 0; y < 200; y++) {
            int from, to;
            rf_warp_span(&pose, 300, 200, 300, y, &from, &to);
            for (int x = from; x < to; x++)
                for (int c = 0; c < 3; c++) {
                    double xf, yf;
                    rf_pose_apply(&pose, x, y, &xf, &yf);
                    double wanted = thirty_six_taps(&in, xf, yf, c), got = (double)rf_image_row_f32(&out, y)[3 * x + c];
                    /* A quarter of an 8-bit level for the turns of a rail (0.15 degrees); in proportion beyond. */
                    double allowed = 0.25 / 255 * fmax(1, fabs(turns[i]) / 0.0026);
                    assert_true(fabs(got - wanted) < allowed);
                    seen++;
                }
        }
        assert_true(seen > 100000);
    }
    rf_image_free(&in);
    rf_image_free(&out);
}

static void scene_is_carried_to_within_its_band_error(void **state)
{
    (void)state;
    rf_image in = {0}, out = {0};
    new_image(&in, 300, 200, 3, RF_U16);
    new_image(&out, 300, 200, 3, RF_F32);
    draw(&in);
    static const double turns[] = {0.001, 0.3}; /* the second takes the slow way */
    for (int i = 0; i < 2; i++) {
        rf_pose pose = rf_pose_similarity(1.006, turns[i], -2.4, 1.7, 300, 200);
        pose.gain[0] = 0.5;
        pose.gain[1] = 1;
        pose.gain[2] = 1.25;
        rf_warp_image(&in, &pose, &out, NULL, NULL);
        double worst = 0;
        for (int y = 0; y < 200; y++) {
            int from, to;
            rf_warp_span(&pose, 300, 200, 300, y, &from, &to);
            for (int x = from; x < to; x++)
                for (int c = 0; c < 3; c++) {
                    double xf, yf;
                    rf_pose_apply(&pose, x, y, &xf, &yf);
                    double wanted = pose.gain[c] * scene(xf, yf, c);
                    worst = fmax(worst, fabs((double)rf_image_row_f32(&out, y)[3 * x + c] - wanted));
                }
        }
        /* Amplitudes 0.2 and 0.15 at 0.147 and 0.136 cycles a pixel, each up to 0.8 % off in either direction, times
         * the largest gain: 1.25 * 2 * 0.008 * 0.35. */
        assert_true(worst < 0.007);
    }
    rf_image_free(&in);
    rf_image_free(&out);
}

static void threads_and_splits_give_the_same_bytes(void **state)
{
    (void)state;
    rf_image in = {0}, one = {0}, many = {0};
    rf_pool *pool = NULL;
    rf_error err = {0};
    new_image(&in, 517, 260, 3, RF_U8);
    new_image(&one, 517, 260, 3, RF_F32);
    new_image(&many, 517, 260, 3, RF_F32);
    draw(&in);
    rf_pose pose = rf_pose_similarity(1.013, 0.0021, 8.2, -3.3, 517, 260);
    rf_warp_image(&in, &pose, &one, NULL, NULL);
    assert_int_equal(rf_pool_create(&pool, 3, &err), RF_OK);
    rf_warp_image(&in, &pose, &many, NULL, pool);
    for (int y = 0; y < 260; y++)
        assert_memory_equal(rf_image_row(&one, y), rf_image_row(&many, y), 517 * 3 * sizeof(float));
    for (int y = 0; y < 260; y += 7) /* any split */
        rf_warp_rows(&in, &pose, 517, y, y + 7 < 260 ? y + 7 : 260, rf_image_row_f32(&many, y),
                     many.stride_bytes / sizeof(float));
    for (int y = 0; y < 260; y++)
        assert_memory_equal(rf_image_row(&one, y), rf_image_row(&many, y), 517 * 3 * sizeof(float));
    rf_pool_destroy(&pool);
    rf_image_free(&in);
    rf_image_free(&one);
    rf_image_free(&many);
}

/* Luma shares weights among neighbours: it is that of the colours to within what a 64th of a pixel changes, and the
 * same whatever piece it is read in. */
static void luma_is_that_of_the_colours_in_any_piece(void **state)
{
    (void)state;
    enum { W = 200, H = 150 };
    static const double turns[] = {0, 1e-5, 0.0026, -0.02, 0.2}; /* the last takes the slow way */
    static float colour[H][3 * W], luma[H][W], piece[H][W];
    static int covered[H][2];
    for (int channels = 1; channels <= 3; channels += 2)
        for (int t = 0; t < 5; t++) {
            rf_image in = {0};
            new_image(&in, W, H, channels, RF_U8);
            draw(&in);
            rf_pose pose = rf_pose_similarity(1.004, turns[t], 1.3, -0.6, W, H);
            pose.gain[0] = 1.1;
            rf_warp_spans(&pose, W, H, W, H, covered);
            rf_source source = rf_warp_source(&in, &pose, W, H, (const int(*)[2])covered);
            source.read(&source, (rf_piece){0, 0, W, H}, RF_PIECE_COLOUR, colour[0], 3 * W);
            source.read(&source, (rf_piece){0, 0, W, H}, RF_PIECE_LUMA, luma[0], W);
            double square = 0, most = 0;
            for (int y = 0; y < H; y++)
                for (int x = 0; x < W; x++) {
                    const float *c = colour[y] + channels * x;
                    double want = channels == 1 ? c[0] : 0.299 * c[0] + 0.587 * c[1] + 0.114 * c[2];
                    double off = fabs(want - luma[y][x]);
                    square += off * off;
                    most = off > most ? off : most;
                }
            assert_true(most < 1.2 / 255 && sqrt(square / (W * H)) < 0.3 / 255);
            for (int y = 0; y < H; y += 37) {
                int rows = H - y < 37 ? H - y : 37;
                for (int x = 0; x < W; x += RF_PIECE_COLUMNS) {
                    rf_piece part = {x, y, W - x < RF_PIECE_COLUMNS ? W - x : RF_PIECE_COLUMNS, rows};
                    source.read(&source, part, RF_PIECE_LUMA, piece[y] + x, W);
                }
            }
            assert_memory_equal(piece, luma, sizeof luma);
            rf_image_free(&in);
        }
}

static void small_frames_and_far_poses_are_not_covered_and_read_nothing_outside(void **state)
{
    (void)state;
    static const int sizes[][2] = {{1, 1}, {5, 5}, {6, 6}, {2, 300}, {300, 3}, {129, 33}};
    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++)
        for (int p = 0; p < 5; p++) {
            int w = sizes[i][0], h = sizes[i][1];
            rf_image in = {0}, out = {0}, covered = {0};
            new_image(&in, w, h, 3, RF_U8);
            new_image(&out, w, h, 3, RF_F32);
            new_image(&covered, w, h, 1, RF_U8);
            draw(&in);
            rf_pose pose = rf_pose_similarity(1 + 0.01 * p, 0.01 * p, p == 4 ? 1e7 : 0.3, p == 3 ? -1e7 : 0.4, w, h);
            rf_warp_image(&in, &pose, &out, &covered, NULL);
            for (int y = 0; y < h; y++)
                for (int x = 0; x < w; x++)
                    if (((uint8_t *)rf_image_row(&covered, y))[x] == 0)
                        assert_true(rf_image_row_f32(&out, y)[3 * x] == 0);
                    else
                        assert_true(w >= 6 && h >= 6 && p < 3);
            rf_image_free(&in);
            rf_image_free(&out);
            rf_image_free(&covered);
        }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(identity_pose_copies_every_sample_type_exactly),
        cmocka_unit_test(whole_pixel_shift_copies_and_covers_what_the_frame_has),
        cmocka_unit_test(weights_sum_to_one_and_are_exact_on_the_pixel),
        cmocka_unit_test(span_is_what_the_kernel_can_reach),
        cmocka_unit_test(two_passes_agree_with_the_36_taps_to_a_quarter_of_a_level),
        cmocka_unit_test(scene_is_carried_to_within_its_band_error),
        cmocka_unit_test(threads_and_splits_give_the_same_bytes),
        cmocka_unit_test(luma_is_that_of_the_colours_in_any_piece),
        cmocka_unit_test(small_frames_and_far_poses_are_not_covered_and_read_nothing_outside),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

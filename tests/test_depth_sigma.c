/* How sure depth is: the deviation told by the map itself, on maps whose noise is known; and that it moves along with
 * the parallel view. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "depth/state.h"
#include "near.h"
#include "railfold/parallel.h"

enum { SIDE = 240, HALF = SIDE / 2 };

/* A normal deviate out of a fixed sequence (Box and Muller, Ann. Math. Stat. 29, 1958). */
static double normal(uint32_t *state)
{
    double u[2];
    for (int i = 0; i < 2; i++) {
        *state = *state * 1664525u + 1013904223u;
        u[i] = (*state / 256 + 0.5) / 16777216.0;
    }
    return sqrt(-2 * log(u[0])) * cos(6.283185307179586 * u[1]);
}

/* A plane that slopes by 0.02 steps a pixel, independent noise from one energy pixel to the next, and from column
 * `cliff` on another surface five steps farther. */
static rf_image make_map(double noise, int cliff)
{
    rf_image map = {0};
    uint32_t state = 7;
    assert_int_equal(rf_image_alloc(&map, SIDE, SIDE, 1, RF_F32, "a test map", NULL), RF_OK);
    for (int y = 0; y < SIDE; y += 2)
        for (int x = 0; x < SIDE; x += 2) {
            double z = 3 + 0.02 * x - 0.01 * y + noise * normal(&state) + (x >= cliff ? 5 : 0);
            for (int n = 0; n < 4; n++)
                rf_image_row_f32(&map, y + n / 2)[x + n % 2] = (float)z;
        }
    return map;
}

static rf_deviation deviation_of(double noise, int cliff)
{
    rf_deviation found = {{0}, {0}};
    const rf_depth d = {.width = SIDE, .height = SIDE, .cell = 2, .energy_width = HALF, .energy_height = HALF};
    rf_image map = make_map(noise, cliff);
    assert_int_equal(rf_deviation_find(&d, &map, &found, NULL), RF_OK);
    rf_image_free(&map);
    return found;
}

static double mean_of(const rf_image *plane, int left, int right)
{
    double sum = 0;
    for (int j = 0; j < HALF; j++)
        for (int i = left; i < right; i++)
            sum += (double)rf_image_row_f32(plane, j)[i];
    return sum / (HALF * (right - left));
}

/* 0.02 step is always there; a mean over a window of some 100 places strays by a few per cent, the mean of
 * all by less than one. */
static void the_deviation_is_that_of_the_noise_whatever_the_slope(void **state)
{
    (void)state;
    for (double noise = 0.02; noise < 0.3; noise *= 3) {
        rf_deviation found = deviation_of(noise, SIDE);
        assert_near(mean_of(&found.steps, 0, HALF) / hypot(noise, 0.02), 1, 0.03);
        rf_deviation_free(&found);
    }
}

/* Ten energy pixels are out of reach of the edge's own term (0.2 exp(-10 / 1.5)) and of the window. */
static void a_cliff_is_no_noise_but_uncertain_beside(void **state)
{
    (void)state;
    rf_deviation found = deviation_of(0.05, SIDE / 2);
    int cliff = HALF / 2;
    assert_near(mean_of(&found.steps, cliff + 12, HALF) / hypot(0.05, 0.02), 1, 0.05);
    assert_near(mean_of(&found.steps, 0, cliff - 12) / hypot(0.05, 0.02), 1, 0.05);
    assert_true(mean_of(&found.steps, cliff - 1, cliff + 1) > 0.2);
    for (int i = cliff; i < cliff + 6; i++)
        assert_true(mean_of(&found.steps, i, i + 1) > mean_of(&found.steps, i + 1, i + 2));
    rf_deviation_free(&found);
}

static void threads_do_not_change_a_byte(void **state)
{
    (void)state;
    rf_deviation one = deviation_of(0.05, SIDE / 2), two = {{0}, {0}};
    rf_depth d = {.width = SIDE, .height = SIDE, .cell = 2, .energy_width = HALF, .energy_height = HALF};
    rf_image map = make_map(0.05, SIDE / 2);
    assert_int_equal(rf_pool_create(&d.pool, 3, NULL), RF_OK);
    assert_int_equal(rf_deviation_find(&d, &map, &two, NULL), RF_OK);
    for (int j = 0; j < HALF; j++)
        assert_memory_equal(rf_image_row(&one.steps, j), rf_image_row(&two.steps, j), HALF * sizeof(float));
    rf_image_free(&map);
    rf_deviation_free(&one);
    rf_deviation_free(&two);
    rf_pool_destroy(&d.pool);
}

/* A peak is told between frames as it is told on one: the curve is that of the take maker's and of photographed
 * texture, amplitude 1 / (1 + u^2 / 2), where u is the distance from focus in steps. */
static void a_peak_is_found_wherever_it_lies_between_the_frames(void **state)
{
    (void)state;
    for (float at = -0.5f; at <= 0.5f; at += 0.125f) {
        float e[RF_FIT_POINTS];
        int frames[RF_FIT_POINTS];
        for (int i = 0; i < RF_FIT_POINTS; i++) {
            float u = (float)(i - RF_FIT_CENTRE) - at, amplitude = 1 / (1 + 0.5f * u * u);
            e[i] = amplitude * amplitude;
            frames[i] = 10 + i - RF_FIT_CENTRE;
        }
        assert_near((double)rf_peak_position(e, frames, RF_FIT_POINTS, RF_FIT_CENTRE), 10 + (double)at, 1e-4);
    }
}

/* Where a frame is left out the next is two steps away, and a peak may lie a whole step from the sharpest frame. */
static void a_peak_may_lie_half_way_to_a_neighbour_that_is_two_steps_off(void **state)
{
    static const int frames[RF_FIT_POINTS] = {3, 4, 5, 7, 8};
    float e[RF_FIT_POINTS];
    (void)state;
    for (int i = 0; i < RF_FIT_POINTS; i++) {
        float u = (float)frames[i] - 5.875f, amplitude = 1 / (1 + 0.5f * u * u);
        e[i] = amplitude * amplitude;
    }
    assert_near((double)rf_peak_position(e, frames, RF_FIT_POINTS, RF_FIT_CENTRE), 5.875, 1e-3);
}

/* Sigma is the pixel's own, moved; a place that nothing reached is as unsure as its gap is deep. */
static void sigma_moves_with_its_pixel_into_the_parallel_view(void **state)
{
    (void)state;
    rf_image picture = {0}, depth = {0}, confidence = {0}, sigma = {0};
    rf_image *plane[] = {&picture, &depth, &confidence, &sigma};
    for (int i = 0; i < 4; i++)
        assert_int_equal(rf_image_alloc(plane[i], 101, 101, 1, RF_F32, "a test map", NULL), RF_OK);
    for (int y = 0; y < 101; y++)
        for (int x = 0; x < 101; x++) {
            rf_image_row_f32(&depth, y)[x] =
                abs(x - 50) <= 10 ? 10.0f : 20.0f; /* a bar; the ground beside it moves outwards */
            rf_image_row_f32(&confidence, y)[x] = 1;
            rf_image_row_f32(&sigma, y)[x] = abs(x - 50) <= 10 ? 0.25f : 0.125f;
        }
    const rf_parallel_maps maps = {&picture, &depth, &confidence, &sigma};
    rf_parallel_result moved = {{0}, {0}, {0}, {0}};
    assert_int_equal(rf_parallel_view(&maps, 10, 1.03, 0, &moved, NULL, NULL), RF_OK);
    int gap = 0;
    for (int x = 1; x < 100; x++) { /* beside the border nothing tells how deep a gap is */
        float z = rf_image_row_f32(&moved.depth, 50)[x], s = rf_image_row_f32(&moved.sigma, 50)[x];
        int filled = rf_image_row_f32(&moved.confidence, 50)[x] == 0.0f;
        gap += filled;
        if (!filled)
            assert_near((double)s, z == 10.0f ? 0.25 : 0.125, 0);
        else
            assert_near((double)s, 10, 0); /* from the ground at 20 to the bar at 10 */
        assert_true(z == 10.0f || z == 20.0f);
    }
    assert_near(gap, 6, 2); /* ground at 61 goes to 64.3, and at 39 to 35.7 */
    for (int i = 0; i < 4; i++)
        rf_image_free(plane[i]);
    rf_parallel_free(&moved);
}

/* Many places at once and several frames a visit: the peaks of each curve alone, kept one after the other. */
static void peaks_of_many_places_are_those_of_each_curve(void **state)
{
    (void)state;
    enum { PLACES = 700 };
    uint32_t seed = 5;
    rf_depth d = {.energy_width = PLACES, .energy_height = 1, .ring_count = RF_RING};
    d.focus = calloc(PLACES, sizeof *d.focus);
    assert_non_null(d.focus);
    for (int r = 0; r < RF_RING; r++) {
        assert_int_equal(rf_image_alloc(&d.ring[r], PLACES, 1, 1, RF_F32, "a test plane", NULL), RF_OK);
        d.ring_frame[r] = r < 5 ? r : r + 1; /* one was left out */
        for (int i = 0; i < PLACES; i++)     /* now and then a frame does not reach a place */
            rf_image_row_f32(&d.ring[r], 0)[i] = (float)(normal(&seed) > 2.2 ? 0 : exp(normal(&seed)));
    }
    rf_peaks_take(&d, 0, 3);
    rf_peaks_take(&d, 3, RF_RING);
    for (int i = 0; i < PLACES; i++) {
        float e[RF_RING];
        rf_peak best[RF_DEPTH_PEAKS] = {{0}};
        for (int r = 0; r < RF_RING; r++)
            e[r] = rf_image_row_f32(&d.ring[r], 0)[i];
        for (int r = 0; r < RF_RING; r++) {
            int first = r < 2 ? 0 : r > RF_RING - 4 ? RF_RING - RF_FIT_POINTS : r - 2, last = r + 2;
            last = last < RF_RING ? last : RF_RING - 1;
            if ((r > 0 && !(e[r - 1] < e[r] && e[r - 1] > 0)) ||
                (r + 1 < RF_RING && !(e[r + 1] <= e[r] && e[r + 1] > 0)) || !(e[r] > 0))
                continue;
            rf_peak peak = {rf_peak_position(e + first, d.ring_frame + first, last - first + 1, r - first), e[r]};
            for (int p = 0; p < RF_DEPTH_PEAKS; p++)
                if (peak.energy > best[p].energy) {
                    rf_peak swap = best[p];
                    best[p] = peak;
                    peak = swap;
                }
        }
        assert_memory_equal(d.focus[i].peak, best, sizeof best);
    }
    for (int r = 0; r < RF_RING; r++)
        rf_image_free(&d.ring[r]);
    free(d.focus);
}

static int by_size(const void *a, const void *b)
{
    float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

static void extremes_and_medians_are_those_of_the_neighbourhood(void **state)
{
    (void)state;
    enum { W = 530, H = 70 };
    uint32_t seed = 9;
    rf_image in = {0}, out = {0};
    assert_int_equal(rf_image_alloc(&in, W, H, 1, RF_F32, "a test plane", NULL), RF_OK);
    assert_int_equal(rf_image_alloc(&out, W, H, 1, RF_F32, "a test plane", NULL), RF_OK);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            rf_image_row_f32(&in, y)[x] = (float)normal(&seed);
    for (int t = 0; t < 3; t++) {
        float radius = t == 0 ? 2.5f : 6.0f, sign = t == 2 ? -1.0f : 1.0f;
        rf_plane_extreme(&in, &out, radius, sign, NULL);
        for (int y = 0; y < H; y++)
            for (int x = 0; x < W; x++) {
                float best = INFINITY;
                for (int j = 0; j < H; j++)
                    for (int i = x > 6 ? x - 6 : 0; i <= x + 6 && i < W; i++)
                        if ((float)((i - x) * (i - x) + (j - y) * (j - y)) <= radius * radius)
                            best = fminf(best, sign * rf_image_row_f32(&in, j)[i]);
                assert_true(rf_image_row_f32(&out, y)[x] == sign * best);
            }
    }
    rf_plane_median(&in, &out, NULL);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
            float v[9];
            for (int n = 0; n < 9; n++)
                v[n] =
                    rf_image_row_f32(&in, rf_clamp_int(y + n / 3 - 1, 0, H - 1))[rf_clamp_int(x + n % 3 - 1, 0, W - 1)];
            qsort(v, 9, sizeof *v, by_size);
            assert_true(rf_image_row_f32(&out, y)[x] == v[4]);
        }
    rf_image_free(&in);
    rf_image_free(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_deviation_is_that_of_the_noise_whatever_the_slope),
        cmocka_unit_test(a_cliff_is_no_noise_but_uncertain_beside),
        cmocka_unit_test(threads_do_not_change_a_byte),
        cmocka_unit_test(a_peak_is_found_wherever_it_lies_between_the_frames),
        cmocka_unit_test(a_peak_may_lie_half_way_to_a_neighbour_that_is_two_steps_off),
        cmocka_unit_test(peaks_of_many_places_are_those_of_each_curve),
        cmocka_unit_test(extremes_and_medians_are_those_of_the_neighbourhood),
        cmocka_unit_test(sigma_moves_with_its_pixel_into_the_parallel_view),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

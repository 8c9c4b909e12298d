/* test_merge.c - laws of the pyramid, and the depth-led merge. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "failing_memory.h"
#include "merge_scene.h"
#include "test_picture.h"
#include "near.h"
#include "railfold/memory.h"
#include "railfold/merge.h"

/* ---- pyramid ---- */

static void collapse_of_an_untouched_pyramid_is_the_picture(void **state)
{
    (void)state;
    const int sizes[][2] = {{64, 48}, {65, 49}, {7, 5}, {1, 9}, {2, 2}, {1, 1}, {130, 3}};
    for (size_t s = 0; s < sizeof sizes / sizeof sizes[0]; s++) {
        rf_image g = make(sizes[s][0], sizes[s][1], 3), back = make(sizes[s][0], sizes[s][1], 3);
        rf_image half = make((sizes[s][0] + 1) / 2, (sizes[s][1] + 1) / 2, 3);
        fill_noise(&g, 5, 0, 1);
        fill_noise(&back, 5, 0, 1);
        assert_int_equal(rf_pyramid_reduce(&g, &half, NULL, NULL), RF_OK);
        assert_int_equal(rf_pyramid_expand(&half, &back, -1, NULL, NULL), RF_OK); /* the band */
        assert_int_equal(rf_pyramid_expand(&half, &back, +1, NULL, NULL), RF_OK); /* collapse */
        assert_near(worst(&g, &back), 0, 1e-6);                                   /* float rounding only */
        rf_image_free(&g);
        rf_image_free(&half);
        rf_image_free(&back);
    }
}

static void a_constant_stays_constant_through_reduce_and_expand(void **state)
{
    (void)state;
    rf_image g = make(37, 21, 1), half = make(19, 11, 1), back = make(37, 21, 1);
    fill_noise(&g, 1, 0.25f, 0.25f);
    assert_int_equal(rf_pyramid_reduce(&g, &half, NULL, NULL), RF_OK);
    assert_int_equal(rf_pyramid_expand(&half, &back, 0, NULL, NULL), RF_OK);
    assert_near(worst(&g, &back), 0, 1e-6);
    rf_image_free(&g);
    rf_image_free(&half);
    rf_image_free(&back);
}

/* ---- merging ---- */

static void identical_frames_merge_to_themselves(void **state)
{
    (void)state;
    for (int channels = 1; channels <= 3; channels += 2) {
        scene s;
        start(&s, channels, 1, 1, 5);
        rf_image frame = make(W, H, channels);
        fill_noise(&frame, 9, 0, 1);
        fill_noise(&s.depth, 4, 2, 2); /* one surface: nothing to unveil */
        begin(&s, &frame);
        for (int k = 0; k < 5; k++)
            add(&s, k, &frame);
        assert_near(worst(rf_merge_finish(s.merge), &frame), 0, 1e-5); /* a hundredth of an 8-bit level */
        rf_image_free(&frame);
        stop(&s);
    }
}

/* The weights must follow depth: a frame far from a pixel's depth, wholly wrong there, leaves less than one 8-bit
 * level. */
static void frames_far_from_the_depth_do_not_show(void **state)
{
    (void)state;
    scene s;
    start(&s, 1, 1, 0, 8);
    s.settings.noise = 0.002f;
    rf_image right = make(W, H, 1), wrong = make(W, H, 1);
    fill_noise(&right, 21, 0.2f, 0.8f);
    fill_noise(&wrong, 22, 0.2f, 0.8f);
    fill_noise(&s.depth, 4, 3, 3);
    begin(&s, &right);
    for (int k = 0; k < 8; k++)
        add(&s, k, abs(k - 3) <= 2 ? &right : &wrong);
    const rf_image *merged = rf_merge_finish(s.merge);
    double sum = 0;
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            sum += fabs((double)(rf_image_row_f32(merged, y)[x] - rf_image_row_f32(&right, y)[x]));
    assert_true(sum / (W * H) < 1.0 / 255); /* where detail is strong nothing from beyond two steps and a half counts */
    rf_image_free(&right);
    rf_image_free(&wrong);
    stop(&s);
}

/* What the frames focused nearby do not cover is filled by whichever does, however far; nothing is invented. */
static void a_pixel_is_filled_by_the_frames_that_cover_it(void **state)
{
    (void)state;
    scene s;
    start(&s, 1, 1, 0, 12);
    rf_image dark = make(W, H, 1), light = make(W, H, 1), textured = make(W, H, 1);
    fill_noise(&textured, 7, 0, 1); /* narrow focus ranges: the light frame lies out of reach */
    fill_noise(&dark, 1, 0.25f, 0.25f);
    fill_noise(&light, 1, 0.75f, 0.75f);
    s.covers[0] = (rf_merge_cover){0, 0, 40, H};
    s.covers[11] = (rf_merge_cover){40, 0, W - 10, H};
    for (int k = 1; k < 11; k++)
        s.covers[k] = (rf_merge_cover){0, 0, 0, 0}; /* left out */
    begin(&s, &textured);
    fill_spans(s.spans, H, 0, 40);
    add(&s, 0, &dark);
    fill_spans(s.spans, H, 30, W - 10);
    add(&s, 11, &light);
    const rf_image *merged = rf_merge_finish(s.merge);
    assert_near(rf_image_row_f32(merged, 5)[39], 0.25, 1e-6); /* both cover it: the one at its depth counts */
    assert_near(rf_image_row_f32(merged, 5)[40], 0.75, 1e-6);
    assert_near(rf_image_row_f32(merged, 5)[W - 1], 0, 0); /* no border is invented */
    rf_image_free(&dark);
    rf_image_free(&light);
    rf_image_free(&textured);
    stop(&s);
}

static int pieces_read;

static void count_and_read(const rf_source *source, rf_piece piece, rf_piece_kind kind, float *out,
                           size_t stride_floats)
{
    pieces_read++;
    rf_source whole = rf_source_of_image(source->frame, source->covered);
    whole.read(&whole, piece, kind, out, stride_floats);
}

static void tiles_out_of_reach_are_not_asked_for(void **state)
{
    (void)state;
    scene s;
    start(&s, 1, 1, 0, 12);
    rf_image frame = make(W, H, 1);
    fill_noise(&frame, 7, 0, 1);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            rf_image_row_f32(&s.depth, y)[x] = x < 64 ? 1 : 10;
    begin(&s, &frame);
    rf_source source = rf_source_of_image(&frame, (const int(*)[2])s.spans);
    source.read = count_and_read;
    /* Tiles are 64 px: one column of two near, two far; texture takes what lies within two steps and a half. */
    const int wanted[12] = {2, 2, 2, 2, 0, 0, 0, 0, 4, 4, 4, 4};
    for (int k = 0; k < 12; k++) {
        pieces_read = 0;
        rf_merge_add(s.merge, k, &source);
        assert_int_equal(pieces_read, wanted[k]);
    }
    const rf_image *merged = rf_merge_finish(s.merge);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            if (x != 63 && x != 64) /* across the outline both surfaces show (test_antialias.c) */
                assert_near(rf_image_row_f32(merged, y)[x], rf_image_row_f32(&frame, y)[x], 1e-5);
    rf_image_free(&frame);
    stop(&s);
}

static void threads_do_not_change_a_byte(void **state)
{
    (void)state;
    rf_image kept = make(W, H, 3);
    for (int threads = 1; threads <= 3; threads++) {
        scene s;
        start(&s, 3, threads, 1, 7);
        rf_image frame = make(W, H, 3);
        fill_noise(&s.depth, 4, 0, 6);
        fill_noise(&frame, 77, 0, 1);
        begin(&s, &frame);
        for (int k = 0; k < 7; k++) {
            fill_noise(&frame, (unsigned)k, 0, 1);
            add(&s, k, &frame);
        }
        const rf_image *merged = rf_merge_finish(s.merge);
        for (int y = 0; y < H; y++) {
            if (threads == 1)
                memcpy(rf_image_row(&kept, y), rf_image_row(merged, y), W * 3 * sizeof(float));
            else
                assert_memory_equal(rf_image_row(&kept, y), rf_image_row(merged, y), W * 3 * sizeof(float));
        }
        rf_image_free(&frame);
        stop(&s);
    }
    rf_image_free(&kept);
}

static void memory_is_what_the_formula_says(void **state)
{
    (void)state;
    for (int channels = 1; channels <= 3; channels += 2) {
        scene s;
        size_t outside = rf_memory_held();
        start(&s, channels, 1, 1, 5);
        rf_image model = make(W, H, 3); /* a near view has three channels, whatever the frames have */
        fill_noise(&model, 3, 0, 1);
        size_t before = rf_memory_held() - (size_t)H * model.stride_bytes;
        rf_memory_reset_peak();
        assert_int_equal(rf_merge_create(&s.merge, &s.settings, s.covers, &s.depth, &model, s.pool, NULL), RF_OK);
        (void)rf_merge_finish(s.merge);
        /* rows are padded to 64 bytes, a seventh of a row of the smallest kind; scratch and tables besides */
        assert_true(rf_memory_peak() - before <= rf_merge_bytes(&s.settings) * 8 / 7 + ((size_t)1 << 20));
        stop(&s);
        assert_int_equal(rf_memory_held(), outside);
    }
}

static void every_failed_allocation_is_reported_and_nothing_leaks(void **state)
{
    (void)state;
    failing_memory memory = failing_memory_start();
    rf_status status;
    rf_error err;
    do {
        scene s;
        err = (rf_error){0};
        start(&s, 3, 1, 1, 5);
        rf_image model = make(W, H, 3);
        failing_memory_arm(&memory);
        status = rf_merge_create(&s.merge, &s.settings, s.covers, &s.depth, &model, s.pool, &err);
        assert_null(model.data);
        stop(&s);
    } while (failing_memory_goes_on(&memory, status, &err));
    assert_true(memory.failures > 10);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(collapse_of_an_untouched_pyramid_is_the_picture),
        cmocka_unit_test(a_constant_stays_constant_through_reduce_and_expand),
        cmocka_unit_test(identical_frames_merge_to_themselves),
        cmocka_unit_test(frames_far_from_the_depth_do_not_show),
        cmocka_unit_test(a_pixel_is_filled_by_the_frames_that_cover_it),
        cmocka_unit_test(tiles_out_of_reach_are_not_asked_for),
        cmocka_unit_test(threads_do_not_change_a_byte),
        cmocka_unit_test(memory_is_what_the_formula_says),
        cmocka_unit_test(every_failed_allocation_is_reported_and_nothing_leaks),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* test_stack.c - what a merge holds, against the formula of stack.h. */
#include "jpeg_fixture.h"
#include "railfold/memory.h"
#include "railfold/stack.h"

enum { WIDTH = 3008, HEIGHT = 640, FRAMES_MOST = 9 }; /* wide enough for reduced lumas, and a look at them */

/* One picture of dots, a little softer and farther right from frame to frame. */
static void draw(const char *path, int k)
{
    rf_image image = {0};
    rf_error err = {0};
    assert_int_equal(rf_image_alloc(&image, WIDTH, HEIGHT, 3, RF_U8, "a frame", &err), RF_OK);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            uint32_t cell = (uint32_t)((x - k + 16) / 11) * 2654435761u + (uint32_t)(y / 11) * 40503u;
            cell = (cell ^ cell >> 15) * 2246822519u;
            cell = (cell ^ cell >> 13) * 3266489917u;
            uint8_t *p = (uint8_t *)rf_image_row(&image, y) + 3 * x;
            for (int c = 0; c < 3; c++)
                p[c] = (uint8_t)(60 + (cell >> 25) + (uint32_t)(10 * c));
        }
    jpeg_make(path, &image, (jpeg_kind){JCS_RGB, JCS_YCbCr, 2, 2, 0, 0, 90}, NULL, 0);
    rf_image_free(&image);
}

/* Merges, with or without the maps beside the depth; the most that is held, beyond what was before. */
static size_t merge(int frames, int with_maps, int threads)
{
    char paths[FRAMES_MOST][256], output[256], depth[256], confidence[256], sigma[256];
    const char *list[FRAMES_MOST];
    rf_run_report report;
    rf_error err = {0};
    rf_merge_options options = rf_merge_options_default();
    for (int k = 0; k < frames; k++) {
        char name[32];
        (void)snprintf(name, sizeof name, "stack%02d.jpg", k);
        (void)snprintf(paths[k], sizeof paths[k], "%s", scratch_path(name));
        draw(paths[k], k);
        list[k] = paths[k];
    }
    (void)snprintf(output, sizeof output, "%s", scratch_path("stack.tif"));
    (void)snprintf(depth, sizeof depth, "%s", scratch_path("depth.tif"));
    (void)snprintf(confidence, sizeof confidence, "%s", scratch_path("confidence.tif"));
    (void)snprintf(sigma, sizeof sigma, "%s", scratch_path("sigma.tif"));
    options.frames = list;
    options.frame_count = frames;
    options.output = output;
    options.depth = depth;
    options.confidence = with_maps ? confidence : NULL;
    options.sigma = with_maps ? sigma : NULL;
    options.threads = threads;
    options.force = 1;
    options.digests = 1;
    rf_run_report_init(&report);
    size_t before = rf_memory_held();
    if (rf_stack_merge(&options, &report, &err) != RF_OK)
        fail_msg("%s", err.text);
    size_t peak = report.peak_memory_bytes - before;
    assert_int_equal(report.output_count, with_maps ? 4 : 2);
    for (int i = 0; i < report.output_count; i++) {
        char sha256[RF_SHA256_TEXT_BYTES];
        assert_int_equal(rf_file_digest(report.outputs[i].file, sha256, NULL, &err), RF_OK);
        assert_string_equal(report.outputs[i].sha256, sha256);
    }
    rf_run_report_free(&report);
    return peak;
}

/* The formula's constants are 80 MiB (64 for the sensor, 16 for the rest): it promises no more than them too much. */
static void memory_keeps_to_the_formula_and_does_not_grow_with_frames(void **state)
{
    (void)state;
    size_t formula = rf_stack_memory_bytes(WIDTH, HEIGHT, 3, 1, 5, 2, RF_VIEW_PERSPECTIVE);
    size_t peak = merge(5, 1, 2), longer = merge(FRAMES_MOST, 1, 2);
    assert_true(peak <= formula);
    assert_true(formula - ((size_t)80 << 20) <= peak);
    assert_true((double)longer < 1.02 * (double)peak);
    assert_true(merge(5, 0, 2) <= peak);
}

/* Without them frames are read further ahead, and the depth alone is found. */
static void maps_that_are_not_asked_for_change_neither_picture_nor_depth(void **state)
{
    (void)state;
    static const char *const names[2] = {"stack.tif", "depth.tif"};
    uint8_t *with[2];
    size_t bytes[2], now;
    (void)merge(5, 1, 1);
    for (int i = 0; i < 2; i++)
        with[i] = file_load(scratch_path(names[i]), &bytes[i]);
    for (int threads = 1; threads <= 3; threads++) {
        (void)merge(5, 0, threads);
        for (int i = 0; i < 2; i++) {
            uint8_t *without = file_load(scratch_path(names[i]), &now);
            assert_int_equal(now, bytes[i]);
            assert_memory_equal(without, with[i], now);
            free(without);
        }
    }
    for (int i = 0; i < 2; i++)
        free(with[i]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(memory_keeps_to_the_formula_and_does_not_grow_with_frames),
        cmocka_unit_test(maps_that_are_not_asked_for_change_neither_picture_nor_depth),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

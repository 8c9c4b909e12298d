/* test_stack.c - what a merge holds, against the formula of stack.h. */
#include "jpeg_fixture.h"
#include "railfold/memory.h"
#include "railfold/stack.h"
#include "stack/run.h"

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

/* Depth compares the sharpness of frames: one decoded in colour for the sensor must be halved into the same as one that
 * is decoded as luma alone. Rounded each for itself, samples may differ by one. */
static void a_frame_of_the_sample_is_halved_like_the_others(void **state)
{
    (void)state;
    char path[256];
    rf_error err = {0};
    rf_image whole = {0}, luma[2] = {{0}}, half[2] = {{0}};
    int differ = 0;
    (void)snprintf(path, sizeof path, "%s", scratch_path("halved.jpg"));
    draw(path, 3);
    assert_int_equal(rf_frame_read(path, NULL, &whole, NULL, NULL, &err), RF_OK);
    assert_int_equal(rf_image_alloc(&luma[0], WIDTH, HEIGHT, 1, RF_U8, "a luma", &err), RF_OK);
    rf_image_luma(&whole, 1, &luma[0], NULL);
    assert_int_equal(rf_frame_read_luma_as(path, NULL, 1, RF_U8, &luma[1], NULL, NULL, &err), RF_OK);
    for (int i = 0; i < 2; i++) {
        assert_int_equal(rf_image_alloc(&half[i], WIDTH / 2, HEIGHT / 2, 1, RF_U8, "a half", &err), RF_OK);
        rf_image_halve(&luma[i], &half[i], NULL);
    }
    for (int y = 0; y < HEIGHT / 2; y++)
        for (int x = 0; x < WIDTH / 2; x++) {
            int difference = ((uint8_t *)rf_image_row(&half[0], y))[x] - ((uint8_t *)rf_image_row(&half[1], y))[x];
            assert_in_range(difference + 1, 0, 2);
            differ += difference != 0;
        }
    assert_true(differ < WIDTH * HEIGHT / 4 / 5); /* a fifth of all */
    rf_image_free(&whole);
    for (int i = 0; i < 2; i++) {
        rf_image_free(&luma[i]);
        rf_image_free(&half[i]);
    }
}

/* All frames' are kept of a take that is not too long, and only of frames large enough for depth to want them. */
static void halves_are_kept_of_large_frames_and_no_more_than_announced(void **state)
{
    (void)state;
    rf_run_report report = {.frame_count = 4 * RF_HALVES_BYTES};
    rf_frame_report frames[3] = {{0}};
    rf_image halves[3] = {{0}}, luma = {0};
    rf_run run = {.halves = halves};
    rf_error err = {0};
    report.frames = frames;
    run.take.report = &report;
    run.take.info.width = 2000;
    run.take.info.height = 3008;
    assert_int_equal(rf_run_halves_all(&run), 1);
    assert_int_equal(rf_run_reads_lumas(&run), 1);
    report.frame_count++;
    assert_int_equal(rf_run_halves_all(&run), 0);
    report.frame_count = 2 * RF_HALVES_BYTES;
    run.take.info.sample = RF_U16;
    assert_int_equal(rf_run_halves_all(&run), 1);
    report.frame_count++;
    assert_int_equal(rf_run_halves_all(&run), 0);
    report.frame_count = 3;
    run.take.info.height = 2990;
    assert_int_equal(rf_run_halves_all(&run), 0);
    assert_int_equal(rf_run_reads_lumas(&run), 1);
    run.take.info.height = 2100;
    assert_int_equal(rf_run_reads_lumas(&run), 0);
    assert_int_equal(rf_run_keeps_lumas(rf_run_luma_reduce(4400, 3000), 1), 1);
    assert_int_equal(rf_run_keeps_lumas(rf_run_luma_reduce(4399, 3000), 1), 0); /* the aligner would hold the most */
    assert_int_equal(rf_run_keeps_lumas(rf_run_luma_reduce(4400, 3000), 2), 0);
    frames[0].used = frames[2].used = 1;
    assert_int_equal(rf_image_alloc(&luma, 2100, 10, 1, RF_U8, "a luma", &err), RF_OK);
    assert_int_equal(rf_run_keep_half(&run, 0, &luma, NULL, &err), RF_OK);
    assert_null(halves[0].data); /* the aligner takes such frames whole */
    assert_int_equal(rf_image_alloc(&luma, 3000, 10, 1, RF_U8, "a luma", &err), RF_OK);
    assert_int_equal(rf_run_keep_half(&run, 0, &luma, NULL, &err), RF_OK);
    assert_int_equal(rf_run_has_halves(&run), 0);
    assert_int_equal(rf_run_keep_half(&run, 2, &luma, NULL, &err), RF_OK);
    assert_int_equal(rf_run_has_halves(&run), 1);
    assert_int_equal(halves[2].width, 1500);
    rf_run_forget_halves(&run);
    assert_null(halves[0].data);
    rf_image_free(&luma);
}

/* The lumas kept are repaired of what was found since, of nothing twice; what was halved before is of no use. */
static void dust_found_late_is_taken_out_of_what_is_kept(void **state)
{
    (void)state;
    enum { SIDE = 8 };
    static float gain[2][SIDE * SIDE];
    rf_run_report report = {.frame_count = 2};
    rf_image halves[2] = {{0}}, lumas[2] = {{0}};
    rf_dust_spot dust[2] = {{.left = 0, .top = 0, .side = SIDE, .gain = gain[0]},
                            {.left = 20, .top = 4, .side = SIDE, .gain = gain[1]}};
    rf_run run = {.halves = halves};
    rf_error err = {0};
    run.take.lumas = lumas;
    run.take.report = &report;
    run.take.info.width = run.take.info.height = 32;
    run.take.info.channels = 3;
    run.take.sensor = (rf_sensor_map){.width = 32, .height = 32, .channels = 3, .dust = dust, .dust_count = 2};
    for (int i = 0; i < SIDE * SIDE; i++)
        gain[0][i] = gain[1][i] = 0.8f;
    assert_int_equal(rf_image_alloc(&lumas[1], 32, 32, 1, RF_U8, "a luma", &err), RF_OK);
    assert_int_equal(rf_image_alloc(&halves[1], 16, 16, 1, RF_U8, "a half", &err), RF_OK);
    for (int y = 0; y < 32; y++)
        memset(rf_image_row(&lumas[1], y), 100, 32);
    assert_int_equal(rf_run_dust_found(&run, 2, &err), RF_OK);
    assert_non_null(halves[1].data);
    assert_int_equal(rf_run_dust_found(&run, 1, &err), RF_OK);
    assert_null(halves[1].data);
    assert_int_equal(((const uint8_t *)rf_image_row(&lumas[1], 3))[3], 100);
    double light = (double)rf_linear_from_coded(100 / 255.0f) / 0.8;
    int wanted = (int)(255 * (double)rf_coded_from_linear((float)light) + 0.5);
    assert_int_equal(((const uint8_t *)rf_image_row(&lumas[1], 6))[25], wanted);
    rf_image_free(&lumas[1]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(memory_keeps_to_the_formula_and_does_not_grow_with_frames),
        cmocka_unit_test(maps_that_are_not_asked_for_change_neither_picture_nor_depth),
        cmocka_unit_test(a_frame_of_the_sample_is_halved_like_the_others),
        cmocka_unit_test(halves_are_kept_of_large_frames_and_no_more_than_announced),
        cmocka_unit_test(dust_found_late_is_taken_out_of_what_is_kept),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

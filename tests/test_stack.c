/* test_stack.c - what a merge holds, against the formula of stack.h. */
#include "jpeg_fixture.h"
#include "railfold/memory.h"
#include "railfold/stack.h"

enum { WIDTH = 2240, HEIGHT = 800, FRAMES_MOST = 9 }; /* wide enough for reduced lumas in the aligner */

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

/* The most that is held, beyond what was before. */
static size_t peak_of(int frames)
{
    char paths[FRAMES_MOST][256], output[256];
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
    options.frames = list;
    options.frame_count = frames;
    options.output = output;
    options.threads = 2;
    options.force = 1;
    rf_run_report_init(&report);
    size_t before = rf_memory_held();
    if (rf_stack_merge(&options, &report, &err) != RF_OK)
        fail_msg("%s", err.text);
    size_t peak = report.peak_memory_bytes - before;
    rf_run_report_free(&report);
    return peak;
}

/* The formula's constants are 80 MiB (64 for the sensor, 16 for the rest): it promises no more than them too much. */
static void memory_keeps_to_the_formula_and_does_not_grow_with_frames(void **state)
{
    (void)state;
    size_t formula = rf_stack_memory_bytes(WIDTH, HEIGHT, 3, 1, 5, 2, RF_VIEW_PERSPECTIVE);
    size_t peak = peak_of(5), longer = peak_of(FRAMES_MOST);
    assert_true(peak <= formula);
    assert_true(formula - ((size_t)80 << 20) <= peak);
    assert_true((double)longer < 1.02 * (double)peak);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(memory_keeps_to_the_formula_and_does_not_grow_with_frames),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

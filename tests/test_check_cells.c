/* The grid of cells under the check, and what is read from it: how many there are in long takes, what a quarter of a
 * cell says between pixels, a motion that whole cells do not see, a line on the border of a cell. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "check_made.h"
#include "railfold/frame_io.h"
#include "railfold/memory.h"

/* ---- how many cells ---- */

static void write_picture(char path[64], int width, int height)
{
    rf_image image = {0};
    rf_error err = {0};
    assert_int_equal(rf_image_alloc(&image, width, height, 1, RF_U8, "a test frame", &err), RF_OK);
    (void)snprintf(path, 64, "/tmp/railfold-cells-%ld.png", (long)getpid());
    assert_int_equal(rf_picture_write(path, &image, NULL, NULL, 1, &err), RF_OK);
    rf_image_free(&image);
}

/* Opens a take that is the same picture `count` times over; how much memory that holds. */
static size_t cells_of_a_take(const char *path, int count, int *columns, int *rows)
{
    const char **list = malloc((size_t)count * sizeof *list);
    rf_check_options options = rf_check_options_default();
    rf_check_result result;
    rf_look look;
    rf_error err = {0};
    size_t held = rf_memory_held();
    assert_non_null(list);
    for (int k = 0; k < count; k++)
        list[k] = path;
    options.frames = list;
    options.frame_count = count;
    options.threads = 1;
    rf_check_result_init(&result);
    if (rf_look_open(&look, &options, &result, &err) != RF_OK)
        fail_msg("%s", err.text);
    *columns = look.columns;
    *rows = look.rows;
    size_t bytes = rf_memory_held() - held;
    rf_look_close(&look);
    rf_check_result_free(&result);
    free(list);
    return bytes;
}

/* check.h: 90 KiB a frame up to 400 frames, 45 MiB up to 6400, 6 KiB a frame past them. */
static void longer_takes_get_fewer_cells(void **state)
{
    (void)state;
    char path[64];
    int columns, rows;
    write_picture(path, 1200, 800);
    /* what the sensor's looks hold besides does not grow with the take */
    size_t besides = cells_of_a_take(path, 30, &columns, &rows) - 30u * 60 * 40 * sizeof(rf_cell);
    size_t bytes = cells_of_a_take(path, 400, &columns, &rows) - besides;
    assert_int_equal(columns, 60);
    assert_int_equal(rows, 40);
    assert_in_range(besides, 1, 64u << 20);
    assert_in_range(bytes, 400u * 60 * 40 * sizeof(rf_cell), 400u * 90 * 1024);
    (void)cells_of_a_take(path, 3, &columns, &rows);
    assert_int_equal(columns, 60);
    static const int counts[] = {401, 500, 1600, 6400};
    int before = 60;
    for (size_t i = 0; i < sizeof counts / sizeof *counts; i++) {
        bytes = cells_of_a_take(path, counts[i], &columns, &rows) - besides;
        assert_in_range(bytes, 1, 45u << 20);
        assert_in_range(columns, 15, before);
        before = columns;
    }
    bytes = cells_of_a_take(path, 9000, &columns, &rows);
    assert_int_equal(columns, 15);
    assert_int_equal(rows, 10);
    assert_in_range(15 * 10 * sizeof(rf_cell), 1, 6 * 1024);
    assert_int_equal(unlink(path), 0);
}

/* ---- quarters ---- */

/* On a ramp the mean of a quarter is the ramp at the quarter's middle, wherever between pixels it lies. */
static void quarters_are_read_between_pixels(void **state)
{
    (void)state;
    made *m = make();
    rf_image luma = {0};
    float *scratch = NULL;
    rf_error err = {0};
    int width = COLUMNS * CELL_PX, height = ROWS * CELL_PX;
    assert_int_equal(rf_image_alloc(&luma, width, height, 1, RF_F32, "luma", &err), RF_OK);
    assert_int_equal(rf_pool_create(&m->look.pool, 1, &err), RF_OK);
    assert_int_equal(rf_alloc_raw(&scratch, rf_cells_scratch(&m->look), sizeof *scratch, "scratch", &err), RF_OK);
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++)
            rf_image_row_f32(&luma, y)[x] = 0.1f + 0.004f * (float)x + 0.003f * (float)y;
    m->poses[2].tx = 3.4; /* the frame shows the reference's (x, y) at (x + 3.4, y - 1.7) */
    m->poses[2].ty = -1.7;
    rf_cells_measure(&m->look, 2, &luma, scratch);
    assert_true(cell_at(m, 2, 5, 0)->energy < 0); /* its top is out of the frame */
    for (int y = 1; y < ROWS - 1; y++)
        for (int x = 1; x < COLUMNS - 1; x++)
            for (int i = 0; i < 4; i++) {
                double middle_x = x * CELL_PX + (i % 2 ? 5.5 : 1.5) + 3.4,
                       middle_y = y * CELL_PX + (i / 2 ? 5.5 : 1.5) - 1.7;
                double expected = 0.1 + 0.004 * middle_x + 0.003 * middle_y;
                assert_true(fabs((double)cell_at(m, 2, x, y)->luma[i] - expected) < 1e-5);
            }
    rf_pool_destroy(&m->look.pool);
    rf_image_free(&luma);
    rf_free(scratch);
    drop(m);
}

static void motion_within_cells_is_found(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = make();
    light_quarters(m, 0.12);
    assert_int_equal(rf_find_moved(&m->look, &err), RF_OK);
    const rf_check_finding *f = found(m, RF_CHECK_MOVED);
    assert_non_null(f);
    assert_int_equal(f->frame_count, 1);
    assert_int_equal(f->frames[0], 4);
    assert_int_equal(f->place[0], 3 * CELL_PX);
    assert_int_equal(f->place[1], 2 * CELL_PX);
    assert_int_equal(f->place[2], 3 * CELL_PX);
    assert_int_equal(f->place[3], 4 * CELL_PX);
    drop(m);
    m = make();
    light_quarters(m, 0); /* focus alone */
    assert_int_equal(rf_find_moved(&m->look, &err), RF_OK);
    assert_int_equal(m->result.finding_count, 0);
    drop(m);
}

/* ---- a line on the border of a cell ---- */

static void focus_all_at(made *m, double focus)
{
    for (int k = 0; k < COUNT; k++)
        for (int i = 0; i < COLUMNS * ROWS; i++)
            m->cells[k * COLUMNS * ROWS + i].energy = (float)(0.01 * exp(-0.5 * (k - focus) * (k - focus)));
}

static void tell_peaks(made *m)
{
    for (int c = 0; c < COLUMNS * ROWS; c++) {
        int best = 0;
        for (int k = 1; k < COUNT; k++)
            if (m->cells[k * COLUMNS * ROWS + c].energy > m->cells[best * COLUMNS * ROWS + c].energy)
                best = k;
        m->peaks[c] = (rf_cell_peak){.frame = best, .position = (float)best, .energy = 0.01f};
    }
}

/* A plate in focus in the second frame, with an upright line: in the first frame it lies in column 5, in the others in
 * column 6. That is no start left out. A plate in focus before the first frame is. */
static void line_on_a_cells_border_is_no_uncovered_start(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = make();
    focus_all_at(m, 1.2);
    for (int k = 0; k < COUNT; k++)
        for (int y = 0; y < ROWS; y++)
            cell_at(m, k, k == 0 ? 5 : 6, y)->energy += 8 * cell_at(m, k, 0, y)->energy;
    tell_peaks(m);
    assert_int_equal(m->peaks[5].frame, 0);
    assert_int_equal(rf_find_cover(&m->look, &err), RF_OK);
    for (int i = 0; i < m->result.finding_count; i++)
        fail_msg("%s", m->result.findings[i].text);
    drop(m);
    m = make();
    focus_all_at(m, -0.5);
    tell_peaks(m);
    assert_int_equal(rf_find_cover(&m->look, &err), RF_OK);
    const rf_check_finding *f = found(m, RF_CHECK_UNCOVERED_START);
    assert_non_null(f);
    assert_int_equal(f->severity, RF_CHECK_FAULT);
    drop(m);
}

/* A subject sharpest midway between the first two frames, the first of them 12 % brighter. */
static void brighter_first_frame_is_no_uncovered_start(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = make();
    focus_all_at(m, 0.5);
    for (int c = 0; c < COLUMNS * ROWS; c++)
        m->cells[c].energy *= 1.12f * 1.12f;
    tell_peaks(m);
    assert_int_equal(m->peaks[5].frame, 0);
    m->poses[0].gain[0] = 1 / 1.12;
    assert_int_equal(rf_find_cover(&m->look, &err), RF_OK);
    for (int i = 0; i < m->result.finding_count; i++)
        fail_msg("%s", m->result.findings[i].text);
    m->poses[0].gain[0] = 1; /* were it no light */
    assert_int_equal(rf_find_cover(&m->look, &err), RF_OK);
    assert_non_null(found(m, RF_CHECK_UNCOVERED_START));
    drop(m);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(longer_takes_get_fewer_cells),
        cmocka_unit_test(quarters_are_read_between_pixels),
        cmocka_unit_test(motion_within_cells_is_found),
        cmocka_unit_test(line_on_a_cells_border_is_no_uncovered_start),
        cmocka_unit_test(brighter_first_frame_is_no_uncovered_start),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Which files are the frames of a take, and in which order. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "sequence_place.h"
#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "railfold/sequence.h"

/* Each test works in a folder of its own, which is also the current one. */
static void numbers_count_by_value(void **state)
{
    (void)state;
    static const char *const names[] = {"",
                                        "F2.jpg",
                                        "f",
                                        "f1.jpg",
                                        "f1a.jpg",
                                        "f2.jpg",
                                        "f9.jpg",
                                        "f10-2.jpg", /* '-' is a smaller byte than '.' */
                                        "f010-3.jpg",
                                        "f10.jpg",
                                        "f100.jpg",
                                        "f99999999999999999999999.jpg",
                                        "f100000000000000000000000.jpg",
                                        "fa.jpg",
                                        "g1.jpg"};
    for (size_t i = 0; i < sizeof names / sizeof *names; i++)
        for (size_t j = 0; j < sizeof names / sizeof *names; j++) {
            int order = rf_natural_compare(names[i], names[j]);
            if ((order > 0) - (order < 0) != (i > j) - (i < j))
                fail_msg("'%s' against '%s' gives %d", names[i], names[j], order);
        }
}

static void leading_zeros_never_make_two_names_equal(void **state)
{
    (void)state;
    assert_true(rf_natural_compare("f01.jpg", "f1.jpg") != 0);
    assert_true((rf_natural_compare("f01.jpg", "f1.jpg") > 0) == (rf_natural_compare("f1.jpg", "f01.jpg") < 0));
    assert_true(rf_natural_compare("f01.jpg", "f2.jpg") < 0);
    assert_true(rf_natural_compare("f002", "f01") > 0);
    assert_true(rf_natural_compare("f0", "f") > 0);
    assert_int_equal(rf_natural_compare("f7", "f7"), 0);
}

static void a_folder_gives_its_frames_in_natural_order(void **state)
{
    place *here = *state;
    assert_int_equal(mkdir("take", 0777), 0);
    write_jpeg_head("take/f10.jpg");
    write_jpeg_head("take/f9.jpg");
    write_jpeg_head("take/f1"); /* content counts, not the ending */
    write_jpeg_head("take/f2.jpg.bak");
    assert_int_equal(rf_sequence_from_folder(&here->sequence, "take/", &here->err), RF_OK);
    ASSERT_PATHS(&here->sequence, "take/f1", "take/f2.jpg.bak", "take/f9.jpg", "take/f10.jpg");
    assert_int_equal(here->sequence.left_out_count, 0);
}

static void what_is_no_frame_is_left_out_and_named(void **state)
{
    place *here = *state;
    static const char *const raw[] = {"a.CR2", "a.cr3", "a.NEF", "a.arw", "a.DNG",
                                      "a.raf", "a.orf", "a.rw2", "a.pef", "a.srw"};
    assert_int_equal(mkdir("take", 0777), 0);
    assert_int_equal(mkdir("take/inner.jpg", 0777), 0);
    assert_int_equal(mkfifo("take/pipe.jpg", 0666), 0); /* opening it would wait for ever */
    write_jpeg_head("take/f.jpg");
    write_jpeg_head("take/.f.jpg");
    write_text("take/notes.txt", "moss");
    write_text("take/empty", "");
    rf_image image = {0};
    assert_int_equal(rf_image_alloc(&image, 8, 8, 3, RF_U8, "a test picture", NULL), RF_OK);
    assert_int_equal(rf_picture_write("take/merged.tif", &image, NULL, NULL, 0, &here->err), RF_OK);
    assert_int_equal(rf_picture_write("take/merged.png", &image, NULL, NULL, 0, &here->err), RF_OK);
    assert_int_equal(rf_picture_write("take/merged.jpg", &image, NULL, NULL, 0, &here->err), RF_OK);
    rf_image_free(&image);
    for (size_t i = 0; i < sizeof raw / sizeof *raw; i++) {
        char path[64];
        (void)snprintf(path, sizeof path, "take/%s", raw[i]);
        write_bytes(path, "II*\0\x08\0\0\0", 8); /* many raw files are TIFF by content */
    }
    assert_int_equal(rf_sequence_from_folder(&here->sequence, "take", &here->err), RF_OK);
    ASSERT_PATHS(&here->sequence, "take/f.jpg");
    assert_int_equal(here->sequence.left_out_count, 8 + sizeof raw / sizeof *raw);
    assert_string_equal(why_left_out(&here->sequence, "take/.f.jpg"), "hidden");
    assert_string_equal(why_left_out(&here->sequence, "take/inner.jpg"), "a folder");
    assert_string_equal(why_left_out(&here->sequence, "take/pipe.jpg"), "not a regular file");
    assert_string_equal(why_left_out(&here->sequence, "take/notes.txt"), "not a picture");
    assert_string_equal(why_left_out(&here->sequence, "take/empty"), "not a picture");
    assert_string_equal(why_left_out(&here->sequence, "take/merged.tif"), "an output of railfold");
    assert_string_equal(why_left_out(&here->sequence, "take/merged.png"), "an output of railfold");
    assert_string_equal(why_left_out(&here->sequence, "take/merged.jpg"), "an output of railfold");
    for (size_t i = 0; i < sizeof raw / sizeof *raw; i++) {
        char path[64];
        (void)snprintf(path, sizeof path, "take/%s", raw[i]);
        assert_string_equal(why_left_out(&here->sequence, path), "camera raw file");
    }
}

/* A damaged frame that vanished in silence would cost the photographer a slice of the subject. */
static void a_damaged_frame_stays_in_the_take(void **state)
{
    place *here = *state;
    assert_int_equal(mkdir("take", 0777), 0);
    write_jpeg_head("take/f1.jpg");
    write_text("take/f2.JPG", "");
    write_text("take/f3.tif", "this is no picture");
    assert_int_equal(symlink("nowhere", "take/f4.png"), 0);
    assert_int_equal(rf_sequence_from_folder(&here->sequence, "take", &here->err), RF_OK);
    ASSERT_PATHS(&here->sequence, "take/f1.jpg", "take/f2.JPG", "take/f3.tif", "take/f4.png");
}

static void a_folder_without_frames_is_told(void **state)
{
    place *here = *state;
    assert_int_equal(rf_sequence_from_folder(&here->sequence, "nowhere", &here->err), RF_ERR_INPUT);
    assert_says(here, "nowhere");
    here->err = (rf_error){0};
    write_text("file", "");
    assert_int_equal(rf_sequence_from_folder(&here->sequence, "file", &here->err), RF_ERR_INPUT);
    assert_says(here, "file: it is not a folder");
    here->err = (rf_error){0};
    assert_int_equal(mkdir("empty", 0777), 0);
    assert_int_equal(rf_sequence_from_folder(&here->sequence, "empty", &here->err), RF_ERR_INPUT);
    assert_string_equal(here->err.text, "empty holds no frame (JPEG, PNG or TIFF)");
    here->err = (rf_error){0};
    write_text("empty/a.nef", "");
    assert_int_equal(rf_sequence_from_folder(&here->sequence, "empty", &here->err), RF_ERR_INPUT);
    assert_says(here, "camera raw");
}

static void named_files_keep_their_order_and_may_repeat(void **state)
{
    place *here = *state;
    static const char *const names[] = {"f2.jpg", "f10.jpg", "f2.jpg", "f1.jpg"};
    for (size_t i = 0; i < 4; i++)
        write_jpeg_head(names[i]);
    assert_int_equal(rf_sequence_from_paths(&here->sequence, names, 4, &here->err), RF_OK);
    ASSERT_PATHS(&here->sequence, "f2.jpg", "f10.jpg", "f2.jpg", "f1.jpg");
    rf_sequence_reverse(&here->sequence);
    ASSERT_PATHS(&here->sequence, "f1.jpg", "f2.jpg", "f10.jpg", "f2.jpg");
    assert_int_equal(rf_sequence_sort(&here->sequence, RF_ORDER_NAME, &here->err), RF_OK);
    ASSERT_PATHS(&here->sequence, "f1.jpg", "f2.jpg", "f2.jpg", "f10.jpg");
    rf_sequence_reverse(&here->sequence);
    ASSERT_PATHS(&here->sequence, "f10.jpg", "f2.jpg", "f2.jpg", "f1.jpg");
}

static void named_files_must_be_files(void **state)
{
    place *here = *state;
    static const struct {
        const char *name, *says;
    } cases[] = {{"missing.jpg", "missing.jpg: there is no such file"},
                 {"folder", "folder is a folder"},
                 {"pipe", "pipe is not a regular file"},
                 {"a.nef", "a.nef is a camera raw file"},
                 {"", "there is no such file"}};
    assert_int_equal(mkdir("folder", 0777), 0);
    assert_int_equal(mkfifo("pipe", 0666), 0);
    write_text("a.nef", "");
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        here->err = (rf_error){0};
        assert_int_equal(rf_sequence_from_paths(&here->sequence, &cases[i].name, 1, &here->err), RF_ERR_INPUT);
        assert_says(here, cases[i].says);
    }
    here->err = (rf_error){0};
    assert_int_equal(rf_sequence_from_paths(&here->sequence, NULL, 0, &here->err), RF_ERR_INPUT);
}

static rf_status read_list(place *here, const char *text, size_t bytes, int nul_separated)
{
    here->err = (rf_error){0};
    return rf_sequence_from_list(&here->sequence, text, bytes, nul_separated, "take.txt", &here->err);
}
/* The list is a string literal: its own NUL at the end is no part of it. */
#define READ_LIST(here, literal, nul_separated) read_list(here, literal, sizeof(literal) - 1, nul_separated)

static void lists_are_read_in_every_usual_form(void **state)
{
    place *here = *state;
    static const char *const names[] = {"a 1.jpg", "b\xff.jpg", " lead.jpg", "-dash.jpg", "two\nlines.jpg"};
    for (size_t i = 0; i < 5; i++)
        write_jpeg_head(names[i]);
    assert_int_equal(READ_LIST(here, "a 1.jpg\nb\xff.jpg\n", 0), RF_OK);
    ASSERT_PATHS(&here->sequence, "a 1.jpg", "b\xff.jpg");
    assert_int_equal(READ_LIST(here, "-dash.jpg\r\n\r\n\n lead.jpg", 0), RF_OK);
    ASSERT_PATHS(&here->sequence, "-dash.jpg", " lead.jpg");
    assert_int_equal(READ_LIST(here,
                               "\xef\xbb\xbf"
                               "a 1.jpg\n",
                               0),
                     RF_OK);
    ASSERT_PATHS(&here->sequence, "a 1.jpg");
    assert_int_equal(READ_LIST(here, "two\nlines.jpg\0a 1.jpg\0", 1), RF_OK);
    ASSERT_PATHS(&here->sequence, "two\nlines.jpg", "a 1.jpg");
    assert_int_equal(READ_LIST(here, "a 1.jpg", 1), RF_OK);
    ASSERT_PATHS(&here->sequence, "a 1.jpg");
}

static void a_bad_list_is_told_with_the_line(void **state)
{
    place *here = *state;
    write_jpeg_head("a.jpg");
    assert_int_equal(READ_LIST(here, "a.jpg\n\nmissing.jpg\n", 0), RF_ERR_INPUT);
    assert_string_equal(here->err.text, "the list take.txt, line 3: missing.jpg: there is no such file");
    assert_int_equal(READ_LIST(here, "a.jpg\0missing.jpg\0", 1), RF_ERR_INPUT);
    assert_string_equal(here->err.text, "the list take.txt, entry 2: missing.jpg: there is no such file");
    assert_int_equal(READ_LIST(here, "a.jpg\0a.jpg\0", 0), RF_ERR_INPUT);
    assert_says(here, "NUL");
    assert_int_equal(READ_LIST(here, "", 0), RF_ERR_INPUT);
    assert_int_equal(READ_LIST(here, "\r\n\n", 0), RF_ERR_INPUT);
    assert_string_equal(here->err.text, "the list take.txt names no frame");
}

static void capture_times_order_a_take_and_equal_ones_keep_the_names(void **state)
{
    place *here = *state;
    assert_int_equal(mkdir("take", 0777), 0);
    write_timed("take/f1.jpg", "2024:05:01 12:00:09");
    write_timed("take/f2.jpg", "2024:05:01 12:00:01");
    write_timed("take/f10.jpg", "2024:05:01 12:00:01");
    write_timed("take/f3.jpg", "2023:12:31 23:59:59");
    static const char *const names[] = {"take/f10.jpg", "take/f1.jpg", "take/f3.jpg", "take/f2.jpg"};
    assert_int_equal(rf_sequence_from_paths(&here->sequence, names, 4, &here->err), RF_OK);
    assert_int_equal(rf_sequence_sort(&here->sequence, RF_ORDER_TIME, &here->err), RF_OK);
    ASSERT_PATHS(&here->sequence, "take/f3.jpg", "take/f2.jpg", "take/f10.jpg", "take/f1.jpg");
}

static void a_frame_without_a_time_is_named_and_a_damaged_one_stays_beside_its_neighbour(void **state)
{
    place *here = *state;
    static const char *const names[] = {"f1.jpg", "f2.jpg", "f3.jpg"};
    write_timed("f1.jpg", "2024:05:01 12:00:09");
    write_text("f2.jpg", "damaged");
    write_timed("f3.jpg", "2024:05:01 12:00:01");
    assert_int_equal(rf_sequence_from_paths(&here->sequence, names, 3, &here->err), RF_OK);
    assert_int_equal(rf_sequence_sort(&here->sequence, RF_ORDER_TIME, &here->err), RF_OK);
    ASSERT_PATHS(&here->sequence, "f3.jpg", "f1.jpg", "f2.jpg");
    rf_image image = {0};
    assert_int_equal(rf_image_alloc(&image, 8, 8, 1, RF_U8, "a test picture", NULL), RF_OK);
    assert_int_equal(rf_picture_write("f2.jpg", &image, NULL, NULL, 1, &here->err), RF_OK);
    rf_image_free(&image);
    assert_int_equal(rf_sequence_sort(&here->sequence, RF_ORDER_TIME, &here->err), RF_ERR_INPUT);
    assert_says(here, "f2.jpg");
    assert_int_equal(here->sequence.count, 3);
}

/* Makes the header of a baseline JPEG claim that size, and the file so long that its bytes could hold it. */
static void claim_size(const char *path, unsigned side, off_t bytes)
{
    unsigned char head[4096];
    FILE *file = fopen(path, "r+b");
    assert_non_null(file);
    size_t got = fread(head, 1, sizeof head, file), at = 2;
    while (at + 9 < got && head[at + 1] != 0xc0) /* from one segment to the next, up to the frame header */
        at += 2 + ((size_t)head[at + 2] << 8 | head[at + 3]);
    assert_true(at + 9 < got);
    const unsigned char size[4] = {(unsigned char)(side >> 8), (unsigned char)side, (unsigned char)(side >> 8),
                                   (unsigned char)side};
    assert_int_equal(fseek(file, (long)at + 5, SEEK_SET), 0);
    assert_int_equal(fwrite(size, 1, sizeof size, file), sizeof size);
    assert_int_equal(fclose(file), 0);
    assert_int_equal(truncate(path, bytes), 0);
}

/* Its header was refused when the take was put in order: it stayed behind its neighbour by name, whatever its time. */
static void a_frame_above_the_pixel_limit_still_has_its_place_in_time(void **state)
{
    place *here = *state;
    static const char *const names[] = {"f1.jpg", "f2.jpg", "f3.jpg"};
    rf_frame_info info;
    write_timed("f1.jpg", "2024:05:01 12:00:09");
    write_timed("f2.jpg", "2024:05:01 12:00:01");
    write_timed("f3.jpg", "2024:05:01 12:00:05");
    claim_size("f2.jpg", 25000, 2000000);
    assert_int_equal(rf_frame_probe("f2.jpg", NULL, &info, NULL, &here->err), RF_ERR_INPUT);
    assert_says(here, "claims 25000 x 25000 pixels, 625000000 in all");
    assert_int_equal(rf_sequence_from_paths(&here->sequence, names, 3, &here->err), RF_OK);
    assert_int_equal(rf_sequence_sort(&here->sequence, RF_ORDER_TIME, &here->err), RF_OK);
    ASSERT_PATHS(&here->sequence, "f2.jpg", "f3.jpg", "f1.jpg");
}

static void every_failing_allocation_is_told_and_nothing_leaks(void **state)
{
    place *here = *state;
    char name[32], list[4096] = "";
    int failures = 0;
    assert_int_equal(mkdir("take", 0777), 0);
    for (int i = 0; i < 40; i++) { /* more than two lengths of the growing list */
        (void)snprintf(name, sizeof name, "take/f%d%s", i, i % 2 ? ".jpg" : ".txt");
        if (i % 2)
            write_jpeg_head(name);
        else
            write_text(name, "");
        (void)snprintf(list + strlen(list), sizeof list - strlen(list), "%s\n", name);
    }
    size_t held = rf_memory_held();
    for (long n = 1; n <= 400;
         n++) { /* a file that cannot be looked into counts as no output: not each n is a failure */
        here->err = (rf_error){0};
        rf_memory_fail_after(n);
        rf_status status = rf_sequence_from_folder(&here->sequence, "take", &here->err);
        if (status == RF_OK)
            status = rf_sequence_from_list(&here->sequence, list, strlen(list), 0, "list", &here->err);
        rf_memory_fail_after(0);
        rf_sequence_free(&here->sequence);
        assert_int_equal(rf_memory_held(), held);
        assert_true(status == RF_OK || status == RF_ERR_MEMORY);
        failures += status != RF_OK;
    }
    assert_true(failures >= 80); /* each of the 80 names takes a copy */
}

#define test_in_place(test) cmocka_unit_test_setup_teardown(test, enter_place, leave_place)

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers_count_by_value),
        cmocka_unit_test(leading_zeros_never_make_two_names_equal),
        test_in_place(a_folder_gives_its_frames_in_natural_order),
        test_in_place(what_is_no_frame_is_left_out_and_named),
        test_in_place(a_damaged_frame_stays_in_the_take),
        test_in_place(a_folder_without_frames_is_told),
        test_in_place(named_files_keep_their_order_and_may_repeat),
        test_in_place(named_files_must_be_files),
        test_in_place(lists_are_read_in_every_usual_form),
        test_in_place(a_bad_list_is_told_with_the_line),
        test_in_place(capture_times_order_a_take_and_equal_ones_keep_the_names),
        test_in_place(a_frame_without_a_time_is_named_and_a_damaged_one_stays_beside_its_neighbour),
        test_in_place(a_frame_above_the_pixel_limit_still_has_its_place_in_time),
        test_in_place(every_failing_allocation_is_told_and_nothing_leaks),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

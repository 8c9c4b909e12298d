/* test_outfile.c - outputs appear whole under their name, or not at all. */
#include "io_fixture.h"

#include <signal.h>
#include <sys/resource.h>

static void an_existing_file_is_kept_unless_forced(void **state)
{
    (void)state;
    rf_error err = {0};
    rf_image made = {0};
    size_t bytes = 0;
    image_fill(&made, 8, 8, 3, RF_U8, 1);
    const char *path = scratch_path("kept.png");
    file_save(path, "mine", 4);
    assert_int_equal(rf_picture_write(path, &made, NULL, NULL, 0, &err), RF_ERR_OUTPUT);
    assert_non_null(strstr(err.text, path));
    assert_non_null(strstr(err.text, "exists"));
    uint8_t *data = file_load(path, &bytes);
    assert_int_equal(bytes, 4);
    free(data);
    err = (rf_error){0};
    assert_int_equal(rf_picture_write(path, &made, NULL, NULL, 1, &err), RF_OK);
    rf_image got = read_good(path, NULL, NULL);
    assert_same_pixels(&made, &got);
    rf_image_free(&got);
    rf_image_free(&made);
}

/* Someone else takes the name while we work: it stays theirs. */
static void a_name_taken_meanwhile_is_not_replaced(void **state)
{
    (void)state;
    rf_error err = {0};
    rf_writer *writer = NULL;
    uint8_t row[8] = {0};
    size_t bytes = 0;
    rf_picture_spec spec = {.width = 8, .height = 1, .channels = 1, .sample = RF_U8};
    const char *path = scratch_path("race.png");
    assert_int_equal(rf_writer_open(&writer, path, &spec, 0, &err), RF_OK);
    assert_int_equal(rf_writer_rows(writer, row, 8, 1, &err), RF_OK);
    file_save(path, "theirs", 6);
    assert_int_equal(rf_writer_commit(&writer, &err), RF_ERR_OUTPUT);
    uint8_t *data = file_load(path, &bytes);
    assert_int_equal(bytes, 6);
    free(data);
    assert_int_equal(scratch_count(".railfold"), 0);
}

static void nothing_is_seen_before_commit_and_nothing_left_after_abort(void **state)
{
    (void)state;
    static const char *const names[] = {"half.tif", "half.png", "half.jpg"};
    uint8_t rows[600] = {0};
    for (int n = 0; n < 3; n++)
        for (int how = 0; how < 2; how++) {
            rf_error err = {0};
            rf_writer *writer = NULL;
            rf_picture_spec spec = {.width = 10, .height = 20, .channels = 3, .sample = RF_U8};
            int before = scratch_count("half");
            assert_int_equal(rf_writer_open(&writer, scratch_path(names[n]), &spec, 0, &err), RF_OK);
            assert_int_equal(rf_writer_rows(writer, rows, 30, 12, &err), RF_OK);
            assert_int_equal(scratch_count(".railfold-"), 1);
            assert_int_equal(scratch_count("half"), before);
            if (how == 0) {
                rf_writer_abort(&writer);
            } else { /* too few rows: no picture */
                assert_int_equal(rf_writer_commit(&writer, &err), RF_ERR_INTERNAL);
                assert_non_null(strstr(err.text, "12 of 20"));
            }
            assert_null(writer);
            assert_int_equal(scratch_count(".railfold-"), 0);
            assert_int_equal(scratch_count("half"), before);
            rf_writer_abort(&writer); /* NULL is fine */
        }
}

static void more_rows_than_the_picture_has_are_refused(void **state)
{
    (void)state;
    rf_error err = {0};
    rf_writer *writer = NULL;
    uint8_t rows[40] = {0};
    rf_picture_spec spec = {.width = 4, .height = 5, .channels = 1, .sample = RF_U8};
    assert_int_equal(rf_writer_open(&writer, scratch_path("rows.tif"), &spec, 0, &err), RF_OK);
    assert_int_equal(rf_writer_rows(writer, rows, 4, 6, &err), RF_ERR_INTERNAL);
    rf_writer_abort(&writer);
}

static void names_that_cannot_be_written_are_refused(void **state)
{
    (void)state;
    rf_image made = {0};
    image_fill(&made, 8, 8, 3, RF_U16, 1);
    assert_int_equal(mkfifo(scratch_path("pipe.tif"), 0600), 0);
    const struct {
        const char *path;
        rf_status status;
        const char *word;
    } cases[] = {
        {scratch_path("no-such-folder/x.tif"), RF_ERR_OUTPUT, "folder"},
        {scratch_path("x.bmp"), RF_ERR_USAGE, "\".bmp\""},
        {scratch_path("noending"), RF_ERR_USAGE, "ending"},
        {scratch_path("x.jpg"), RF_ERR_OUTPUT, "16-bit"},
        {scratch_path(""), RF_ERR_USAGE, "ending"},
        {scratch_path("pipe.tif"), RF_ERR_OUTPUT, "ordinary"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        rf_error err = {0};
        assert_int_equal(rf_picture_write(cases[i].path, &made, NULL, NULL, 1, &err), cases[i].status);
        assert_non_null(strstr(err.text, cases[i].path));
        if (strstr(err.text, cases[i].word) == NULL)
            fail_msg("'%s' lacks '%s'", err.text, cases[i].word);
    }
    rf_error err = {0};
    rf_image floats = {0};
    image_fill(&floats, 8, 8, 1, RF_F32, 1);
    assert_int_equal(rf_picture_write(scratch_path("f.png"), &floats, NULL, NULL, 1, &err), RF_ERR_OUTPUT);
    assert_int_equal(scratch_count(".railfold"), 0);
    rf_image_free(&floats);
    rf_image_free(&made);
}

/* A full disk, played by a limit on file size. */
static void a_full_disk_is_said_and_leaves_nothing(void **state)
{
    (void)state;
    static const char *const names[] = {"full.tif", "full.png", "full.jpg"};
    struct rlimit before, small;
    rf_image made = {0};
    image_fill(&made, 400, 400, 3, RF_U8, 0); /* noise: no format makes less than 100 kB of it */
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    small = before;
    small.rlim_cur = 50000;
    void (*old)(int) = signal(SIGXFSZ, SIG_IGN);
    for (int n = 0; n < 3; n++) {
        rf_error err = {0};
        assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
        rf_status status = rf_picture_write(scratch_path(names[n]), &made, NULL, NULL, 0, &err);
        assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
        assert_int_equal(status, RF_ERR_OUTPUT);
        assert_non_null(strstr(err.text, names[n]));
        assert_int_equal(scratch_count("full"), 0);
        assert_int_equal(scratch_count(".railfold"), 0);
    }
    (void)signal(SIGXFSZ, old);
    rf_image_free(&made);
}

static void the_mode_is_what_umask_says(void **state)
{
    (void)state;
    rf_error err = {0};
    struct stat about;
    mode_t before = umask(027);
    assert_int_equal(rf_text_write(scratch_path("mode.txt"), "a\n", 2, 0, &err), RF_OK);
    umask(before);
    assert_int_equal(stat(scratch_path("mode.txt"), &about), 0);
    assert_int_equal(about.st_mode & 0777, 0640);
}

static void texts_are_written_whole(void **state)
{
    (void)state;
    rf_error err = {0};
    size_t bytes = 0;
    const char *path = scratch_path("report.json");
    assert_int_equal(rf_text_write(path, "{}\0x", 4, 0, &err), RF_OK); /* bytes, not a string */
    uint8_t *data = file_load(path, &bytes);
    assert_int_equal(bytes, 4);
    assert_memory_equal(data, "{}\0x", 4);
    free(data);
    assert_int_equal(rf_text_write(path, "", 0, 0, &err), RF_ERR_OUTPUT);
    err = (rf_error){0};
    assert_int_equal(rf_text_write(path, "", 0, 1, &err), RF_OK);
    data = file_load(path, &bytes);
    assert_int_equal(bytes, 0);
    free(data);
    assert_int_equal(rf_text_write("-", "x", 1, 0, &err), RF_OK);
    assert_int_equal(access("-", F_OK), -1);
    assert_int_equal(rf_text_write(scratch_path(""), "x", 1, 0, &err), RF_ERR_OUTPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_existing_file_is_kept_unless_forced),
        cmocka_unit_test(a_name_taken_meanwhile_is_not_replaced),
        cmocka_unit_test(nothing_is_seen_before_commit_and_nothing_left_after_abort),
        cmocka_unit_test(more_rows_than_the_picture_has_are_refused),
        cmocka_unit_test(names_that_cannot_be_written_are_refused),
        cmocka_unit_test(a_full_disk_is_said_and_leaves_nothing),
        cmocka_unit_test(the_mode_is_what_umask_says),
        cmocka_unit_test(texts_are_written_whole),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

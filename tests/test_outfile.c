/* test_outfile.c - outputs appear whole under their name, or not at all. */
#include "io_fixture.h"

#include "io/io_codec.h"

#include <signal.h>
#include <sys/resource.h>
#include <sys/wait.h>

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

/* ---- temporaries that killed runs leave ---- */

/* A process that opens an output, writes some of it and is killed. */
static void killed_while_writing(const char *path)
{
    pid_t child = fork();
    if (child == 0) {
        rf_outfile out;
        rf_error err = {0};
        if (rf_outfile_open(&out, path, 0, &err) == RF_OK && fputs("half", out.file) > 0 && fflush(out.file) == 0)
            (void)raise(SIGKILL);
        _exit(1);
    }
    int how = 0;
    assert_int_equal(waitpid(child, &how, 0), child);
    assert_true(WIFSIGNALED(how));
}

static void what_a_killed_run_left_goes_with_the_next_run_of_the_same_output(void **state)
{
    (void)state;
    rf_error err = {0};
    const char *path = scratch_path("orphan.txt"), *other = scratch_path("other.txt");
    killed_while_writing(path);
    killed_while_writing(other);
    assert_int_equal(scratch_count(".railfold-"), 2);
    killed_while_writing(path); /* clears up after the first, and leaves its own */
    assert_int_equal(scratch_count(".railfold-"), 2);
    assert_int_equal(rf_text_write(path, "whole", 5, 0, &err), RF_OK);
    assert_int_equal(scratch_count(".railfold-"), 1); /* the other output's */
    assert_int_equal(rf_text_write(other, "whole", 5, 0, &err), RF_OK);
    assert_int_equal(scratch_count(".railfold-"), 0);
}

static void what_a_living_run_writes_is_left_alone(void **state)
{
    (void)state;
    rf_error err = {0};
    rf_outfile out;
    size_t bytes = 0;
    const char *path = scratch_path("shared.txt");
    assert_int_equal(rf_outfile_open(&out, path, 1, &err), RF_OK);
    assert_true(fputs("first", out.file) > 0);
    assert_int_equal(rf_text_write(path, "second", 6, 1, &err), RF_OK);
    assert_int_equal(scratch_count(".railfold-"), 1);
    assert_int_equal(rf_outfile_commit(&out, &err), RF_OK);
    uint8_t *data = file_load(path, &bytes);
    assert_int_equal(bytes, 5);
    assert_memory_equal(data, "first", 5);
    free(data);
    assert_int_equal(scratch_count(".railfold-"), 0);
}

static void files_that_are_named_much_like_a_temporary_are_left_alone(void **state)
{
    (void)state;
    rf_error err = {0};
    rf_outfile out;
    const char *path = scratch_path("near.txt");
    assert_int_equal(rf_outfile_open(&out, path, 0, &err), RF_OK);
    char longer[600], shorter[600], folder[600];
    (void)snprintf(longer, sizeof longer, "%s7", out.temporary);
    (void)snprintf(shorter, sizeof shorter, "%.*s", (int)strlen(out.temporary) - 1, out.temporary);
    (void)snprintf(folder, sizeof folder, "%.*saaaaaa", (int)strlen(out.temporary) - 6, out.temporary);
    rf_outfile_abort(&out);
    file_save(longer, "mine", 4);
    file_save(shorter, "mine", 4);
    file_save(scratch_path(".railfold-backup"), "mine", 4);
    assert_int_equal(mkdir(folder, 0777), 0);
    assert_int_equal(rf_text_write(path, "whole", 5, 0, &err), RF_OK);
    assert_int_equal(scratch_count(".railfold-"), 4);
    assert_int_equal(rmdir(folder), 0);
    assert_int_equal(unlink(longer) | unlink(shorter) | unlink(scratch_path(".railfold-backup")), 0);
}

/* ---- outputs that belong together ---- */

static void of_outputs_that_belong_together_all_or_none_get_their_names(void **state)
{
    (void)state;
    for (int force = 0; force < 2; force++) {
        rf_error err = {0};
        rf_batch *batch = NULL;
        size_t bytes = 0;
        const char *first = scratch_path("one.txt"), *second = scratch_path("two.txt"),
                   *third = scratch_path("six.txt");
        if (force)
            file_save(first, "old", 3);
        assert_int_equal(rf_batch_create(&batch, &err), RF_OK);
        assert_int_equal(rf_batch_add_text(batch, first, "new", 3, force, &err), RF_OK);
        assert_int_equal(rf_batch_add_text(batch, second, "new", 3, force, &err), RF_OK);
        assert_int_equal(rf_batch_add_text(batch, third, "new", 3, 0, &err), RF_OK);
        file_save(third, "theirs", 6); /* taken meanwhile: the third cannot have its name */
        assert_int_equal(rf_batch_name(batch, &err), RF_ERR_OUTPUT);
        assert_non_null(strstr(err.text, third));
        rf_batch_destroy(&batch);
        assert_int_equal(access(second, F_OK), -1);
        assert_int_equal(scratch_count(".railfold-"), 0);
        if (force) {
            uint8_t *data = file_load(first, &bytes);
            assert_int_equal(bytes, 3);
            assert_memory_equal(data, "old", 3);
            free(data);
            assert_int_equal(unlink(first), 0);
        }
        assert_int_equal(access(first, F_OK), -1);
        assert_int_equal(unlink(third), 0);
    }
}

static void outputs_that_were_not_named_are_removed(void **state)
{
    (void)state;
    rf_error err = {0};
    rf_batch *batch = NULL;
    const char *path = scratch_path("unnamed.txt");
    assert_int_equal(rf_batch_create(&batch, &err), RF_OK);
    assert_int_equal(rf_batch_add_text(batch, path, "new", 3, 0, &err), RF_OK);
    assert_int_equal(scratch_count(".railfold-"), 1);
    rf_batch_destroy(&batch);
    assert_int_equal(scratch_count(".railfold-"), 0);
    assert_int_equal(access(path, F_OK), -1);
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
        cmocka_unit_test(what_a_killed_run_left_goes_with_the_next_run_of_the_same_output),
        cmocka_unit_test(what_a_living_run_writes_is_left_alone),
        cmocka_unit_test(files_that_are_named_much_like_a_temporary_are_left_alone),
        cmocka_unit_test(of_outputs_that_belong_together_all_or_none_get_their_names),
        cmocka_unit_test(outputs_that_were_not_named_are_removed),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

/* test_frame_io.c - what holds for every format: recognised by content, faults named, silence on stderr, threads. */
#include "failing_memory.h"
#include "io_fixture.h"

#include <pthread.h>

static const char *const frames[] = {"frame.tif", "frame.png", "frame.jpg"};

static void make_frames(void)
{
    rf_image made = {0};
    image_fill(&made, 120, 90, 3, RF_U8, 1);
    for (int n = 0; n < 3; n++) {
        rf_error err = {0};
        assert_int_equal(rf_picture_write(scratch_path(frames[n]), &made, NULL, NULL, 1, &err), RF_OK);
    }
    rf_image_free(&made);
}

static void frames_are_known_by_content_not_by_name(void **state)
{
    (void)state;
    make_frames();
    for (int n = 0; n < 3; n++) {
        const char *path = scratch_path("frame.txt");
        assert_int_equal(rename(scratch_path(frames[n]), path), 0);
        rf_frame_info info;
        rf_image image = read_good(path, &info, NULL);
        assert_int_equal(rf_frame_is_known(path), 1);
        rf_image_free(&image);
        assert_int_equal(remove(path), 0);
    }
    file_save(scratch_path("text.jpg"), "Dear moss, it has rained.\n", 26);
    file_save(scratch_path("empty.tif"), "", 0);
    assert_int_equal(rf_frame_is_known(scratch_path("text.jpg")), 0);
    assert_int_equal(rf_frame_is_known(scratch_path("empty.tif")), 0);
    assert_int_equal(rf_frame_is_known(scratch_folder), 0);
    assert_int_equal(rf_frame_is_known(scratch_path("missing.png")), -1);
    assert_int_equal(rf_frame_is_own_output(scratch_path("text.jpg")), 0);
    assert_int_equal(rf_frame_is_own_output(scratch_path("missing.png")), 0);
}

static void what_is_no_picture_is_named(void **state)
{
    (void)state;
    file_save(scratch_path("text.jpg"), "Dear moss, it has rained.\n", 26);
    file_save(scratch_path("empty.tif"), "", 0);
    file_save(scratch_path("short.png"), "\x89PNG\r\n\x1a\n", 8);
    assert_int_equal(mkdir(scratch_path("folder.png"), 0700), 0);
    assert_int_equal(mkfifo(scratch_path("pipe.jpg"), 0600), 0);
    assert_unreadable(scratch_path("text.jpg"), "44 65 61 72"); /* "Dear" */
    assert_unreadable(scratch_path("empty.tif"), "0 bytes");
    assert_unreadable(scratch_path("short.png"), "PNG");
    assert_unreadable(scratch_path("folder.png"), "folder");
    assert_unreadable(scratch_path("pipe.jpg"), "ordinary"); /* and does not wait for a writer */
    assert_unreadable(scratch_path("missing.tif"), "cannot be opened");
}

static void a_closed_file_is_named(void **state)
{
    (void)state;
    if (geteuid() == 0)
        skip(); /* nothing is closed to root */
    make_frames();
    assert_int_equal(chmod(scratch_path(frames[0]), 0), 0);
    assert_unreadable(scratch_path(frames[0]), "cannot be opened");
    assert_int_equal(rf_frame_is_known(scratch_path(frames[0])), -1);
}

static void probe_says_what_read_says(void **state)
{
    (void)state;
    make_frames();
    for (int n = 0; n < 3; n++) {
        rf_error err = {0};
        rf_frame_info probed, info;
        assert_int_equal(rf_frame_probe(scratch_path(frames[n]), NULL, &probed, NULL, &err), RF_OK);
        rf_image image = read_good(scratch_path(frames[n]), &info, NULL);
        assert_int_equal(probed.width, info.width);
        assert_int_equal(probed.height, info.height);
        assert_int_equal(probed.channels, info.channels);
        assert_int_equal(probed.sample, info.sample);
        assert_int_equal(probed.orientation, info.orientation);
        assert_string_equal(probed.format, info.format);
        assert_int_equal(image.width, info.width);
        assert_int_equal(image.height, info.height);
        rf_image_free(&image);
    }
}

static void a_buffer_of_another_shape_is_replaced(void **state)
{
    (void)state;
    rf_error err = {0};
    rf_image image = {0};
    make_frames();
    image_fill(&image, 50, 60, 1, RF_U16, 0);
    for (int n = 0; n < 3; n++) {
        assert_int_equal(rf_frame_read(scratch_path(frames[n]), NULL, &image, NULL, NULL, &err), RF_OK);
        assert_int_equal(image.width, 120);
        assert_int_equal(image.channels, 3);
        assert_int_equal(image.sample, RF_U8);
    }
    rf_image_free(&image);
}

/* Libraries like to talk; here only the error sentence does. */
static void nothing_is_printed(void **state)
{
    (void)state;
    make_frames();
    (void)fflush(stderr);
    int saved = dup(STDERR_FILENO);
    FILE *caught = fopen(scratch_path("stderr.txt"), "w+b");
    assert_non_null(caught);
    assert_true(dup2(fileno(caught), STDERR_FILENO) >= 0);
    for (int n = 0; n < 3; n++) {
        size_t bytes = 0;
        uint8_t *data = file_load(scratch_path(frames[n]), &bytes);
        for (size_t cut = 8; cut < bytes; cut += bytes / 9) {
            rf_error err = {0};
            rf_image image = {0};
            file_save(scratch_path("cut"), data, cut);
            (void)rf_frame_is_known(scratch_path("cut"));
            (void)rf_frame_is_own_output(scratch_path("cut"));
            assert_int_equal(rf_frame_read(scratch_path("cut"), NULL, &image, NULL, NULL, &err), RF_ERR_INPUT);
        }
        free(data);
    }
    (void)fflush(stderr);
    assert_true(dup2(saved, STDERR_FILENO) >= 0);
    close(saved);
    assert_int_equal(fseek(caught, 0, SEEK_END), 0);
    assert_int_equal(ftell(caught), 0);
    fclose(caught);
}

typedef struct reader_job {
    char path[600];
    rf_image expected;
    int wrong;
} reader_job;

/* What lies between the rows is nobody's. */
static int same_rows(const rf_image *a, const rf_image *b)
{
    size_t row_bytes = (size_t)a->width * (size_t)a->channels * rf_sample_bytes(a->sample);
    int same = a->width == b->width && a->height == b->height && a->channels == b->channels && a->sample == b->sample;
    for (int y = 0; same && y < a->height; y++)
        same = memcmp(rf_image_row(a, y), rf_image_row(b, y), row_bytes) == 0;
    return same;
}

static void *read_many(void *arg)
{
    reader_job *job = arg;
    rf_image image = {0};
    for (int i = 0; i < 30; i++) {
        rf_error err = {0};
        if (rf_frame_read(job->path, NULL, &image, NULL, NULL, &err) != RF_OK || !same_rows(&image, &job->expected))
            job->wrong++;
    }
    rf_image_free(&image);
    return NULL;
}

static void several_threads_read_at_once(void **state)
{
    (void)state;
    enum { THREADS = 4 };
    pthread_t threads[THREADS];
    reader_job jobs[THREADS];
    make_frames();
    for (int i = 0; i < THREADS; i++) {
        jobs[i] = (reader_job){0};
        (void)snprintf(jobs[i].path, sizeof jobs[i].path, "%s", scratch_path(frames[i % 3]));
        jobs[i].expected = read_good(jobs[i].path, NULL, NULL);
    }
    for (int i = 0; i < THREADS; i++)
        assert_int_equal(pthread_create(&threads[i], NULL, read_many, &jobs[i]), 0);
    for (int i = 0; i < THREADS; i++) {
        pthread_join(threads[i], NULL);
        assert_int_equal(jobs[i].wrong, 0);
        rf_image_free(&jobs[i].expected);
    }
}

static void memory_that_runs_out_is_said(void **state)
{
    (void)state;
    make_frames();
    for (int n = 0; n < 3; n++) {
        failing_memory memory = failing_memory_start();
        rf_status status;
        rf_error err;
        do {
            rf_image image = {0};
            err = (rf_error){0};
            failing_memory_arm(&memory);
            status = rf_frame_read(scratch_path(frames[n]), NULL, &image, NULL, NULL, &err);
            assert_int_equal(status == RF_OK, image.data != NULL);
            rf_image_free(&image);
        } while (failing_memory_goes_on(&memory, status, &err));
        assert_true(memory.failures >= 2 && memory.failures < 39);
    }
}

/* Metadata never makes a frame unusable: rubbish where EXIF belongs leaves the picture readable. */
static void a_frame_with_broken_metadata_is_read(void **state)
{
    (void)state;
    rf_image made = {0};
    rf_metadata metadata;
    size_t bytes = 0;
    image_fill(&made, 40, 30, 3, RF_U8, 1);
    rf_metadata_init(&metadata);
    metadata.iso = 100;
    const char *path = scratch_path("meta.jpg");
    rf_error err = {0};
    assert_int_equal(rf_picture_write(path, &made, &metadata, NULL, 1, &err), RF_OK);
    uint8_t *data = file_load(path, &bytes), *exif = bytes_find(data, bytes, "Exif", 4);
    assert_non_null(exif);
    for (size_t i = 10; exif != NULL && i < 50; i++)
        exif[i] = 0xEE;
    file_save(path, data, bytes);
    rf_image image = read_good(path, NULL, &metadata);
    assert_true(metadata.iso == 0);
    assert_null(metadata.exif);
    free(data);
    rf_image_free(&made);
    rf_image_free(&image);
    rf_metadata_free(&metadata);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(frames_are_known_by_content_not_by_name),
        cmocka_unit_test(what_is_no_picture_is_named),
        cmocka_unit_test(a_closed_file_is_named),
        cmocka_unit_test(probe_says_what_read_says),
        cmocka_unit_test(a_buffer_of_another_shape_is_replaced),
        cmocka_unit_test(nothing_is_printed),
        cmocka_unit_test(several_threads_read_at_once),
        cmocka_unit_test(memory_that_runs_out_is_said),
        cmocka_unit_test(a_frame_with_broken_metadata_is_read),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

/* What is said to people: times, sizes, one-line sentences, and the progress line against a clock of its own. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "cli/progress.h"
#include "cli/talk.h"

static void durations_and_sizes_read_well(void **state)
{
    (void)state;
    static const struct {
        double seconds;
        const char *text;
    } times[] = {{0, "0.0 s"},         {-1, "0.0 s"},        {9.94, "9.9 s"},     {9.96, "10 s"},
                 {59.4, "59 s"},       {59.6, "1 min 00 s"}, {125, "2 min 05 s"}, {3599.6, "1 h 00 min"},
                 {3720, "1 h 02 min"}, {1e9, "277778 h"}};
    static const struct {
        double count;
        const char *text;
    } sizes[] = {
        {0, "0 bytes"}, {1023, "1023 bytes"}, {1024, "1.0 KiB"}, {1.5 * 1024 * 1024, "1.5 MiB"}, {5e15, "4547 TiB"}};
    char text[32];
    for (size_t i = 0; i < sizeof times / sizeof *times; i++)
        assert_string_equal(rf_talk_duration(text, sizeof text, times[i].seconds), times[i].text);
    for (size_t i = 0; i < sizeof sizes / sizeof *sizes; i++)
        assert_string_equal(rf_talk_bytes(text, sizeof text, sizes[i].count), sizes[i].text);
    assert_string_equal(rf_talk_count(text, sizeof text, 1, "frame"), "1 frame");
    assert_string_equal(rf_talk_count(text, sizeof text, 0, "frame"), "0 frames");
}

static double clock_s;
static double test_clock(void)
{
    return clock_s;
}

/* A file that hears all, and a progress that writes to it. */
typedef struct listener {
    FILE *out;
    rf_progress progress;
} listener;

static void open_scene(listener *scene, rf_progress_when when, int quiet)
{
    FILE *file = tmpfile(); /* no terminal, and has a file number as stderr has */
    assert_non_null(file);
    memset(scene, 0, sizeof *scene);
    scene->out = file;
    rf_progress_init(&scene->progress, file, when, quiet);
    scene->progress.now_s = test_clock;
    clock_s = 100;
}

/* All that was written; to be freed. */
static char *close_scene(listener *scene)
{
    long bytes = ftell(scene->out);
    char *text = calloc((size_t)bytes + 1, 1);
    assert_non_null(text);
    rewind(scene->out);
    assert_int_equal(fread(text, 1, (size_t)bytes, scene->out), bytes);
    fclose(scene->out);
    return text;
}

static void a_sentence_stays_one_line(void **state)
{
    (void)state;
    listener scene;
    open_scene(&scene, RF_PROGRESS_NEVER, 0);
    rf_talk(scene.out, "%s: bad", "two\nlines\t\x1b[31m \xc3\xa4\xff");
    char *text = close_scene(&scene);
    assert_string_equal(text, "two\\nlines\\t\\x1b[31m \xc3\xa4\xff: bad\n");
    free(text);
}

/* Two stages of `frames` steps, each step taking step_s. */
static void run_stages(listener *scene, int frames, double step_s)
{
    static const char *const stages[] = {"align", "merge"};
    for (int stage = 0; stage < 2; stage++)
        for (int k = 0; k < frames; k++) {
            assert_int_equal(rf_progress_step(&scene->progress, stages[stage], k, frames), 0);
            clock_s += step_s;
        }
    assert_int_equal(rf_progress_step(&scene->progress, "merge", frames, frames), 0);
    rf_progress_end(&scene->progress);
}

static void each_stage_leaves_one_line_where_lines_stay(void **state)
{
    (void)state;
    listener scene;
    open_scene(&scene, RF_PROGRESS_AUTO, 0);
    run_stages(&scene, 4, 0.5);
    char *text = close_scene(&scene);
    assert_string_equal(text, "align 4/4 in 2.0 s\nmerge 4/4 in 2.0 s\n");
    free(text);
}

static void a_stage_cut_short_leaves_no_line(void **state)
{
    (void)state;
    listener scene;
    open_scene(&scene, RF_PROGRESS_AUTO, 0);
    assert_int_equal(rf_progress_step(&scene.progress, "align", 2, 4), 0);
    rf_progress_end(&scene.progress);
    char *text = close_scene(&scene);
    assert_string_equal(text, "");
    free(text);
}

static void the_line_is_redrawn_at_most_six_times_a_second(void **state)
{
    (void)state;
    listener scene;
    open_scene(&scene, RF_PROGRESS_ALWAYS, 0);
    run_stages(&scene, 1000, 0.005); /* ten seconds */
    char *text = close_scene(&scene);
    int drawn = 0;
    for (const char *at = strchr(text, '\r'); at != NULL; at = strchr(at + 1, '\r'))
        drawn++;
    assert_in_range(drawn, 40, 62); /* 60 in ten seconds, and the two returns that clear the line */
    assert_null(strchr(text, '\n'));
    int done;
    double left_s;
    assert_int_equal(sscanf(strstr(text, " left") - 20, "%*[^\r]\ralign %d/1000, %lf s left", &done, &left_s), 2);
    assert_in_range(done, 200, 240); /* first told after a second */
    assert_true(left_s > (1000 - done) * 0.005 - 0.051 && left_s < (1000 - done) * 0.005 + 0.051); /* one decimal */
    /* The line that stood last is covered with blanks and the cursor is back at its start. */
    size_t length = strlen(text);
    assert_int_equal(text[length - 1], '\r');
    assert_int_equal(text[length - 2], ' ');
    free(text);
}

static void quiet_and_never_say_nothing(void **state)
{
    (void)state;
    static const struct {
        rf_progress_when when;
        int quiet;
    } cases[] = {{RF_PROGRESS_NEVER, 0}, {RF_PROGRESS_ALWAYS, 1}, {RF_PROGRESS_AUTO, 1}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        listener scene;
        open_scene(&scene, cases[i].when, cases[i].quiet);
        run_stages(&scene, 10, 1);
        char *text = close_scene(&scene);
        assert_string_equal(text, "");
        free(text);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(durations_and_sizes_read_well),
        cmocka_unit_test(a_sentence_stays_one_line),
        cmocka_unit_test(each_stage_leaves_one_line_where_lines_stay),
        cmocka_unit_test(a_stage_cut_short_leaves_no_line),
        cmocka_unit_test(the_line_is_redrawn_at_most_six_times_a_second),
        cmocka_unit_test(quiet_and_never_say_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Take inspection: each fault is found at its frame, an even take is good, and nothing depends on the thread count. The
 * takes are small drawn ones (a tilted plane of noise); rates over rendered takes stand in docs/check.md. */
#include <dirent.h>
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

#include "check_take.h"
#include "railfold/check.h"
#include "railfold/frame_io.h"
#include "railfold/memory.h"

static void even_take_is_good(void **state)
{
    (void)state;
    drawn_take take;
    rf_check_result result;
    draw(&take, &none);
    look_at(&take, 1, &result);
    for (int i = 0; i < result.finding_count; i++)
        fail_msg("%s", result.findings[i].text);
    assert_int_equal(result.verdict, RF_CHECK_GOOD);
    double sharp = 0;
    for (int k = 0; k < FRAMES; k++)
        sharp += result.frames[k].sharp_fraction;
    assert_true(fabs(sharp - 1) < 1e-9); /* every cell of the subject is sharpest somewhere */
    rf_check_result_free(&result);
    wipe(&take);
}

static void jump_is_found_at_its_frame(void **state)
{
    (void)state;
    spoil s = none;
    s.bump_at = 6;
    s.bump_px = 14; /* the drawn jitter is 1 px */
    assert_found(&s, RF_CHECK_BUMP, 6, RF_CHECK_BUMP);
}

static void frame_taken_twice_is_found(void **state)
{
    (void)state;
    spoil s = none;
    s.same_from = 5;
    s.same_to = 6; /* then a double step to 7, which is told as well */
    assert_found(&s, RF_CHECK_DUPLICATE, 6, RF_CHECK_MISSING_STEP);
}

static void step_left_out_is_found(void **state)
{
    (void)state;
    spoil s = none;
    s.skip_at = 6;
    assert_found(&s, RF_CHECK_MISSING_STEP, 6, RF_CHECK_UNCOVERED_END);
}

static void soft_frame_is_found(void **state)
{
    (void)state;
    spoil s = none;
    s.soft_at = 6;
    assert_found(&s, RF_CHECK_BLUR, 6, RF_CHECK_BLUR);
}

static void shaken_first_and_last_frames_are_found(void **state)
{
    (void)state;
    spoil s = none;
    s.smear_at = 0;
    assert_found(&s, RF_CHECK_BLUR, 0, RF_CHECK_BLUR);
    s.smear_at = FRAMES - 1;
    assert_found(&s, RF_CHECK_BLUR, FRAMES - 1, RF_CHECK_BLUR);
    s.smear_at = 1; /* and it alone: its neighbour is not smeared across */
    assert_found(&s, RF_CHECK_BLUR, 1, RF_CHECK_BLUR);
}

static void fading_light_is_found(void **state)
{
    (void)state;
    spoil s = none;
    s.dim_to = 0.85; /* coded values, 0.70 of the light */
    assert_found(&s, RF_CHECK_LAMP, -1, RF_CHECK_LAMP);
}

static void rail_that_went_back_is_found(void **state)
{
    (void)state;
    drawn_take take;
    rf_check_result result;
    draw(&take, &none);
    const char *fifth = take.list[4];
    take.list[4] = take.list[7];
    take.list[7] = fifth;
    look_at(&take, 1, &result);
    assert_non_null(find(&result, RF_CHECK_ORDER));
    assert_int_equal(result.verdict, RF_CHECK_RETAKE);
    rf_check_result_free(&result);
    wipe(&take);
}

static void cut_file_is_a_finding_and_not_a_failure(void **state)
{
    (void)state;
    drawn_take take;
    rf_check_result result;
    draw(&take, &none);
    assert_int_equal(truncate(take.paths[3], 900), 0);
    look_at(&take, 1, &result);
    const rf_check_finding *f = find(&result, RF_CHECK_UNREADABLE);
    assert_non_null(f);
    assert_int_equal(f->frames[0], 3);
    assert_int_equal(result.frames[3].used, 0);
    assert_int_equal(result.verdict, RF_CHECK_RETAKE);
    rf_check_result_free(&result);
    wipe(&take);
}

static void frame_of_another_size_is_found(void **state)
{
    (void)state;
    drawn_take take;
    rf_check_result result;
    rf_image image = {0};
    rf_error err = {0};
    draw(&take, &none);
    assert_int_equal(rf_image_alloc(&image, WIDTH - 8, HEIGHT, 1, RF_U8, "a test frame", &err), RF_OK);
    assert_int_equal(rf_picture_write(take.paths[5], &image, NULL, NULL, 1, &err), RF_OK);
    rf_image_free(&image);
    look_at(&take, 1, &result);
    assert_non_null(find(&result, RF_CHECK_SIZE));
    assert_int_equal(find(&result, RF_CHECK_SIZE)->frames[0], 5);
    rf_check_result_free(&result);
    wipe(&take);
}

static char *json_without_time(rf_check_result *result)
{
    char *text = NULL;
    size_t bytes = 0;
    rf_error err = {0};
    result->seconds = 0;
    assert_int_equal(rf_check_json(result, &text, &bytes, &err), RF_OK);
    assert_int_equal(strlen(text), bytes);
    return text;
}

static void one_thread_and_three_say_the_same(void **state)
{
    (void)state;
    drawn_take take;
    rf_check_result one, three;
    spoil s = none;
    s.skip_at = 6;
    draw(&take, &s);
    look_at(&take, 1, &one);
    look_at(&take, 3, &three);
    char *a = json_without_time(&one), *b = json_without_time(&three);
    assert_string_equal(a, b);
    rf_free(a);
    rf_free(b);
    rf_check_result_free(&one);
    rf_check_result_free(&three);
    wipe(&take);
}

/* The room for lumas decides what is decoded twice, not what is found: none, half of them, all of them kept. */
static void frames_read_again_say_the_same_as_frames_kept(void **state)
{
    (void)state;
    static const size_t room[] = {1, (size_t)(FRAMES / 2) * 2 * WIDTH * HEIGHT, 0};
    drawn_take take;
    spoil s = none;
    s.soft_at = 6;
    draw(&take, &s);
    char *texts[3];
    for (int i = 0; i < 3; i++) {
        rf_check_options options = options_for(&take, 2);
        rf_check_result result;
        rf_error err = {0};
        options.kept_bytes = room[i];
        rf_check_result_init(&result);
        if (rf_check_take(&options, &result, &err) != RF_OK)
            fail_msg("%s", err.text);
        texts[i] = json_without_time(&result);
        rf_check_result_free(&result);
    }
    assert_string_equal(texts[0], texts[2]);
    assert_string_equal(texts[1], texts[2]);
    for (int i = 0; i < 3; i++)
        rf_free(texts[i]);
    wipe(&take);
}

/* Every n-th allocation up to the first few hundred fails once: an error comes back, nothing is lost. */
static void failing_memory_is_told(void **state)
{
    (void)state;
    drawn_take take;
    draw(&take, &none);
    size_t held = rf_memory_held();
    for (long n = 1; n < 400; n += n < 60 ? 1 : 23) {
        rf_check_options options = options_for(&take, 1);
        rf_check_result result;
        rf_error err = {0};
        rf_check_result_init(&result);
        rf_memory_fail_after(n);
        rf_status status = rf_check_take(&options, &result, &err);
        rf_memory_fail_after(0);
        assert_true(status == RF_ERR_MEMORY || status == RF_OK);
        rf_check_result_free(&result);
        assert_int_equal(rf_memory_held(), held);
    }
    wipe(&take);
}

static void quick_check_reads_poses_gains_and_settings(void **state)
{
    (void)state;
    rf_pose poses[FRAMES];
    rf_align_frame aligned[FRAMES];
    rf_metadata metadata[FRAMES];
    const char *files[FRAMES];
    memset(aligned, 0, sizeof aligned);
    for (int k = 0; k < FRAMES; k++) {
        poses[k] = rf_pose_similarity(1, 0, 0.3 * (k % 3) + (k >= 7 ? 40 : 0), 0.2 * (k % 2), 1200, 800);
        poses[k].gain[0] = poses[k].gain[1] = poses[k].gain[2] = pow(0.6, -k / (FRAMES - 1.0) / 2.2);
        aligned[k].measured = aligned[k].usable = 1;
        rf_metadata_init(&metadata[k]);
        metadata[k].exposure_s = 0.5;
        metadata[k].f_number = k < 4 ? 8 : 11;
        metadata[k].iso = 100;
        files[k] = "pebble.jpg";
    }
    rf_check_known known = {.files = files, .frame_count = FRAMES, .width = 1200, .height = 800};
    rf_check_result result;
    rf_error err = {0};
    rf_check_result_init(&result);
    assert_int_equal(rf_check_quick(&known, &result, &err), RF_OK);
    assert_int_equal(result.finding_count, 0); /* nothing known, nothing found */
    known.poses = poses;
    known.align_frames = aligned;
    assert_int_equal(rf_check_quick(&known, &result, &err), RF_OK);
    assert_int_equal(find(&result, RF_CHECK_BUMP)->frames[0], 7);
    assert_non_null(find(&result, RF_CHECK_LAMP)); /* 40 % of the light over the take */
    assert_null(find(&result, RF_CHECK_SETTINGS));
    rf_check_result_free(&result);
    known.metadata = metadata;
    assert_int_equal(rf_check_quick(&known, &result, &err), RF_OK);
    assert_int_equal(find(&result, RF_CHECK_SETTINGS)->frames[0], 4);
    assert_int_equal(find(&result, RF_CHECK_SETTINGS)->severity, RF_CHECK_FAULT); /* another aperture */
    rf_check_result_free(&result);
}

static void plan_is_read_and_anything_else_refused(void **state)
{
    (void)state;
    static const char good[] =
        "{\"railfold\": \"1\", \"command\": \"plan\", \"inputs\": {\"step_mm\": 9, \"frames\": 3},\n"
        " \"step_mm\": 4.4e-1, \"frames\": 17, \"scale_per_step\": 1.0029, \"f_number_marked\": 11,"
        " \"card_mb\": null, \"warnings\": [\"a } \\\" ]\"], \"shutter_s\": 9}";
    static const char *const bad[] = {"",
                                      "[]",
                                      "{",
                                      "{\"command\": \"plan\"",
                                      "{\"command\": \"merge\"}",
                                      "{\"a\" 1}",
                                      "{\"command\": \"plan\", \"x\": [1, 2}",
                                      "{\"command\": \"pl",
                                      "{}"};
    rf_check_plan plan;
    rf_error err = {0};
    assert_int_equal(rf_check_plan_read(&plan, good, sizeof good - 1, "plan.json", &err), RF_OK);
    assert_int_equal(plan.frames, 17);
    assert_true(fabs(plan.step_mm - 0.44) < 1e-12);
    assert_true(fabs(plan.scale_per_step - 1.0029) < 1e-12);
    assert_true(fabs(plan.shutter_s - 9) < 1e-12);
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        rf_error why = {0};
        if (rf_check_plan_read(&plan, bad[i], strlen(bad[i]), "plan.json", &why) != RF_ERR_INPUT)
            fail_msg("taken for a plan: %s", bad[i]);
        assert_non_null(strstr(why.text, "plan.json"));
    }
    for (size_t cut = 0; cut < sizeof good - 1; cut++) /* however short, never past the end */
        assert_int_equal(rf_check_plan_read(&plan, good, cut, "plan.json", NULL), RF_ERR_INPUT);
}

static void take_shorter_than_planned_is_told(void **state)
{
    (void)state;
    drawn_take take;
    rf_check_result result;
    rf_check_plan plan = {.frames = 40};
    rf_error err = {0};
    draw(&take, &none);
    rf_check_options options = options_for(&take, 0);
    options.plan = &plan;
    rf_check_result_init(&result);
    assert_int_equal(rf_check_take(&options, &result, &err), RF_OK);
    assert_non_null(find(&result, RF_CHECK_PLAN));
    assert_int_equal(result.verdict, RF_CHECK_USABLE);
    rf_check_result_free(&result);
    wipe(&take);
}

static int stop_at_once(void *arg, const char *stage, int done, int total)
{
    (void)arg, (void)stage, (void)total;
    return done >= 2;
}

static void stop_is_heeded(void **state)
{
    (void)state;
    drawn_take take;
    rf_check_result result;
    rf_error err = {0};
    draw(&take, &none);
    rf_check_options options = options_for(&take, 0);
    options.progress = stop_at_once;
    rf_check_result_init(&result);
    assert_int_equal(rf_check_take(&options, &result, &err), RF_ERR_STOPPED);
    rf_check_result_free(&result);
    wipe(&take);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(even_take_is_good),
        cmocka_unit_test(jump_is_found_at_its_frame),
        cmocka_unit_test(frame_taken_twice_is_found),
        cmocka_unit_test(step_left_out_is_found),
        cmocka_unit_test(soft_frame_is_found),
        cmocka_unit_test(shaken_first_and_last_frames_are_found),
        cmocka_unit_test(fading_light_is_found),
        cmocka_unit_test(rail_that_went_back_is_found),
        cmocka_unit_test(cut_file_is_a_finding_and_not_a_failure),
        cmocka_unit_test(frame_of_another_size_is_found),
        cmocka_unit_test(one_thread_and_three_say_the_same),
        cmocka_unit_test(frames_read_again_say_the_same_as_frames_kept),
        cmocka_unit_test(failing_memory_is_told),
        cmocka_unit_test(quick_check_reads_poses_gains_and_settings),
        cmocka_unit_test(plan_is_read_and_anything_else_refused),
        cmocka_unit_test(take_shorter_than_planned_is_told),
        cmocka_unit_test(stop_is_heeded),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* The run report: warnings are kept, and the JSON is exact whatever is put in. */
#include <locale.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "railfold/memory.h"
#include "railfold/report.h"
#include "failing_memory.h"
#include "report/json.h"

static char *copy_text(const char *text)
{
    char *copy = NULL;
    assert_int_equal(rf_alloc(&copy, strlen(text) + 1, 1, "a test text", NULL), RF_OK);
    memcpy(copy, text, strlen(text));
    return copy;
}

/* A report of `frames` frames named f0.tif, f1.tif, ... all used and on the reference. */
static void make_report(rf_run_report *report, int frames)
{
    rf_run_report_init(report);
    report->command = "merge";
    report->view = "perspective";
    report->channels = 3;
    assert_int_equal(rf_alloc(&report->frames, (size_t)frames, sizeof *report->frames, "test frames", NULL), RF_OK);
    report->frame_count = frames;
    for (int i = 0; i < frames; i++) {
        char name[32];
        (void)snprintf(name, sizeof name, "f%d.tif", i);
        report->frames[i].file = copy_text(name);
        report->frames[i].used = 1;
        report->frames[i].pose = rf_pose_identity();
        report->frames[i].scale = 1;
        for (int channel = 0; channel < 3; channel++)
            report->frames[i].gain[channel] = 1;
    }
}

static char *json_of(const rf_run_report *report)
{
    char *text = NULL;
    size_t bytes = 0;
    rf_error err = {0};
    assert_int_equal(rf_run_report_json(report, &text, &bytes, &err), RF_OK);
    assert_int_equal(bytes, strlen(text));
    assert_int_equal(text[bytes - 1], '\n');
    return text;
}

static void assert_holds(const char *text, const char *part)
{
    if (strstr(text, part) == NULL)
        fail_msg("'%s' is not in:\n%s", part, text);
}

static void the_whole_of_a_small_report_is_as_documented(void **state)
{
    (void)state;
    rf_run_report report;
    make_report(&report, 2);
    report.output = copy_text("stone-merged.tif");
    report.width = 640;
    report.height = 480;
    report.reference = 1;
    report.step_mm = 0.05;
    report.outputs[0] = (rf_output_report){.kind = "picture", .sha256 = "e3b0"};
    assert_int_equal(rf_alloc(&report.outputs[0].file, 32, 1, "a name", NULL), RF_OK);
    strcpy(report.outputs[0].file, "stone-merged.tif");
    report.output_count = 1;
    report.covered[0] = 3;
    report.covered[1] = 4;
    report.covered[2] = 600;
    report.covered[3] = 450;
    report.depth_unit = "mm";
    report.depth_direction = -1;
    report.depth_max = 0.05;
    report.hot_pixels = 7;
    report.threads = 2;
    report.peak_memory_bytes = 123456789;
    report.frames[0].pose.tx = -1.25;
    report.frames[0].shift_x_px = -1.25;
    report.frames[0].gain[0] = 1.5;
    report.frames[0].gain[1] = 0.5;
    report.frames[0].sharp_fraction = 0.25;
    report.frames[1].used = 0;
    (void)snprintf(report.frames[1].reason, sizeof report.frames[1].reason, "no detail");
    assert_int_equal(rf_frame_report_warn(&report.frames[0], NULL, "bump of %d px", 9), RF_OK);
    assert_int_equal(rf_run_report_warn(&report, NULL, "frame %d was left out", 1), RF_OK);
    char *text = json_of(&report);
    /* gain: 0.299 * 1.5 + 0.587 * 0.5 + 0.114 = 0.856 */
    static const char wanted[] =
        "{\n"
        "  \"railfold\": \"" RF_VERSION "\",\n"
        "  \"format\": 1,\n"
        "  \"command\": \"merge\",\n"
        "  \"output\": \"stone-merged.tif\",\n"
        "  \"width\": 640,\n"
        "  \"height\": 480,\n"
        "  \"channels\": 3,\n"
        "  \"reference\": 1,\n"
        "  \"view\": \"perspective\",\n"
        "  \"step_mm\": 0.05,\n"
        "  \"pixel_mm\": null,\n"
        "  \"frames\": [\n"
        "    {\"index\": 0, \"file\": \"f0.tif\", \"used\": true, \"reason\": null, \"matrix\": [1, 0, -1.25, 0, 1, "
        "0], "
        "\"shift_px\": [-1.25, 0], \"scale\": 1, \"rotation_deg\": 0, \"gain\": 0.856, \"gain_rgb\": [1.5, 0.5, 1], "
        "\"sharp_fraction\": 0.25, \"sha256\": null, \"warnings\": [\"bump of 9 px\"]},\n"
        "    {\"index\": 1, \"file\": \"f1.tif\", \"used\": false, \"reason\": \"no detail\", \"matrix\": null, "
        "\"shift_px\": null, \"scale\": null, \"rotation_deg\": null, \"gain\": null, \"sharp_fraction\": 0, "
        "\"sha256\": null, "
        "\"warnings\": []}\n"
        "  ],\n"
        "  \"outputs\": [\n"
        "    {\"kind\": \"picture\", \"file\": \"stone-merged.tif\", \"sha256\": \"e3b0\"}\n"
        "  ],\n"
        "  \"covered\": [3, 4, 600, 450],\n"
        "  \"depth\": {\"unit\": \"mm\", \"zero\": \"focus plane of frame 0\", \"direction\": \"nearer\", "
        "\"min\": 0, \"max\": 0.05},\n"
        "  \"scale_per_step\": 1,\n"
        "  \"working_distance_steps\": null,\n"
        "  \"blur_px_per_step\": null,\n"
        "  \"hot_pixels\": 7,\n"
        "  \"dust_spots\": 0,\n"
        "  \"warnings\": [\n"
        "    \"frame 1 was left out\"\n"
        "  ],\n"
        "  \"seconds\": {\"align\": 0, \"depth\": 0, \"merge\": 0, \"write\": 0, \"total\": 0},\n"
        "  \"peak_memory_bytes\": 123456789,\n"
        "  \"threads\": 2\n"
        "}\n";
    assert_string_equal(text, wanted);
    rf_free(text);
    rf_run_report_free(&report);
}

static void an_empty_report_is_still_one_object(void **state)
{
    (void)state;
    rf_run_report report;
    rf_run_report_init(&report);
    char *text = json_of(&report);
    assert_holds(text, "\"output\": null");
    assert_holds(text, "\"frames\": []");
    assert_holds(text, "\"covered\": null");
    assert_holds(text, "\"depth\": null");
    assert_holds(text, "\"warnings\": []");
    rf_free(text);
    rf_run_report_free(&report);
}

static void grey_runs_have_one_gain(void **state)
{
    (void)state;
    rf_run_report report;
    make_report(&report, 1);
    report.channels = 1;
    report.frames[0].gain[0] = 1.25; /* the others mean nothing in grey */
    char *text = json_of(&report);
    assert_holds(text, "\"gain\": 1.25, \"sharp_fraction\"");
    rf_free(text);
    rf_run_report_free(&report);
}

static void check_text(const char *raw, const char *quoted)
{
    rf_json json;
    char *text = NULL;
    size_t bytes = 0;
    rf_json_begin(&json, NULL);
    rf_json_text(&json, NULL, raw);
    assert_int_equal(rf_json_finish(&json, &text, &bytes), RF_OK);
    text[bytes - 1] = '\0';
    assert_string_equal(text, quoted);
    rf_free(text);
}

#define BAD "\xef\xbf\xbd"

/* RFC 8259 section 7. */
static void quotes_backslashes_and_controls_are_escaped(void **state)
{
    (void)state;
    check_text("a \"b\" \\c/", "\"a \\\"b\\\" \\\\c/\"");
    check_text("a\nb\tc\x01\x1f\x7f", "\"a\\u000ab\\u0009c\\u0001\\u001f\\u007f\"");
    check_text("", "\"\"");
    check_text(NULL, "null");
}

/* The Unicode Standard 15.0, section 3.9: its own examples, tables 3-8 to 3-11. */
static void invalid_utf8_becomes_the_replacement_character(void **state)
{
    (void)state;
    check_text("Flechte \xc3\xa4 \xe2\x82\xac \xf0\x9f\x8c\xbf", "\"Flechte \xc3\xa4 \xe2\x82\xac \xf0\x9f\x8c\xbf\"");
    check_text("\xc0\xaf\xe0\x80\xbf\xf0\x81\x82\x41", "\"" BAD BAD BAD BAD BAD BAD BAD BAD "A\"");
    check_text("\xed\xa0\x80\xed\xbf\xbf\xed\xaf\x41", "\"" BAD BAD BAD BAD BAD BAD BAD BAD "A\"");
    check_text("\xf4\x91\x92\x93\xff\x41\x80\xbf\x42", "\"" BAD BAD BAD BAD BAD "A" BAD BAD "B\"");
    check_text("\xe1\x80\xe2\xf0\x91\x92\xf1\xbf\x41", "\"" BAD BAD BAD BAD "A\"");
    check_text("\xc3", "\"" BAD "\""); /* cut short by the end */
}

static void check_number(double value, const char *wanted)
{
    rf_json json;
    char *text = NULL;
    size_t bytes = 0;
    rf_json_begin(&json, NULL);
    rf_json_number(&json, NULL, value);
    assert_int_equal(rf_json_finish(&json, &text, &bytes), RF_OK);
    text[bytes - 1] = '\0';
    assert_string_equal(text, wanted);
    rf_free(text);
}

static void numbers_read_back_exactly_and_stay_short(void **state)
{
    (void)state;
    check_number(0.1, "0.1");
    check_number(-2, "-2");
    check_number(1e-300, "1e-300");
    check_number(1.0 / 3, "0.3333333333333333");
    check_number(0.1 + 0.2, "0.30000000000000004");
    check_number(NAN, "null");
    check_number(INFINITY, "null");
    check_number(-INFINITY, "null");
}

static void a_locale_with_a_decimal_comma_changes_nothing(void **state)
{
    (void)state;
    static const char *const names[] = {"de_DE.UTF-8", "de_DE.utf8", "fr_FR.UTF-8", "nl_NL.UTF-8"};
    int found = 0;
    for (size_t i = 0; i < sizeof names / sizeof *names && !found; i++)
        found = setlocale(LC_NUMERIC, names[i]) != NULL;
    if (!found)
        skip(); /* this machine has no such locale */
    check_number(0.5, "0.5");
    check_number(1.5e-20, "1.5e-20");
    (void)setlocale(LC_NUMERIC, "C");
}

static void many_warnings_are_all_kept_and_long_ones_cut(void **state)
{
    (void)state;
    rf_run_report report;
    char longer[2 * RF_WARNING_BYTES];
    rf_run_report_init(&report);
    memset(longer, 'w', sizeof longer - 1);
    longer[sizeof longer - 1] = '\0';
    for (int i = 0; i < 100; i++)
        assert_int_equal(rf_run_report_warn(&report, NULL, "warning %d", i), RF_OK);
    assert_int_equal(rf_run_report_warn(&report, NULL, "%s", longer), RF_OK);
    assert_int_equal(report.warning_count, 101);
    assert_string_equal(report.warnings[3], "warning 3");
    assert_string_equal(report.warnings[99], "warning 99");
    assert_int_equal(strlen(report.warnings[100]), RF_WARNING_BYTES - 1);
    rf_run_report_free(&report);
}

static void every_failing_allocation_is_told_and_nothing_leaks(void **state)
{
    (void)state;
    failing_memory memory = failing_memory_start();
    rf_status status;
    rf_error err;
    do {
        rf_run_report report;
        char *text = NULL;
        size_t bytes = 0;
        err = (rf_error){0};
        make_report(&report, 40);
        failing_memory_arm(&memory);
        status = rf_run_report_warn(&report, &err, "one");
        for (int i = 0; i < 9 && status == RF_OK; i++)
            status = rf_frame_report_warn(&report.frames[1], &err, "warning %d", i);
        if (status == RF_OK)
            status = rf_run_report_json(&report, &text, &bytes, &err);
        rf_free(text);
        rf_run_report_free(&report);
    } while (failing_memory_goes_on(&memory, status, &err));
    assert_true(memory.failures >= 10); /* 10 warnings take a copy each; lists and the text come on top */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_whole_of_a_small_report_is_as_documented),
        cmocka_unit_test(an_empty_report_is_still_one_object),
        cmocka_unit_test(grey_runs_have_one_gain),
        cmocka_unit_test(quotes_backslashes_and_controls_are_escaped),
        cmocka_unit_test(invalid_utf8_becomes_the_replacement_character),
        cmocka_unit_test(numbers_read_back_exactly_and_stay_short),
        cmocka_unit_test(a_locale_with_a_decimal_comma_changes_nothing),
        cmocka_unit_test(many_warnings_are_all_kept_and_long_ones_cut),
        cmocka_unit_test(every_failing_allocation_is_told_and_nothing_leaks),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

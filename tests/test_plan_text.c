/* The planner's texts: the screen fits a screen, the report is complete, the card counts right, memory may run out. */
#include <locale.h>

#include "failing_memory.h"
#include "plan_pebble.h"
#include "railfold/memory.h"

enum { COLUMNS = 80 };

static rf_plan_options full_pebble(void)
{
    rf_plan_options options = pebble();
    options.lead_mm = 1;
    options.divisions = 100;
    options.smallest_step_mm = 0.005;
    options.shutter_s = 1;
    options.timer_s = 2;
    options.settle_s = 2;
    options.mains_hz = 50;
    options.backdrop_mm = 100;
    options.frame_mb = 25;
    return options;
}

static char *screen_of(const rf_plan_options *options)
{
    char *text = NULL;
    rf_plan_result plan = plan_of(options);
    assert_int_equal(rf_plan_screen_text(options, &plan, &text, NULL), RF_OK);
    return text;
}

static char *json_of(const rf_plan_options *options)
{
    char *text = NULL;
    rf_plan_result plan = plan_of(options);
    assert_int_equal(rf_plan_json(options, &plan, NULL, 0, &text, NULL), RF_OK);
    return text;
}

static void assert_holds(const char *text, const char *part)
{
    if (strstr(text, part) == NULL)
        fail_msg("'%s' is not in:\n%s", part, text);
}

/* No line is too wide, none ends in blanks, and nothing unknown leaks out as a number. Returns the number of lines. */
static int assert_fits(const char *text)
{
    int lines = 0;
    for (const char *line = text; *line != '\0'; lines++) {
        size_t width = strcspn(line, "\n");
        if (width > COLUMNS || (width > 0 && line[width - 1] == ' ') || line[width] != '\n')
            fail_msg("line of %zu columns: '%.*s'", width, (int)width, line);
        line += width + 1;
    }
    if (strstr(text, "nan") != NULL || strstr(text, "inf ") != NULL || strstr(text, "-inf") != NULL)
        fail_msg("an unknown number shows:\n%s", text);
    return lines;
}

static void the_screen_fits_a_screen(void **state)
{
    (void)state;
    rf_plan_options options = full_pebble();
    char *text = screen_of(&options);
    int lines = assert_fits(text);
    if (lines < 24 || lines > 40)
        fail_msg("%d lines", lines);
    assert_holds(text, "Set f/11 and 9 s.");
    assert_holds(text, "44 divisions");
    assert_holds(text, "17 frames");
    rf_free(text);
}

/* Many sizes of every number, and each optional value left out in turn. */
static void no_plan_breaks_the_table(void **state)
{
    (void)state;
    for (double m = 0.05; m < 100; m *= 2.7)
        for (double f = 5; f < 1000; f *= 3.3)
            for (int left_out = 0; left_out < 10; left_out++) {
                rf_plan_options options = full_pebble();
                options.magnification = m;
                options.focal_mm = left_out == 0 ? 0 : f;
                options.subject_depth_mm = left_out == 1 ? 0 : 0.1 * f / (1 + m);
                options.divisions = left_out == 2 ? 0 : 7;
                options.lead_mm = left_out == 2 || left_out == 3 ? 0 : 1.27;
                options.divisions = left_out == 3 ? 0 : options.divisions;
                options.shutter_s = left_out == 4 ? 0 : 0.001 * f;
                options.mains_hz = left_out == 5 ? 0 : 60;
                options.backdrop_mm = left_out == 6 ? 0 : f;
                options.frame_mb = left_out == 7 ? 0 : 987.654;
                options.pixels[0] = left_out == 8 ? 0 : 15360;
                options.pixels[1] = left_out == 8 ? 0 : 10240;
                options.reversed = left_out == 9;
                options.pupil_ratio = 1.17;
                options.working_distance_mm = left_out == 9 ? 0.4 * f : 0;
                rf_plan_result plan;
                if (rf_plan_compute(&options, &plan, NULL) != RF_OK)
                    continue; /* more than 100000 frames */
                if (plan.step_mm > 0.05 * plan.pupil_to_subject_mm)
                    continue; /* a landscape, no take */
                char *text = screen_of(&options);
                (void)assert_fits(text);
                rf_free(text);
            }
}

static void the_comparison_fits_a_screen(void **state)
{
    (void)state;
    rf_plan_options options = full_pebble();
    rf_plan_result rows[RF_PLAN_COMPARE_MAX];
    char *text = NULL;
    int count = 0;
    options.f_number_marked = 9.5;
    assert_int_equal(rf_plan_compare(&options, rows, &count, NULL), RF_OK);
    assert_int_equal(rf_plan_compare_text(&options, rows, count, &text, NULL), RF_OK);
    assert_int_equal(assert_fits(text), 3 + 12 + 1 + 2); /* title and heads, rows, the diffraction line, the note */
    assert_holds(text, "* f/9.5");
    assert_holds(text, "past f/3.64 diffraction");
    rf_free(text);
}

static void an_objective_has_its_own_title(void **state)
{
    (void)state;
    rf_plan_options options = RF_PLAN_OPTIONS_DEFAULT;
    options.objective[0] = 10;
    options.objective[1] = 0.25;
    options.subject_depth_mm = 0.5;
    options.shutter_s = 0.125;
    char *text = screen_of(&options);
    (void)assert_fits(text);
    assert_holds(text, "Objective 10/0.25");
    assert_holds(text, "through the lens");
    rf_free(text);
}

/* The names other commands and scripts rely on. */
static void the_report_has_every_name(void **state)
{
    (void)state;
    static const char *const names[] = {
        "railfold",
        "format",
        "command",
        "magnification",
        "extension_mm",
        "effective_f_number",
        "exposure_factor",
        "exposure_stops",
        "shutter_s",
        "airy_diameter_um",
        "blur_limit_um",
        "depth_of_field_geometric_mm",
        "depth_of_field_wave_mm",
        "depth_of_field_mm",
        "step_mm",
        "overlap",
        "frames",
        "travel_mm",
        "knob_turns_per_step",
        "knob_divisions_per_step",
        "duration_s",
        "card_mb",
        "field_width_mm",
        "field_height_mm",
        "pixel_um",
        "pupil_to_subject_mm",
        "subject_to_sensor_mm",
        "scale_per_step",
        "corner_shift_px_per_step",
        "backdrop_blur_mm",
        "backdrop_blur_fraction",
        "flicker_percent",
        "warnings",
        "cautions",
    };
    rf_plan_options options = full_pebble(), sparse = RF_PLAN_OPTIONS_DEFAULT;
    sparse.magnification = 1;
    sparse.f_number_marked = 8;
    char *full = json_of(&options), *empty = json_of(&sparse);
    for (size_t i = 0; i < COUNT(names); i++) {
        char name[64];
        (void)snprintf(name, sizeof name, "\n  \"%s\": ", names[i]);
        assert_holds(full, name);
        assert_holds(empty, name);
    }
    assert_holds(full, "\"step_mm\": 0.44,");
    assert_holds(full, "\"frames\": 17,");
    assert_holds(full, "\"warning_kinds\": [\"diffraction\"]");
    assert_holds(empty, "\"frames\": null,");
    assert_holds(empty, "\"warnings\": []");
    assert_true(strstr(empty, "nan") == NULL);
    rf_free(full);
    rf_free(empty);
}

static void numbers_keep_their_point_in_any_locale(void **state)
{
    (void)state;
    rf_plan_options options = full_pebble();
    rf_plan_result plan = plan_of(&options);
    char *point = json_of(&options), *card = NULL;
    if (setlocale(LC_ALL, "de_DE.UTF-8") == NULL && setlocale(LC_ALL, "fr_FR.UTF-8") == NULL) {
        rf_free(point);
        skip(); /* no such locale is installed */
    }
    char *comma = json_of(&options);
    assert_int_equal(rf_plan_card_csv(&options, &plan, &card, NULL), RF_OK);
    (void)setlocale(LC_ALL, "C");
    assert_string_equal(strstr(comma, "\"inputs\""), strstr(point, "\"inputs\""));
    assert_holds(comma, "\"step_mm\": 0.44,");
    assert_holds(card, "\n2,0,44,0.44000,-0.44000\n");
    rf_free(card);
    rf_free(comma);
    rf_free(point);
}

/* Turns and reading lead back to the position, for every frame and many knobs. */
static void the_card_counts_like_the_knob(void **state)
{
    (void)state;
    for (int divisions = 3; divisions < 400; divisions += 13) {
        rf_plan_options options = full_pebble();
        options.divisions = divisions;
        options.f_number_marked = 4;
        rf_plan_result plan = plan_of(&options);
        char *card = NULL;
        assert_int_equal(rf_plan_card_csv(&options, &plan, &card, NULL), RF_OK);
        const char *line = strchr(card, '\n') + 1;
        int lines = 0;
        double focus_mm = 0, position_mm = 0;
        for (; *line != '\0'; line = strchr(line, '\n') + 1, lines++) {
            int frame, turns, reading;
            assert_int_equal(sscanf(line, "%d,%d,%d,%lf,%lf", &frame, &turns, &reading, &position_mm, &focus_mm), 5);
            assert_int_equal(frame, lines + 1);
            assert_true(reading >= 0 && reading < divisions);
            double expected = lines * plan.step_mm;
            assert_true(fabs(turns + (double)reading / divisions - expected) < 1e-9 * (1 + expected));
            assert_true(fabs(position_mm - expected) <= 0.5001e-5); /* five decimals */
            assert_true(fabs(focus_mm - (expected - 2 * plan.step_mm)) <= 0.5001e-5);
        }
        assert_int_equal(lines, plan.frames);
        assert_true(fabs(position_mm - plan.travel_mm) <= 0.5001e-5);
        assert_true(focus_mm >= 5 + 2 * plan.step_mm - 1e-5); /* the whole depth, and two guard frames behind it */
        rf_free(card);
    }
}

static void a_card_without_a_knob_still_has_positions(void **state)
{
    (void)state;
    rf_plan_options options = full_pebble();
    options.divisions = 0;
    rf_plan_result plan = plan_of(&options);
    char *card = NULL;
    assert_int_equal(rf_plan_card_csv(&options, &plan, &card, NULL), RF_OK);
    assert_holds(card, "\n2,0.4435,,0.44352,-0.44352\n");
    rf_free(card);
    options.lead_mm = 0;
    plan = plan_of(&options);
    assert_int_equal(rf_plan_card_csv(&options, &plan, &card, NULL), RF_OK);
    assert_holds(card, "\n2,,,0.44352,-0.44352\n");
    rf_free(card);
    options.subject_depth_mm = 0;
    plan = plan_of(&options);
    rf_error err = {0};
    assert_int_equal(rf_plan_card_csv(&options, &plan, &card, &err), RF_ERR_USAGE);
    assert_holds(err.text, "--subject-depth");
    assert_null(card);
}

/* Every allocation fails once: the status says so and nothing is kept. */
static void memory_may_run_out_at_any_point(void **state)
{
    (void)state;
    rf_plan_options options = full_pebble();
    options.f_number_marked = 1.4;
    rf_plan_result plan = plan_of(&options), rows[RF_PLAN_COMPARE_MAX];
    int count = 0;
    assert_int_equal(rf_plan_compare(&options, rows, &count, NULL), RF_OK);
    for (int which = 0; which < 4; which++) {
        failing_memory memory = failing_memory_start();
        rf_status status;
        do {
            char *text = NULL;
            failing_memory_arm(&memory);
            status = which == 0   ? rf_plan_screen_text(&options, &plan, &text, NULL)
                     : which == 1 ? rf_plan_json(&options, &plan, rows, count, &text, NULL)
                     : which == 2 ? rf_plan_card_csv(&options, &plan, &text, NULL)
                                  : rf_plan_compare_text(&options, rows, count, &text, NULL);
            assert_int_equal(status == RF_OK, text != NULL);
            rf_free(text);
        } while (failing_memory_goes_on(&memory, status, NULL));
        assert_true(memory.failures >= 1);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_screen_fits_a_screen),        cmocka_unit_test(no_plan_breaks_the_table),
        cmocka_unit_test(the_comparison_fits_a_screen),    cmocka_unit_test(an_objective_has_its_own_title),
        cmocka_unit_test(the_report_has_every_name),       cmocka_unit_test(numbers_keep_their_point_in_any_locale),
        cmocka_unit_test(the_card_counts_like_the_knob),   cmocka_unit_test(a_card_without_a_knob_still_has_positions),
        cmocka_unit_test(memory_may_run_out_at_any_point),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

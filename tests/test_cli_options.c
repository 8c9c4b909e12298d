/* The option parser against a table of its own: what is taken, and how a mistake is told. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "cli/options.h"
#include "cli/suggest.h"
#include "cli/values.h"

typedef struct settings {
    rf_common common;
    const char *output, *note;
    int frames, order, sides[2], parity;
    double step_mm, sensor_mm[2], gap_s, ratio, focal_mm;
    size_t memory_bytes;
    int align_off;
} settings;

static int parse_parity(const char *text, void *field)
{
    int parity = strcmp(text, "odd") == 0 ? 1 : strcmp(text, "even") == 0 ? 2 : 0;
    if (parity != 0)
        memcpy(field, &parity, sizeof parity);
    return parity != 0;
}

/* clang-format off */
static const rf_option table[] = {
    {.name = "output", .letter = 'o', .kind = RF_OPTION_PATH, .offset = offsetof(settings, output), .value = "FILE"},
    {.name = "note", .kind = RF_OPTION_TEXT, .offset = offsetof(settings, note), .value = "TEXT"},
    {.name = "frames", .kind = RF_OPTION_INTEGER, .offset = offsetof(settings, frames), .value = "N", .min = 1, .max = 64},
    {.name = "order", .kind = RF_OPTION_CHOICE, .offset = offsetof(settings, order), .value = "name|time|none"},
    {.name = "step", .kind = RF_OPTION_LENGTH, .offset = offsetof(settings, step_mm), .value = "LEN"},
    {.name = "focal", .kind = RF_OPTION_LENGTH, .offset = offsetof(settings, focal_mm), .value = "MM", .plain_unit = "mm"},
    {.name = "sensor", .kind = RF_OPTION_EXTENT, .offset = offsetof(settings, sensor_mm), .value = "WxH"},
    {.name = "pixels", .kind = RF_OPTION_PIXELS, .offset = offsetof(settings, sides), .value = "WxH"},
    {.name = "gap", .kind = RF_OPTION_DURATION, .offset = offsetof(settings, gap_s), .value = "TIME"},
    {.name = "ratio", .kind = RF_OPTION_NUMBER, .offset = offsetof(settings, ratio), .value = "X", .min = 0, .max = 1},
    {.name = "memory", .kind = RF_OPTION_SIZE, .offset = offsetof(settings, memory_bytes), .value = "SIZE"},
    {.name = "parity", .kind = RF_OPTION_CUSTOM, .offset = offsetof(settings, parity), .value = "odd|even",
     .expected = "odd or even", .parse = parse_parity},
    {.name = "no-align", .letter = 'n', .kind = RF_OPTION_FLAG, .offset = offsetof(settings, align_off)},
    RF_ROW_VERBOSE,
    RF_ROW_PROGRESS,
    {.name = NULL},
};
/* clang-format on */

enum { ARGUMENTS_MOST = 16 };

typedef struct parsed {
    settings set;
    rf_arguments arguments;
    const char *operands[ARGUMENTS_MOST];
    rf_error err;
    rf_status status;
} parsed;

/* A fresh parse of a NULL-terminated list of words. */
static void parse(parsed *out, const char *const *words)
{
    int count = 0;
    while (words[count] != NULL)
        count++;
    memset(out, 0, sizeof *out);
    out->arguments.operands = out->operands;
    out->status = rf_options_parse(table, count, words, &out->set, &out->arguments, &out->err);
}

#define assert_near(value, wanted, tolerance) assert_true(fabs((value) - (wanted)) <= (tolerance))

#define PARSE(out, ...) parse(out, (const char *const[]){__VA_ARGS__, NULL})

/* The parse fails with exactly this sentence: the wording is the interface. */
#define FAILS_WITH(sentence, ...)                                                                                      \
    do {                                                                                                               \
        parsed failed;                                                                                                 \
        PARSE(&failed, __VA_ARGS__);                                                                                   \
        assert_int_equal(failed.status, RF_ERR_USAGE);                                                                 \
        assert_string_equal(failed.err.text, sentence);                                                                \
    } while (0)

static void values_are_taken_after_a_blank_or_an_equals_sign(void **state)
{
    (void)state;
    parsed p;
    PARSE(&p, "--output=a b.tif", "--frames", "12", "--order=time", "--note=");
    assert_int_equal(p.status, RF_OK);
    assert_string_equal(p.set.output, "a b.tif");
    assert_int_equal(p.set.frames, 12);
    assert_int_equal(p.set.order, 1);
    assert_string_equal(p.set.note, "");
}

static void options_and_operands_mix_until_two_dashes(void **state)
{
    (void)state;
    parsed p;
    PARSE(&p, "one", "-v", "-", "--", "-v", "--output", "two");
    assert_int_equal(p.status, RF_OK);
    assert_true(p.set.common.verbose);
    assert_null(p.set.output);
    assert_int_equal(p.arguments.operand_count, 5);
    assert_string_equal(p.operands[1], "-");
    assert_string_equal(p.operands[3], "--output");
}

static void letters_combine_and_the_last_may_take_a_value(void **state)
{
    (void)state;
    parsed p;
    PARSE(&p, "-qvnofile.png");
    assert_int_equal(p.status, RF_OK);
    assert_true(p.set.common.quiet && p.set.common.verbose && p.set.align_off);
    assert_string_equal(p.set.output, "file.png");
    PARSE(&p, "-no", "-q.tif");
    assert_int_equal(p.status, RF_OK);
    assert_string_equal(p.set.output, "-q.tif");
}

static void the_last_of_a_repeated_option_counts(void **state)
{
    (void)state;
    parsed p;
    PARSE(&p, "--frames=3", "--frames=4");
    assert_int_equal(p.status, RF_OK);
    assert_int_equal(p.set.frames, 4);
}

static void help_ends_the_reading(void **state)
{
    (void)state;
    parsed p;
    PARSE(&p, "--help", "--nonsense");
    assert_int_equal(p.status, RF_OK);
    assert_true(p.set.common.help);
}

static void given_tells_options_that_repeat_their_default_from_absent_ones(void **state)
{
    (void)state;
    parsed p;
    PARSE(&p, "--progress=auto", "--quiet");
    assert_true(rf_options_given(table, &p.arguments, "progress"));
    assert_true(rf_options_given(table, &p.arguments, "quiet"));
    assert_false(rf_options_given(table, &p.arguments, "frames"));
    assert_false(rf_options_given(table, &p.arguments, "force"));
}

/* Factors are definitions of the SI (BIPM, SI brochure) and 1 in = 25.4 mm (international yard and pound agreement). */
static void lengths_come_out_in_millimetres(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double mm;
    } cases[] = {{"0.05mm", 0.05},      {"50um", 0.05},     {"50 um", 0.05},  {"50\xc2\xb5m", 0.05},
                 {"50\xce\xbcm", 0.05}, {"550nm", 0.00055}, {"2cm", 20},      {"1.5m", 1500},
                 {"1in", 25.4},         {".5mm", 0.5},      {"5e-2mm", 0.05}, {"+1mm", 1}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        double mm = 0;
        assert_int_equal(rf_value_length(cases[i].text, NULL, &mm), RF_VALUE_TAKEN);
        assert_near(mm, cases[i].mm, 1e-12); /* two roundings of a double */
    }
    static const char *const bad[] = {"",      "mm",    "x",     "0.05mmm", "0,05mm",  "0x10mm",
                                      "nanmm", "infmm", "1mm 2", "--1mm",   "1e999mm", "."};
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        double mm = -7;
        assert_int_not_equal(rf_value_length(bad[i], NULL, &mm), RF_VALUE_TAKEN);
        assert_true(mm > -7.5 && mm < -6.5);
    }
}

static void extents_durations_and_sizes_are_read(void **state)
{
    (void)state;
    parsed p;
    PARSE(&p, "--sensor", "23.5x15.6mm", "--pixels=6000x4000", "--gap=1/4s", "--memory=1.5G", "--focal", "50",
          "--ratio=0");
    assert_int_equal(p.status, RF_OK);
    assert_near(p.set.sensor_mm[0], 23.5, 0);
    assert_near(p.set.sensor_mm[1], 15.6, 0);
    assert_int_equal(p.set.sides[0], 6000);
    assert_int_equal(p.set.sides[1], 4000);
    assert_near(p.set.gap_s, 0.25, 0);
    assert_true(p.set.memory_bytes == (size_t)1536 * 1024 * 1024);
    assert_near(p.set.focal_mm, 50, 0);
    double seconds;
    assert_int_equal(rf_value_duration("2min", NULL, &seconds), RF_VALUE_TAKEN);
    assert_near(seconds, 120, 0);
    assert_int_equal(rf_value_duration("1/0s", NULL, &seconds), RF_VALUE_MALFORMED);
    size_t bytes;
    assert_int_equal(rf_value_size("900MiB", NULL, &bytes), RF_VALUE_TAKEN);
    assert_true(bytes == (size_t)900 * 1024 * 1024);
    assert_int_equal(rf_value_size("-1G", NULL, &bytes), RF_VALUE_OUT_OF_RANGE);
    assert_int_equal(rf_value_size("9e30G", NULL, &bytes), RF_VALUE_OUT_OF_RANGE);
}

static void a_mistake_names_the_option_the_value_and_what_was_expected(void **state)
{
    (void)state;
    FAILS_WITH("--frames takes a whole number from 1 to 64, not 'many'", "--frames", "many");
    FAILS_WITH("--frames takes a whole number from 1 to 64, not '65', which is out of range", "--frames=65");
    FAILS_WITH("--frames takes a whole number from 1 to 64, not '99999999999999999999', which is out of range",
               "--frames=99999999999999999999");
    FAILS_WITH("--frames takes a whole number from 1 to 64, not '2.5'", "--frames=2.5");
    FAILS_WITH("--step takes a length with its unit, such as 0.05mm or 50um, not '0.05', which names no unit", "--step",
               "0.05");
    FAILS_WITH("--step takes a length with its unit, such as 0.05mm or 50um, not '-1mm', which is out of range",
               "--step=-1mm");
    FAILS_WITH("--step takes a length with its unit, such as 0.05mm or 50um, not '5 miles'", "--step=5 miles");
    FAILS_WITH("--memory takes a size with its unit, such as 2G or 900M, not '2', which names no unit", "--memory=2");
    FAILS_WITH("--order takes name, time or none, not 'date'", "--order=date");
    FAILS_WITH("--order takes name, time or none, not ''", "--order=");
    FAILS_WITH("--parity takes odd or even, not '3'", "--parity=3");
    FAILS_WITH("--sensor takes a width and height with their unit, such as 23.5x15.6mm, not '23.5mm'",
               "--sensor=23.5mm");
    FAILS_WITH("--pixels takes a width and height in pixels, such as 6000x4000, not '6000x0', which is out of range",
               "--pixels=6000x0");
    FAILS_WITH("--ratio takes a number from 0 to 1, not '1.01', which is out of range", "--ratio=1.01");
    FAILS_WITH("--output takes a file name, not ''", "--output=");
    FAILS_WITH("--no-align takes no value, yet 'yes' was given", "--no-align=yes");
    FAILS_WITH("--output needs a value (FILE), yet the command line ends", "-o");
    FAILS_WITH("--output needs a value (FILE), yet the option --force follows", "--output", "--force");
}

static void a_near_miss_gets_a_suggestion(void **state)
{
    (void)state;
    FAILS_WITH("there is no option --ouput; did you mean --output?", "--ouput=x");
    FAILS_WITH("there is no option --outptu; did you mean --output?", "--outptu", "x");
    FAILS_WITH("there is no option --out; did you mean --output?", "--out", "x");
    FAILS_WITH("there is no option --quite; did you mean --quiet?", "--quite");
    FAILS_WITH("there is no option --noalign; did you mean --no-align?", "--noalign");
    FAILS_WITH("there is no option --bananas; --help lists them", "--bananas");
}

static void a_wrong_letter_is_told(void **state)
{
    (void)state;
    FAILS_WITH("there is no option -x in '-x'; a name that starts with a dash goes after --", "-x");
    FAILS_WITH("there is no option -output; did you mean --output?", "-output", "x.tif");
    FAILS_WITH("there is no option -frames=3; did you mean --frames=3?", "-frames=3");
}

/* Worked examples of the definition, by hand. */
static void edit_distance_counts_slips_and_swaps(void **state)
{
    (void)state;
    assert_int_equal(rf_suggest_distance("", ""), 0);
    assert_int_equal(rf_suggest_distance("", "abc"), 3);
    assert_int_equal(rf_suggest_distance("step", "step"), 0);
    assert_int_equal(rf_suggest_distance("step", "setp"), 1); /* a swap */
    assert_int_equal(rf_suggest_distance("kitten", "sitting"), 3);
    assert_int_equal(rf_suggest_distance("ca", "abc"), 3); /* the restricted form: 3, not 2 */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_are_taken_after_a_blank_or_an_equals_sign),
        cmocka_unit_test(options_and_operands_mix_until_two_dashes),
        cmocka_unit_test(letters_combine_and_the_last_may_take_a_value),
        cmocka_unit_test(the_last_of_a_repeated_option_counts),
        cmocka_unit_test(help_ends_the_reading),
        cmocka_unit_test(given_tells_options_that_repeat_their_default_from_absent_ones),
        cmocka_unit_test(lengths_come_out_in_millimetres),
        cmocka_unit_test(extents_durations_and_sizes_are_read),
        cmocka_unit_test(a_mistake_names_the_option_the_value_and_what_was_expected),
        cmocka_unit_test(a_near_miss_gets_a_suggestion),
        cmocka_unit_test(a_wrong_letter_is_told),
        cmocka_unit_test(edit_distance_counts_slips_and_swaps),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

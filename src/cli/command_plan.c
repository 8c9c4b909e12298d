/* command_plan.c - railfold plan: step, frames, time and light, before the first frame. */
#include <stdio.h>
#include <string.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "railfold/plan.h"
#include "cli/commands.h"
#include "cli/destination.h"
#include "cli/talk.h"
#include "cli/values.h"

typedef struct plan_settings {
    rf_common common;
    rf_plan_options plan;
    const char *csv;
    int compare;
} plan_settings;

static const plan_settings defaults = {.plan = RF_PLAN_OPTIONS_DEFAULT};

/* The values that photographers write in a form of their own. Each takes the whole text or returns 0. */

static int in_range(double value, double min, double max)
{
    return value >= min && value <= max;
}

/* "2", "2x", "2:1", "1:2". */
static int parse_magnification(const char *text, void *field)
{
    char part[32];
    double value, divisor = 1;
    size_t head = strcspn(text, ":xX");
    const char *rest = text + head;
    if (head >= sizeof part)
        return 0;
    memcpy(part, text, head);
    part[head] = '\0';
    if (rf_value_number(part, &value) != RF_VALUE_TAKEN)
        return 0;
    if (*rest == ':' && rf_value_number(rest + 1, &divisor) != RF_VALUE_TAKEN)
        return 0;
    if ((*rest == 'x' || *rest == 'X') && rest[1] != '\0')
        return 0;
    value /= divisor;
    if (!in_range(value, 0.001, 1000))
        return 0;
    memcpy(field, &value, sizeof value);
    return 1;
}

/* "11" or "f/11", as engraved. */
static int parse_aperture(const char *text, void *field)
{
    double value;
    if (strncmp(text, "f/", 2) == 0)
        text += 2;
    if (rf_value_number(text, &value) != RF_VALUE_TAKEN || !in_range(value, 0.5, 1000))
        return 0;
    memcpy(field, &value, sizeof value);
    return 1;
}

/* "10/0.25" or "10x/0.25". */
static int parse_objective(const char *text, void *field)
{
    char part[32];
    double values[2];
    size_t head = strcspn(text, "/");
    if (head >= sizeof part || text[head] != '/')
        return 0;
    memcpy(part, text, head);
    part[head] = '\0';
    if (!parse_magnification(part, &values[0]) || rf_value_number(text + head + 1, &values[1]) != RF_VALUE_TAKEN ||
        !in_range(values[1], 0.001, 1.99))
        return 0;
    memcpy(field, values, sizeof values);
    return 1;
}

/* Times as on a dial ("1/125", "0.4", "30") are exact powers of two behind a rounded number; "0.008" stands as it is.
 */
static int parse_shutter(const char *text, void *field)
{
    double seconds;
    if (rf_value_duration(text, "s", &seconds) != RF_VALUE_TAKEN || !in_range(seconds, 1e-6, 1e5))
        return 0;
    if (strchr(text, '/') != NULL || seconds >= 0.3)
        seconds = rf_plan_exact_shutter_s(seconds);
    memcpy(field, &seconds, sizeof seconds);
    return 1;
}

static int parse_mains(const char *text, void *field)
{
    double hertz;
    if (rf_value_number(text, &hertz) != RF_VALUE_TAKEN || (hertz != 50 && hertz != 60))
        return 0;
    memcpy(field, &hertz, sizeof hertz);
    return 1;
}

#define PLAN(member) .offset = offsetof(plan_settings, plan.member)
#define MILLIMETRES(label, member, most, phrase)                                                                       \
    {                                                                                                                  \
        .name = label, .kind = RF_OPTION_LENGTH, PLAN(member), .value = "MM", .plain_unit = "mm", .min = 1e-6,         \
        .max = most, .expected = "a length above 0, in mm up to " #most, .help = phrase                                \
    }
#define MICRONS(label, member, phrase)                                                                                 \
    {                                                                                                                  \
        .name = label, .kind = RF_OPTION_LENGTH, PLAN(member), .value = "UM", .plain_unit = "um", .min = 1e-6,         \
        .max = 10, .expected = "a length above 0, in um up to 10000", .help = phrase                                   \
    }
#define WAIT(label, member, phrase)                                                                                    \
    {                                                                                                                  \
        .name = label, .kind = RF_OPTION_DURATION, PLAN(member), .value = "S", .plain_unit = "s", .min = 0,            \
        .max = 86400, .expected = "a time of 0 or more, in seconds", .help = phrase                                    \
    }
#define NUMBER(label, member, word, least, most, phrase)                                                               \
    {                                                                                                                  \
        .name = label, .kind = RF_OPTION_NUMBER, PLAN(member), .value = word, .min = least, .max = most,               \
        .help = phrase                                                                                                 \
    }
#define COUNT(label, member, least, most, phrase)                                                                      \
    {                                                                                                                  \
        .name = label, .kind = RF_OPTION_INTEGER, PLAN(member), .value = "N", .min = least, .max = most,               \
        .help = phrase                                                                                                 \
    }
#define OWN(label, member, word, takes, reader, phrase)                                                                \
    {                                                                                                                  \
        .name = label, .kind = RF_OPTION_CUSTOM, PLAN(member), .value = word, .expected = takes, .parse = reader,      \
        .help = phrase                                                                                                 \
    }

/* clang-format off: one row an option */
static const rf_option options[] = {
    /* Lens. */
    MILLIMETRES("focal", focal_mm, 10000, "focal length"),
    OWN("magnification", magnification, "M", "a magnification above 0, such as 2, 0.5 or 2:1", parse_magnification,
        "size on the sensor over size of the subject; or give the extension or the field"),
    MILLIMETRES("extension", extension_mm, 10000, "bellows extension beyond infinity focus"),
    MILLIMETRES("field-width", field_width_mm, 10000, "width of the subject that fills the frame"),
    OWN("aperture", f_number_marked, "N", "an f-number as engraved, from 0.5 to 1000, such as 11", parse_aperture,
        "as engraved: 11 stands for 11.3137"),
    NUMBER("pupil-ratio", pupil_ratio, "P", 0.05, 20, "exit over entrance pupil diameter, default 1"),
    {.name = "reversed", .kind = RF_OPTION_FLAG, PLAN(reversed), .help = "the lens is mounted back to front"},
    OWN("objective", objective, "M/NA", "a magnification and a numerical aperture, such as 10/0.25", parse_objective,
        "microscope objective in place of a lens; --magnification is then the one in use"),
    NUMBER("medium", medium_index, "N", 1, 2, "refractive index before the objective, default 1"),
    MILLIMETRES("working-distance", working_distance_mm, 10000, "measured, front of the lens to the subject"),
    /* Camera. */
    {.name = "sensor",
     .kind = RF_OPTION_EXTENT,
     PLAN(sensor_mm),
     .value = "WxH",
     .plain_unit = "mm",
     .min = 0.01,
     .max = 10000,
     .expected = "a width and height above 0 in mm, such as 36x24",
     .help = "sensor size in mm"},
    {.name = "pixels",
     .kind = RF_OPTION_PIXELS,
     PLAN(pixels),
     .value = "WxH",
     .min = 1,
     .max = 1000000,
     .expected = "a width and height in pixels, such as 6000x4000",
     .help = "sensor size in pixels"},
    MICRONS("pitch", pitch_mm, "pixel pitch, in place of --sensor or --pixels"),
    {.name = "frame-mb",
     .kind = RF_OPTION_NUMBER,
     PLAN(frame_mb),
     .value = "MB",
     .min = 1e-6,
     .max = 1e6,
     .expected = "megabytes above 0",
     .help = "size of one frame's file, for the card space"},
    /* Subject and sharpness. */
    MILLIMETRES("subject-depth", subject_depth_mm, 10000, "depth that is to be sharp from front to back"),
    {.name = "blur",
     .kind = RF_OPTION_NUMBER,
     PLAN(blur_px),
     .value = "PX",
     .min = 0.01,
     .max = 1000,
     .expected = "a blur disc in pixels above 0",
     .help = "limit of the blur disc, default 2 pixels"},
    {.name = "wavelength",
     .kind = RF_OPTION_LENGTH,
     PLAN(wavelength_mm),
     .value = "NM",
     .plain_unit = "nm",
     .min = 100e-6,
     .max = 3000e-6,
     .expected = "a wavelength in nm from 100 to 3000",
     .help = "default 550 nm"},
    NUMBER("overlap", overlap_percent, "PCT", 0, 95, "share of the depth of field that neighbours repeat, default 30"),
    COUNT("guard", guard_frames, 0, 1000, "spare frames before and after the subject, default 2"),
    MILLIMETRES("backdrop", backdrop_mm, 1000000, "distance of the backdrop behind the subject's deepest focus plane"),
    /* Rail. */
    MILLIMETRES("lead", lead_mm, 1000, "travel of the rail per turn of the knob"),
    COUNT("divisions", divisions, 1, 1000000, "marks on the knob (or motor steps a turn): steps are whole ones"),
    MICRONS("smallest-step", smallest_step_mm, "what the rail can do at the finest"),
    {.name = "step",
     .kind = RF_OPTION_LENGTH,
     PLAN(step_mm),
     .value = "LEN",
     .plain_unit = "mm",
     .min = 1e-6,
     .max = 10000,
     .expected = "a length above 0, such as 0.05mm or 50um",
     .help = "a step already chosen"},
    /* Light and time. */
    OWN("shutter", shutter_s, "T", "a time above 0, such as 1/2, 0.5 or 1s", parse_shutter, "metered shutter time"),
    {.name = "metered",
     .kind = RF_OPTION_CHOICE,
     PLAN(metering),
     .value = "external|through-lens",
     .help = "where: outside, so that the bellows factor comes on top (default), or through the lens"},
    OWN("metered-at", metered_f_number_marked, "N", "an f-number as engraved, from 0.5 to 1000, such as 8",
        parse_aperture, "the aperture it was metered at, default that of --aperture"),
    WAIT("timer", timer_s, "self-timer, per frame"),
    WAIT("settle", settle_s, "wait for the rail to stand still, per frame"),
    OWN("mains", mains_hz, "50|60", "50 or 60, the frequency of the mains in Hz", parse_mains,
        "frequency of the lamps' mains, for flicker"),
    /* Search and output. */
    {.name = "solve",
     .kind = RF_OPTION_CHOICE,
     PLAN(goal),
     .value = "aperture|step|frames",
     .help = "look for the sharpest aperture, the step that fits, or the fewest frames"},
    COUNT("max-frames", max_frames, 2, RF_PLAN_FRAMES_MAX, "the most frames to take"),
    {.name = "compare",
     .kind = RF_OPTION_FLAG,
     .offset = offsetof(plan_settings, compare),
     .help = "one row per marked aperture"},
    {.name = "csv",
     .kind = RF_OPTION_PATH,
     .offset = offsetof(plan_settings, csv),
     .value = "FILE",
     .help = "write the shooting card, a row a frame; - is standard output"},
    RF_ROW_STRICT,
    {.name = NULL},
};
/* clang-format on */

static int is_stdout(const char *path)
{
    return path != NULL && strcmp(path, "-") == 0;
}

static rf_status check_outputs(const plan_settings *set, const rf_arguments *arguments, rf_error *err)
{
    const rf_destination outputs[] = {{"--report", set->common.report, NULL}, {"--csv", set->csv, NULL}};
    if (arguments->operand_count > 0)
        return rf_fail(err, RF_ERR_USAGE, "plan takes options alone, not '%.200s'", arguments->operands[0]);
    if (is_stdout(set->common.report) && is_stdout(set->csv))
        return rf_fail(err, RF_ERR_USAGE, "--report - and --csv - cannot both have standard output");
    return rf_destinations_check(outputs, 2, NULL, 0, set->common.force, err);
}

/* Into the batch, unless it is for standard output, or for nowhere (NULL). */
static rf_status add_text(rf_batch *batch, const char *path, const char *text, int force, rf_error *err)
{
    return path == NULL || is_stdout(path) ? RF_OK : rf_batch_add_text(batch, path, text, strlen(text), force, err);
}

/* `plan` is NULL when only a comparison was asked for and no aperture was given. */
static rf_status print_plan(const plan_settings *set, const rf_plan_result *plan, const rf_plan_result *rows, int count,
                            rf_error *err)
{
    char *report = NULL, *card = NULL, *screen = NULL;
    rf_batch *batch = NULL;
    rf_status status = RF_OK;
    if (set->common.report != NULL)
        RF_TRY(rf_plan_json(&set->plan, plan, rows, count, &report, err));
    if (set->csv != NULL)
        RF_TRY(rf_plan_card_csv(&set->plan, plan, &card, err));
    if (set->compare)
        RF_TRY(rf_plan_compare_text(&set->plan, rows, count, &screen, err));
    else
        RF_TRY(rf_plan_screen_text(&set->plan, plan, &screen, err));
    RF_TRY(rf_batch_create(&batch, err));
    RF_TRY(add_text(batch, set->common.report, report, set->common.force, err));
    RF_TRY(add_text(batch, set->csv, card, set->common.force, err));
    RF_TRY(rf_batch_name(batch, err));
    /* main looks at the stream's state */
    (void)fputs(is_stdout(set->common.report) ? report : is_stdout(set->csv) ? card : screen, stdout);
done:
    rf_batch_destroy(&batch);
    rf_free(screen);
    rf_free(card);
    rf_free(report);
    return status;
}

static rf_status run_plan(rf_invocation *call, rf_error *err)
{
    const plan_settings *set = call->settings;
    const rf_plan_options *plan = &set->plan;
    rf_plan_result result, rows[RF_PLAN_COMPARE_MAX];
    int count = 0;
    int has_aperture = plan->f_number_marked > 0 || plan->objective[1] > 0 || plan->goal != RF_PLAN_GOAL_NONE;
    rf_status status;
    RF_TRY(check_outputs(set, &call->arguments, err));
    if (set->compare)
        RF_TRY(rf_plan_compare(plan, rows, &count, err));
    if (!set->compare || has_aperture || set->csv != NULL)
        RF_TRY(rf_plan_compute(plan, &result, err));
    RF_TRY(print_plan(set, set->compare && !has_aperture ? NULL : &result, rows, count, err));
    call->warnings = set->compare && !has_aperture ? 0 : result.warning_count;
    if (set->common.strict && (set->compare || is_stdout(set->common.report) || is_stdout(set->csv)))
        for (int i = 0; i < call->warnings; i++) /* the exit code needs its reason, and the screen did not show it */
            rf_talk(stderr, "warning: %s", result.warnings[i].text);
done:
    return status;
}

const rf_command command_plan = {
    .name = "plan",
    .summary = "work out step, frames, exposure and sharpness before shooting",
    .operands = "",
    .about = "Plans the take at the desk: how far to turn the knob, how many frames, how\n"
             "long, which aperture, and what limits the sharpness. Lengths may name another\n"
             "unit than the one shown: 50um, 2.5cm. What is not given is left out.\n"
             "\n"
             "  railfold plan --focal 100 --magnification 2 --aperture 11 --sensor 36x24 \\\n"
             "      --pixels 6000x4000 --subject-depth 5 --lead 1 --divisions 100 \\\n"
             "      --shutter 1s\n"
             "  railfold plan ... --compare                         one row per aperture\n"
             "  railfold plan ... --solve aperture --max-frames 60  the sharpest in 60 frames\n"
             "  railfold plan ... --report plan.json --csv card.csv\n",
    .options = options,
    .defaults = &defaults,
    .settings_bytes = sizeof defaults,
    .run = run_plan,
};

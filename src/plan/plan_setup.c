/* plan_setup.c - the options checked, and made whole: each of focal length, extension, magnification and field follows
 * from the others, and so do sensor, pixels and pitch. */
#include "plan/plan_parts.h"

#include <math.h>
#include <stddef.h>

/* Two figures for one thing agree when they differ by less: people write 1.4 for 100/70, and 24 mm for 23.9. */
static const double ROUNDING = 0.02;
/* Makers round sensor sides to half a millimetre, so the pitch along the two sides may differ by a little more. */
static const double SQUARE_PIXELS = 0.03;

/* Finer than any rail, and coarse enough to count the divisions of any take in 64 bits. */
static const double LEAST_DIVISION_MM = 1e-6;

typedef struct field_check {
    const char *name;
    size_t offset;
    const char *expected;
    double most;
} field_check;

#define FIELD(name, member, expected, most)                                                                            \
    {                                                                                                                  \
        name, offsetof(rf_plan_options, member), expected, most                                                        \
    }

/* 0 is "not given" and passes; the command line refuses a 0 that was typed. */
static const field_check checks[] = {
    FIELD("focal", focal_mm, "a focal length in mm above 0", 1e5),
    FIELD("extension", extension_mm, "an extension in mm above 0", 1e5),
    FIELD("magnification", magnification, "a magnification above 0", 1e4),
    FIELD("field-width", field_width_mm, "a width in mm above 0", 1e5),
    FIELD("aperture", f_number_marked, "an f-number above 0", 1e4),
    FIELD("pupil-ratio", pupil_ratio, "a ratio above 0", 100),
    FIELD("objective", objective[0], "a magnification above 0", 1e4),
    FIELD("objective", objective[1], "a numerical aperture above 0", 2),
    FIELD("medium", medium_index, "a refractive index from 1", 2),
    FIELD("sensor", sensor_mm[0], "a width in mm above 0", 1e4),
    FIELD("sensor", sensor_mm[1], "a height in mm above 0", 1e4),
    FIELD("pitch", pitch_mm, "a pixel pitch in um above 0", 10),
    FIELD("subject-depth", subject_depth_mm, "a depth in mm above 0", 1e5),
    FIELD("blur", blur_px, "a blur disc in pixels above 0", 1e4),
    FIELD("wavelength", wavelength_mm, "a wavelength in nm above 0", 1),
    FIELD("overlap", overlap_percent, "per cent from 0 to 95", 95),
    FIELD("step", step_mm, "a step in mm above 0", 1e5),
    FIELD("lead", lead_mm, "mm per turn above 0", 1e4),
    FIELD("smallest-step", smallest_step_mm, "a step in um above 0", 1e4),
    FIELD("working-distance", working_distance_mm, "a distance in mm above 0", 1e5),
    FIELD("shutter", shutter_s, "a time in seconds above 0", 1e6),
    FIELD("metered-at", metered_f_number_marked, "an f-number above 0", 1e4),
    FIELD("timer", timer_s, "a time in seconds, 0 or more", 1e6),
    FIELD("settle", settle_s, "a time in seconds, 0 or more", 1e6),
    FIELD("backdrop", backdrop_mm, "a distance in mm above 0", 1e7),
    FIELD("frame-mb", frame_mb, "megabytes above 0", 1e6),
};

static rf_status check_fields(const rf_plan_options *options, rf_error *err)
{
    for (size_t i = 0; i < sizeof checks / sizeof checks[0]; i++) {
        double value = *(const double *)(const void *)((const char *)options + checks[i].offset);
        if (!(value >= 0 && value <= checks[i].most))
            return rf_fail(err, RF_ERR_USAGE, "--%s takes %s (at most %g), not %g", checks[i].name, checks[i].expected,
                           checks[i].most, value);
    }
    if (options->pixels[0] < 0 || options->pixels[1] < 0 || (options->pixels[0] == 0) != (options->pixels[1] == 0))
        return rf_fail(err, RF_ERR_USAGE, "--pixels takes a width and height above 0, not %dx%d", options->pixels[0],
                       options->pixels[1]);
    if (options->guard_frames < 0 || options->guard_frames > RF_PLAN_FRAMES_MAX / 4)
        return rf_fail(err, RF_ERR_USAGE, "--guard takes a number of frames, 0 or more, not %d", options->guard_frames);
    if (options->divisions < 0 || options->max_frames < 0)
        return rf_fail(err, RF_ERR_USAGE, "--%s takes a whole number above 0, not %d",
                       options->divisions < 0 ? "divisions" : "max-frames",
                       options->divisions < 0 ? options->divisions : options->max_frames);
    if (options->mains_hz != 0 && options->mains_hz != 50 && options->mains_hz != 60)
        return rf_fail(err, RF_ERR_USAGE, "--mains takes 50 or 60, not %g", options->mains_hz);
    if (!(options->pupil_ratio > 0) || !(options->blur_px > 0) || !(options->wavelength_mm > 0))
        return rf_fail(err, RF_ERR_USAGE, "--pupil-ratio, --blur and --wavelength take values above 0, not 0");
    return RF_OK;
}

/* Options that need another one, or exclude it. */
static rf_status check_pairs(const rf_plan_options *options, rf_error *err)
{
    int objective = options->objective[1] > 0;
    const char *misfit = options->focal_mm > 0                  ? "focal"
                         : options->extension_mm > 0            ? "extension"
                         : options->f_number_marked > 0         ? "aperture"
                         : options->pupil_ratio != 1            ? "pupil-ratio"
                         : options->reversed                    ? "reversed"
                         : options->metered_f_number_marked > 0 ? "metered-at"
                                                                : NULL;
    if (objective && misfit != NULL)
        return rf_fail(err, RF_ERR_USAGE, "--%s does not go with --objective %g/%g, whose NA stands for the aperture",
                       misfit, options->objective[0], options->objective[1]);
    if (objective && options->metering == RF_PLAN_METERED_EXTERNAL)
        return rf_fail(err, RF_ERR_USAGE,
                       "--metered external does not go with --objective, which has no f-number to set a meter to; "
                       "expected through-lens");
    if (objective && (options->goal == RF_PLAN_GOAL_APERTURE))
        return rf_fail(err, RF_ERR_USAGE, "--solve aperture does not go with --objective, whose aperture is fixed");
    if (!objective && options->medium_index > 0)
        return rf_fail(err, RF_ERR_USAGE, "--medium %g needs --objective M/NA: the medium before an objective",
                       options->medium_index);
    if (options->medium_index > 0 && options->medium_index < 1)
        return rf_fail(err, RF_ERR_USAGE, "--medium takes a refractive index from 1 (air) to 2, not %g",
                       options->medium_index);
    if (objective && options->objective[1] >= fmax(options->medium_index, 1))
        return rf_fail(err, RF_ERR_USAGE,
                       "--objective %g/%g needs a medium of an index above its NA (--medium 1.52 for oil), not %g",
                       options->objective[0], options->objective[1], fmax(options->medium_index, 1));
    if (options->divisions > 0 && !(options->lead_mm > 0))
        return rf_fail(err, RF_ERR_USAGE, "--divisions %d needs --lead MM, the travel of one turn of the knob",
                       options->divisions);
    if (options->divisions > 0 && options->lead_mm / options->divisions < LEAST_DIVISION_MM)
        return rf_fail(err, RF_ERR_USAGE, "--divisions %d of --lead %g mm are %g nm each; expected 1 nm or more",
                       options->divisions, options->lead_mm, options->lead_mm / options->divisions * 1e6);
    return RF_OK;
}

static int agree(double a, double b, double tolerance)
{
    return fabs(a - b) <= tolerance * fmax(fabs(a), fabs(b));
}

/* 0 ("not given") as NAN, which runs through the formulas. */
static double known(double value)
{
    return value > 0 ? value : NAN;
}

static rf_status set_sensor(const rf_plan_options *options, rf_plan_result *setup, rf_error *err)
{
    double width = known(options->sensor_mm[0]), height = known(options->sensor_mm[1]),
           pitch = known(options->pitch_mm);
    double wide = known(options->pixels[0]), high = known(options->pixels[1]);
    if (width > 0 && wide > 0) {
        if (!agree(width / wide, height / high, SQUARE_PIXELS))
            return rf_fail(err, RF_ERR_USAGE,
                           "--sensor %gx%g and --pixels %.0fx%.0f disagree: pixels of %.3g by %.3g um are not square",
                           width, height, wide, high, width / wide * 1000, height / high * 1000);
        if (pitch > 0 && !agree(width / wide, pitch, ROUNDING))
            return rf_fail(err, RF_ERR_USAGE,
                           "--pitch %g um disagrees with --sensor %gx%g and --pixels %.0fx%.0f, which make %.3g um",
                           pitch * 1000, width, height, wide, high, width / wide * 1000);
        if (!(pitch > 0))
            pitch = width / wide;
    } else if (pitch > 0 && width > 0) {
        wide = nearbyint(width / pitch);
        high = nearbyint(height / pitch);
    } else if (pitch > 0 && wide > 0) {
        width = wide * pitch;
        height = high * pitch;
    }
    setup->sensor_width_mm = width;
    setup->sensor_height_mm = height;
    setup->pixels_wide = wide;
    setup->pixels_high = high;
    setup->pitch_um = pitch * 1000;
    setup->blur_limit_um = options->blur_px * setup->pitch_um;
    return RF_OK;
}

/* Magnification: as given, else from the field, else from the extension; whatever else was given must agree. */
static rf_status set_magnification(const rf_plan_options *options, rf_plan_result *setup, rf_error *err)
{
    double f = known(options->focal_mm), x = known(options->extension_mm), m = known(options->magnification);
    double field = known(options->field_width_mm), from_field = setup->sensor_width_mm / field;
    if (field > 0 && !(setup->sensor_width_mm > 0))
        return rf_fail(err, RF_ERR_USAGE, "--field-width %g needs --sensor WxH (or --pixels with --pitch)", field);
    if (m > 0 && field > 0 && !agree(m, from_field, ROUNDING))
        return rf_fail(err, RF_ERR_USAGE,
                       "--magnification %g and --field-width %g conflict: a sensor %g mm wide makes that %.4gx", m,
                       field, setup->sensor_width_mm, from_field);
    if (!(m > 0))
        m = from_field;
    if (!(m > 0) && options->objective[0] > 0)
        m = options->objective[0];
    if (m > 0 && f > 0 && x > 0 && !agree(m, x / f, ROUNDING))
        return rf_fail(err, RF_ERR_USAGE,
                       "--extension %g and --%s %g conflict: with --focal %g that extension makes %.4gx", x,
                       options->magnification > 0 ? "magnification" : "field-width",
                       options->magnification > 0 ? m : field, f, x / f);
    if (!(m > 0))
        m = x / f;
    if (!(m > 0))
        return rf_fail(err, RF_ERR_USAGE,
                       "the magnification is not known: expected --magnification M, --extension MM with --focal MM, "
                       "--field-width MM with --sensor WxH, or --objective M/NA");
    setup->magnification = m;
    setup->focal_mm = f > 0 ? f : x / m;
    setup->extension_mm = m * setup->focal_mm;
    return RF_OK;
}

static rf_status set_distances(const rf_plan_options *options, rf_plan_result *setup, rf_error *err)
{
    double m = setup->magnification, f = setup->focal_mm;
    setup->lens_to_subject_mm = rf_plan_lens_to_subject_mm(f, m);
    setup->pupil_to_subject_mm = rf_plan_pupil_to_subject_mm(f, m, setup->pupil_ratio);
    setup->subject_to_sensor_mm = rf_plan_subject_to_sensor_mm(f, m);
    if (options->working_distance_mm >= setup->subject_to_sensor_mm)
        return rf_fail(err, RF_ERR_USAGE,
                       "--working-distance %g cannot be: at %.4gx a lens of %.4g mm stands between subject and sensor, "
                       "which are %.4g mm apart",
                       options->working_distance_mm, m, f, setup->subject_to_sensor_mm);
    if (options->subject_depth_mm >= setup->subject_to_sensor_mm)
        return rf_fail(err, RF_ERR_USAGE,
                       "--subject-depth %g cannot be reached: at %.4gx a lens of %.4g mm has the whole of subject to "
                       "sensor in %.4g mm",
                       options->subject_depth_mm, m, f, setup->subject_to_sensor_mm);
    return RF_OK;
}

rf_status plan_setup(const rf_plan_options *options, rf_plan_result *setup, rf_error *err)
{
    rf_status status;
    *setup = (rf_plan_result){.medium_index = options->medium_index > 0 ? options->medium_index : 1};
    RF_TRY(check_fields(options, err));
    RF_TRY(check_pairs(options, err));
    RF_TRY(set_sensor(options, setup, err));
    RF_TRY(set_magnification(options, setup, err));
    setup->pupil_ratio = options->reversed ? 1 / options->pupil_ratio : options->pupil_ratio;
    setup->field_width_mm = setup->sensor_width_mm / setup->magnification;
    setup->field_height_mm = setup->sensor_height_mm / setup->magnification;
    setup->pixel_um = setup->pitch_um / setup->magnification;
    RF_TRY(set_distances(options, setup, err));
done:
    return status;
}

/* plan_optics.c - the single formulas of the plan. Sources stand in docs/plan.md; symbols as in plan.h.
 *
 * NAN means "not known" and runs through every formula by itself. */
#include "railfold/plan.h"

#include <math.h>

static const double PI = 3.14159265358979323846;
/* Share of a step that a ceiling or floor lets pass, so that 5 / 0.25 is 20 steps whatever the last bit says. */
static const double ROUNDING_GUARD = 1e-9;

double rf_plan_bellows_factor(double magnification, double pupil_ratio)
{
    return 1 + magnification / pupil_ratio;
}

double rf_plan_exposure_value(double f_number, double shutter_s)
{
    return log2(f_number * f_number / shutter_s);
}

double rf_plan_airy_diameter_um(double f_number_eff, double wavelength_um)
{
    return 2.44 * wavelength_um * f_number_eff;
}

double rf_plan_rayleigh_um(double f_number_eff, double wavelength_um)
{
    return 1.22 * wavelength_um * f_number_eff;
}

double rf_plan_cutoff_cycles_per_mm(double f_number_eff, double wavelength_um)
{
    return 1000 / (wavelength_um * f_number_eff);
}

double rf_plan_diffraction_contrast(double share_of_cutoff)
{
    double s = share_of_cutoff;
    if (s >= 1)
        return 0;
    return 2 / PI * (acos(s) - s * sqrt(1 - s * s));
}

double rf_plan_depth_geometric_mm(double f_number_eff, double blur_mm, double magnification, double medium_index)
{
    return 2 * f_number_eff * blur_mm * medium_index / (magnification * magnification);
}

double rf_plan_depth_wave_mm(double na, double wavelength_mm, double medium_index)
{
    return wavelength_mm * medium_index / (na * na);
}

double rf_plan_depth_wave_exact_mm(double na, double wavelength_mm, double medium_index)
{
    double sine = na / medium_index;
    /* 1 - cos t written as sin^2 t / (1 + cos t): no loss of digits at small apertures. */
    double one_minus_cosine = sine * sine / (1 + sqrt(1 - sine * sine));
    return wavelength_mm / (2 * medium_index * one_minus_cosine);
}

double rf_plan_lens_to_subject_mm(double focal_mm, double magnification)
{
    return focal_mm * (1 + 1 / magnification);
}

double rf_plan_lens_to_sensor_mm(double focal_mm, double magnification)
{
    return focal_mm * (1 + magnification);
}

double rf_plan_subject_to_sensor_mm(double focal_mm, double magnification)
{
    return focal_mm * (2 + magnification + 1 / magnification);
}

double rf_plan_pupil_to_subject_mm(double focal_mm, double magnification, double pupil_ratio)
{
    return focal_mm * (1 / magnification + 1 / pupil_ratio);
}

double rf_plan_pupil_to_sensor_mm(double focal_mm, double magnification, double pupil_ratio)
{
    return focal_mm * (magnification + pupil_ratio);
}

double rf_plan_backdrop_blur_mm(double magnification, double pupil_mm, double pupil_to_subject_mm, double behind_mm)
{
    /* D / (u + D) written as 1 / (1 + u/D): right at D = infinity too. */
    return magnification * pupil_mm / (1 + pupil_to_subject_mm / behind_mm);
}

double rf_plan_flicker_percent(double mains_hz, double shutter_s)
{
    double periods = 2 * mains_hz * shutter_s;
    /* sin of the part beyond whole periods: the sine of a large multiple of pi is never exactly 0 in doubles. */
    double beyond = periods - nearbyint(periods);
    if (fabs(beyond) < ROUNDING_GUARD * fmax(periods, 1))
        beyond = 0;
    return 100 * fabs(sin(PI * beyond)) / (PI * periods);
}

double rf_plan_scale_per_step(double pupil_to_subject_mm, double step_mm)
{
    if (step_mm >= pupil_to_subject_mm)
        return NAN;
    return pupil_to_subject_mm / (pupil_to_subject_mm - step_mm);
}

double rf_plan_frames(double subject_depth_mm, double step_mm, int guard_frames)
{
    double steps = subject_depth_mm / step_mm;
    return ceil(steps - ROUNDING_GUARD * fmax(steps, 1)) + 1 + 2.0 * guard_frames;
}

double rf_plan_whole_units(double step_mm, double unit_mm)
{
    double units = step_mm / unit_mm;
    return floor(units + ROUNDING_GUARD * fmax(units, 1));
}

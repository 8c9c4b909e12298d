/* plan.h - the shooting plan: from lens, camera, subject and rail to step, frames, exposure, sharpness and distances.
 *
 * Pure maths and text; no pictures, no files. Symbols: f focal length, N f-number, m magnification, p pupil ratio (exit
 * over entrance pupil diameter), c limit of the blur disc on the sensor, A = f/N entrance pupil diameter, n index of
 * the medium before an objective, lambda wavelength. Thin-lens distances; the gap between a lens's principal planes is
 * not known and not counted. docs/plan.md holds every formula with its source.
 *
 * Thread rule: no state; every call may run in any thread. */
#ifndef RF_PLAN_H
#define RF_PLAN_H

#include <stddef.h>

#include "railfold/status.h"

/* ---- Single formulas. Arguments must be above 0; an argument that is NAN ("not known") gives NAN. -------------- */

/* Engraved numbers are rounded: f/11 is 2^(7/2) = 11.3137, 1/125 is 1/128. These give the exact member of the full,
 * half or third stop series (ISO 517 for apertures, ISO 516 for shutter times) whose mark was read; a number that is no
 * mark is returned as it stands. */
double rf_plan_exact_f_number(double marked);
double rf_plan_exact_shutter_s(double marked_s);
/* The third-stop mark next to an exact time, as engraved: 4.5 s -> 5, 1/63 s -> 1/60 (0.0166...). */
double rf_plan_nearest_shutter_mark_s(double exact_s);
/* The full stop marks 1, 1.4, 2 ... 90: index 0 to RF_PLAN_FULL_STOPS - 1; NAN outside. */
enum { RF_PLAN_FULL_STOPS = 14 };
double rf_plan_full_stop_mark(int index);

/* 1 + m/p: the f-number grows by this, the exposure by its square. A reversed lens has the ratio 1/p. */
double rf_plan_bellows_factor(double magnification, double pupil_ratio);
/* EV = log2(N^2 / t). */
double rf_plan_exposure_value(double f_number, double shutter_s);

/* Diffraction in the image: Airy disc 2.44 lambda N from first zero to first zero, Rayleigh distance 1.22 lambda N,
 * cutoff 1 / (lambda N), and the contrast of a perfect lens at the share s (0 to 1) of the cutoff. */
double rf_plan_airy_diameter_um(double f_number_eff, double wavelength_um);
double rf_plan_rayleigh_um(double f_number_eff, double wavelength_um);
double rf_plan_cutoff_cycles_per_mm(double f_number_eff, double wavelength_um);
double rf_plan_diffraction_contrast(double share_of_cutoff);

/* Depth of field, total. Geometric: 2 N_eff c n / m^2. Wave-optical: lambda n / NA^2; exact for high apertures:
 * lambda / (2 n (1 - cos t)) with sin t = NA / n. */
double rf_plan_depth_geometric_mm(double f_number_eff, double blur_mm, double magnification, double medium_index);
double rf_plan_depth_wave_mm(double na, double wavelength_mm, double medium_index);
double rf_plan_depth_wave_exact_mm(double na, double wavelength_mm, double medium_index);

/* Thin-lens distances: f(1+1/m), f(1+m), f(2+m+1/m), and from the pupils: f(1/m+1/p), f(m+p). */
double rf_plan_lens_to_subject_mm(double focal_mm, double magnification);
double rf_plan_lens_to_sensor_mm(double focal_mm, double magnification);
double rf_plan_subject_to_sensor_mm(double focal_mm, double magnification);
double rf_plan_pupil_to_subject_mm(double focal_mm, double magnification, double pupil_ratio);
double rf_plan_pupil_to_sensor_mm(double focal_mm, double magnification, double pupil_ratio);

/* Blur disc on the sensor of a point `behind_mm` behind the focus plane: m A D / (u + D), u = entrance pupil to focus
 * plane; INFINITY gives the limit m A. */
double rf_plan_backdrop_blur_mm(double magnification, double pupil_mm, double pupil_to_subject_mm, double behind_mm);

/* Largest error of one exposure, in per cent, under a lamp that ripples by 100 % at twice the mains frequency:
 * 100 |sin(pi F t)| / (pi F t), F = 2 mains. */
double rf_plan_flicker_percent(double mains_hz, double shutter_s);

/* Scale of the next frame when the rail moves step_mm nearer: d / (d - step), d = entrance pupil to focus plane. */
double rf_plan_scale_per_step(double pupil_to_subject_mm, double step_mm);

/* ceil(depth / step) + 1 + 2 guard, as a double since it may be huge. The ceiling lets 1e-9 of a step pass, so that
 * 5 / 0.25 is 20 steps and not 21. */
double rf_plan_frames(double subject_depth_mm, double step_mm, int guard_frames);
/* The largest whole number of `unit_mm` in step_mm, with the same guard; 0 when the step is shorter than one unit. */
double rf_plan_whole_units(double step_mm, double unit_mm);

/* ---- The plan -----------------------------------------------------------------------------------------------------
 */

typedef enum rf_plan_metering {
    RF_PLAN_METERED_EXTERNAL,     /* the time is for the marked aperture at infinity: the factor comes on top */
    RF_PLAN_METERED_THROUGH_LENS, /* the time already holds the factor */
    RF_PLAN_METERED_UNSAID        /* external for a lens, through the lens for an objective */
} rf_plan_metering;

typedef enum rf_plan_goal {
    RF_PLAN_GOAL_APERTURE, /* the sharpest full stop that keeps to max_frames, step_mm and the rail; an aperture given
                              is the widest one allowed, else f/2.8 */
    RF_PLAN_GOAL_STEP,     /* the step that holds the overlap or, where that breaks max_frames, the finest that fits */
    RF_PLAN_GOAL_FRAMES,   /* the fewest frames: with an aperture given they are counted (step_mm may be given), else
                              the smallest full stop still within the blur limit, smaller ones only for max_frames */
    RF_PLAN_GOAL_NONE      /* aperture given, step from the overlap or given, frames counted */
} rf_plan_goal;

/* What is known. 0 means "not given" wherever 0 is no value; whatever cannot be computed without a missing value is NAN
 * in the result. Two of focal, extension and magnification (or field width) give the third; a third one given must
 * agree within 2 %, as do sensor, pixels and pitch. */
typedef struct rf_plan_options {
    double focal_mm, extension_mm; /* extension beyond infinity focus */
    double magnification, field_width_mm;
    double f_number_marked; /* as engraved */
    double pupil_ratio;     /* of the lens the right way round */
    int reversed;           /* the f-number must then be that of the reversed lens, see docs/plan.md */
    double objective[2];    /* engraved magnification, NA; `magnification` is then the one in use */
    double medium_index;    /* before the objective; 0 = air, 1 */
    double sensor_mm[2];    /* width, height */
    int pixels[2];
    double pitch_mm;
    double subject_depth_mm;
    double blur_px; /* limit of the blur disc */
    double wavelength_mm;
    double overlap_percent;         /* 0 to 95 */
    int guard_frames;               /* before and after the subject, each */
    double step_mm;                 /* a step already chosen; 0 = from the depth of field and the overlap */
    int max_frames;                 /* 0 = no limit */
    int goal;                       /* rf_plan_goal */
    double lead_mm;                 /* travel of one turn of the knob */
    int divisions;                  /* on the knob */
    double smallest_step_mm;        /* that the rail can do */
    double working_distance_mm;     /* measured, front of the lens to the subject; 0 = not measured */
    double shutter_s;               /* metered time, exact */
    double metered_f_number_marked; /* aperture it was metered at; 0 = f_number_marked, else the one found */
    int metering;                   /* rf_plan_metering */
    double timer_s, settle_s;       /* waits per frame */
    double mains_hz;                /* 50 or 60 */
    double backdrop_mm;             /* behind the deepest focus plane */
    double frame_mb;
} rf_plan_options;

#define RF_PLAN_OPTIONS_DEFAULT                                                                                        \
    {                                                                                                                  \
        .pupil_ratio = 1, .blur_px = 2, .wavelength_mm = 550e-6, .overlap_percent = 30, .guard_frames = 2,             \
        .goal = RF_PLAN_GOAL_NONE, .metering = RF_PLAN_METERED_UNSAID                                                  \
    }

typedef enum rf_plan_warning_kind {
    RF_PLAN_WARN_DIFFRACTION, /* the wave-optical depth rules: stopping down only softens */
    RF_PLAN_WARN_RAIL,        /* the step is below what the rail can do */
    RF_PLAN_WARN_OVERLAP,     /* less overlap than asked, or gaps */
    RF_PLAN_WARN_FRAMES,      /* more frames than allowed */
    RF_PLAN_WARN_REACH,       /* travel longer than the working distance */
    RF_PLAN_WARN_FLICKER,     /* above 1 % */
    RF_PLAN_WARN_BACKDROP,    /* not blurred enough */
    RF_PLAN_WARN_HIGH_NA,     /* the paraxial depth overstates */
    RF_PLAN_WARN_REVERSED     /* the engraved number of a reversed lens with p other than 1 */
} rf_plan_warning_kind;

enum { RF_PLAN_WARNINGS_MAX = 9, RF_PLAN_WARNING_BYTES = 320, RF_PLAN_FRAMES_MAX = 100000 };

typedef struct rf_plan_warning {
    rf_plan_warning_kind kind;
    char text[RF_PLAN_WARNING_BYTES]; /* one sentence */
} rf_plan_warning;

/* Every number: NAN when something it needs was not given. */
typedef struct rf_plan_result {
    double focal_mm, extension_mm, magnification, pupil_ratio; /* pupil_ratio as used: 1/p when reversed */
    double f_number_marked, f_number, effective_f_number, na, medium_index;
    double exposure_factor, exposure_stops, shutter_s;
    double sensor_width_mm, sensor_height_mm, pixels_wide, pixels_high, pitch_um;
    double field_width_mm, field_height_mm, pixel_um;            /* in object space */
    double airy_diameter_um, airy_diameter_px, finest_detail_um; /* finest: Rayleigh distance on the subject */
    double diffraction_f_number;                                 /* past it diffraction costs more than it gives */
    double blur_limit_um;
    double depth_of_field_geometric_mm, depth_of_field_wave_mm, depth_of_field_wave_exact_mm, depth_of_field_mm;
    int wave_rules;                 /* depth_of_field_mm is the wave-optical one */
    double step_wanted_mm, step_mm; /* before and after rounding to the knob */
    double overlap;                 /* fraction; below 0 there are gaps */
    double worst_blur_px;           /* Airy disc and defocus half a step off, in quadrature */
    double knob_turns_per_step;
    double knob_divisions_per_step; /* a whole number */
    int frames;                     /* 0 = not known */
    double travel_mm, duration_s, card_mb;
    double lens_to_subject_mm, pupil_to_subject_mm, subject_to_sensor_mm;
    double scale_per_step, corner_shift_px_per_step;
    double scale_over_take, corner_shift_px_over_take;
    double backdrop_blur_mm, backdrop_blur_fraction; /* fraction of the frame width */
    double flicker_percent;
    rf_plan_warning warnings[RF_PLAN_WARNINGS_MAX];
    int warning_count;
} rf_plan_result;

/* Computes the plan. RF_ERR_USAGE with one sentence that names the option (as the command line spells it), the value
 * and what was expected: a value out of range, values that contradict each other, a plan that cannot be, no solution.
 */
rf_status rf_plan_compute(const rf_plan_options *options, rf_plan_result *result, rf_error *err) RF_CHECKED;

/* One plan a full stop, f/1.4 to f/45 (and the aperture given, if it is no full stop), widest first; the step and
 * frames of each follow from the overlap (goal and max_frames are ignored). */
enum { RF_PLAN_COMPARE_MAX = 12 };
rf_status rf_plan_compare(const rf_plan_options *options, rf_plan_result rows[RF_PLAN_COMPARE_MAX], int *count,
                          rf_error *err) RF_CHECKED;

/* The usual short cautions, NULL-terminated. */
extern const char *const rf_plan_cautions[];

/* ---- As text. *text comes from rf_alloc, NUL-terminated, and is the caller's (rf_free). ---------------------------
 */

/* The screen: about 40 lines of at most 80 columns, in the units on the photographer's own knobs. */
rf_status rf_plan_screen_text(const rf_plan_options *options, const rf_plan_result *result, char **text,
                              rf_error *err) RF_CHECKED;
/* One line per plan of rf_plan_compare. */
rf_status rf_plan_compare_text(const rf_plan_options *options, const rf_plan_result *rows, int count, char **text,
                               rf_error *err) RF_CHECKED;
/* One JSON object, format 1; unknown numbers are null. `rows` (count of them, may be 0) become "compare"; without an
 * aperture there is no plan beside them and `result` is NULL. */
rf_status rf_plan_json(const rf_plan_options *options, const rf_plan_result *result, const rf_plan_result *rows,
                       int count, char **text, rf_error *err) RF_CHECKED;
/* The shooting card: one line a frame: frame (from 1), knob_turns and knob_division (the dial's reading when it stood
 * at 0 for frame 1), position_mm (of the rail, from frame 1), focus_mm (of the focus plane behind the subject's front).
 * RF_ERR_USAGE when the plan holds no frames. */
rf_status rf_plan_card_csv(const rf_plan_options *options, const rf_plan_result *result, char **text,
                           rf_error *err) RF_CHECKED;

#endif

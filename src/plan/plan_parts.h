/* plan_parts.h - what the files of the planner share. Private to src/plan. */
#ifndef RF_PLAN_PARTS_H
#define RF_PLAN_PARTS_H

#include "railfold/plan.h"

/* ---- plan_setup.c: the options made whole ---- */

/* Checks every option by itself and against the others, and fills what follows from them without an aperture: focal,
 * extension, magnification, pupil ratio, sensor, pixels, pitch, field, distances, blur limit. */
rf_status plan_setup(const rf_plan_options *options, rf_plan_result *setup, rf_error *err) RF_CHECKED;

/* ---- plan.c ---- */

/* `setup` carried on to a whole plan at one aperture (NAN for an objective) and with one step (0 = from the overlap),
 * without warnings; frame counts beyond an int are cut to INT_MAX. */
rf_plan_result plan_derive(const rf_plan_options *options, const rf_plan_result *setup, double f_number_marked,
                           double step_mm);
/* One division of the knob, 0 when there is none. */
double plan_division_mm(const rf_plan_options *options);

/* ---- plan_solve.c ---- */

rf_status plan_solve(const rf_plan_options *options, const rf_plan_result *setup, rf_plan_result *result,
                     rf_error *err) RF_CHECKED;

/* ---- plan_advice.c ---- */

void plan_warn(const rf_plan_options *options, rf_plan_result *result);
/* One word, for tables and scripts: "flicker". */
const char *plan_warning_name(rf_plan_warning_kind kind);

/* ---- plan_text.c: a string that grows; after the first failure every call does nothing and plan_text_end reports it
 */

typedef struct plan_text {
    char *bytes; /* owned */
    size_t length, room;
    rf_status status;
    rf_error *err;
} plan_text;

plan_text plan_text_begin(rf_error *err);
void plan_text_add(plan_text *text, const char *format, ...) RF_PRINTF(2, 3);
/* A number as C writes it ("%.10g"), with a decimal point whatever the locale. */
void plan_text_add_number(plan_text *text, const char *format, double number) __attribute__((format(printf, 2, 0)));
/* `words` wrapped at `columns`; the first line starts with `lead`, the others are indented to its width. */
void plan_text_wrap(plan_text *text, const char *lead, const char *words, int columns);
rf_status plan_text_end(plan_text *text, char **out) RF_CHECKED;

/* Numbers for people, into `out` (at least 32 bytes), which is returned: three digits, never an exponent. */
enum { PLAN_NUMBER_BYTES = 32 };
const char *plan_show_number(char *out, double number);
/* Three digits in mm, or in um below 0.1 mm. */
const char *plan_show_length(char *out, double mm);
/* "1/60 s", "4.5 s"; "2 min 03 s", "1 h 05 min". */
const char *plan_show_shutter(char *out, double seconds);
const char *plan_show_duration(char *out, double seconds);

#endif

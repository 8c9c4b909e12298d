/* plan_pebble.h - the take that the planner's tests start from, and what they ask of a plan. */
#ifndef RF_PLAN_PEBBLE_H
#define RF_PLAN_PEBBLE_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "railfold/plan.h"

#define COUNT(list) (sizeof(list) / sizeof((list)[0]))

static inline void assert_near(double actual, double expected, double relative)
{
    if (!(fabs(actual - expected) <= relative * fabs(expected)))
        fail_msg("%.9g is not within %g of %.9g", actual, relative, expected);
}

/* A lichen-crusted pebble, 5 mm deep, at 2:1 through a 100 mm lens on bellows. */
static inline rf_plan_options pebble(void)
{
    rf_plan_options options = RF_PLAN_OPTIONS_DEFAULT;
    options.focal_mm = 100;
    options.magnification = 2;
    options.f_number_marked = 11;
    options.sensor_mm[0] = 36;
    options.sensor_mm[1] = 24;
    options.pixels[0] = 6000;
    options.pixels[1] = 4000;
    options.subject_depth_mm = 5;
    return options;
}

static inline rf_plan_result plan_of(const rf_plan_options *options)
{
    rf_plan_result plan;
    rf_error err = {0};
    if (rf_plan_compute(options, &plan, &err) != RF_OK)
        fail_msg("no plan: %s", err.text);
    return plan;
}

static inline int warns(const rf_plan_result *plan, rf_plan_warning_kind kind)
{
    for (int i = 0; i < plan->warning_count; i++)
        if (plan->warnings[i].kind == kind)
            return plan->warnings[i].text[0] != '\0';
    return 0;
}

static inline void assert_refused(const rf_plan_options *options, const char *name)
{
    rf_plan_result plan;
    rf_error err = {0};
    assert_int_equal(rf_plan_compute(options, &plan, &err), RF_ERR_USAGE);
    if (strstr(err.text, name) == NULL || strchr(err.text, '\n') != NULL)
        fail_msg("'%s' does not name %s in one line", err.text, name);
}

#endif

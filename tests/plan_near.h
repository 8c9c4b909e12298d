/* plan_near.h - comparing with printed numbers. */
#ifndef RF_TEST_PLAN_NEAR_H
#define RF_TEST_PLAN_NEAR_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "railfold/plan.h"

#define COUNT(list) (sizeof(list) / sizeof((list)[0]))
static const double GREEN_UM = 0.55;

/* Within `relative` of `expected`; for numbers printed with about as many digits. */
static inline void assert_near(double actual, double expected, double relative)
{
    if (!(fabs(actual - expected) <= relative * fabs(expected)))
        fail_msg("%.9g is not within %g of %.9g", actual, relative, expected);
}

static inline void assert_within(double actual, double expected, double absolute)
{
    if (!(fabs(actual - expected) <= absolute))
        fail_msg("%.9g is not within %g of %.9g", actual, absolute, expected);
}

#endif

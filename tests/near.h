/* near.h - comparison of doubles that says the values when it fails. */
#ifndef RF_TEST_NEAR_H
#define RF_TEST_NEAR_H

#include <math.h>

#define assert_near(value, wanted, tolerance)                                                                          \
    do {                                                                                                               \
        double value_ = (value), wanted_ = (wanted), tolerance_ = (tolerance);                                         \
        if (!(fabs(value_ - wanted_) <= tolerance_))                                                                   \
            fail_msg("%s is %.9g, wanted %.9g within %.3g", #value, value_, wanted_, tolerance_);                      \
    } while (0)

#endif

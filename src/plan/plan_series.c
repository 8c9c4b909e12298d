/* plan_series.c - what the engraved numbers of aperture rings and shutter dials stand for.
 *
 * Apertures are powers of the square root of two and shutter times powers of two (ISO 517, ISO 516); rings and dials
 * carry them rounded, and cameras round 22.6 to 22 but 25.4 to 25. Each mark is kept with its place in the series, in
 * sixths of a stop, so that full, half and third stops fit one grid. Where a half and a third stop share a mark (1.2,
 * 13, 1/6), the nearer one is meant. */
#include "railfold/plan.h"

#include <math.h>
#include <stddef.h>

typedef struct mark {
    double marked;
    int sixths; /* of a stop from f/1 or 1 s */
} mark;

static const mark apertures[] = {
    {0.7, -6}, {0.8, -4}, {0.9, -2}, {1, 0},    {1.1, 2},  {1.2, 3},  {1.3, 4},  {1.4, 6},  {1.6, 8},  {1.7, 9},
    {1.8, 10}, {2, 12},   {2.2, 14}, {2.4, 15}, {2.5, 16}, {2.8, 18}, {3.2, 20}, {3.3, 21}, {3.5, 22}, {4, 24},
    {4.5, 26}, {4.8, 27}, {5, 28},   {5.6, 30}, {6.3, 32}, {6.7, 33}, {7.1, 34}, {8, 36},   {9, 38},   {9.5, 39},
    {10, 40},  {11, 42},  {13, 44},  {14, 46},  {16, 48},  {18, 50},  {19, 51},  {20, 52},  {22, 54},  {25, 56},
    {27, 57},  {29, 58},  {32, 60},  {36, 62},  {38, 63},  {40, 64},  {45, 66},  {51, 68},  {54, 69},  {57, 70},
    {64, 72},  {72, 74},  {76, 75},  {80, 76},  {81, 76},  {90, 78},
};

/* Whole seconds and tenths as on a dial; the rest is kept by the denominator. */
static const mark seconds[] = {
    {30, -30}, {25, -28}, {20, -26},  {15, -24}, {13, -22}, {12, -21}, {10, -20}, {8, -18},  {6, -16},
    {5, -14},  {4, -12},  {3.2, -10}, {3, -9},   {2.5, -8}, {2, -6},   {1.6, -4}, {1.5, -3}, {1.3, -2},
    {1, 0},    {0.8, 2},  {0.7, 3},   {0.6, 4},  {0.5, 6},  {0.4, 8},  {0.3, 10},
};
static const mark denominators[] = {
    {2, 6},     {4, 12},    {5, 14},    {6, 16},    {8, 18},    {10, 20},   {13, 22},   {15, 24},   {20, 26},
    {25, 28},   {30, 30},   {40, 32},   {45, 33},   {50, 34},   {60, 36},   {80, 38},   {90, 39},   {100, 40},
    {125, 42},  {160, 44},  {180, 45},  {200, 46},  {250, 48},  {320, 50},  {350, 51},  {400, 52},  {500, 54},
    {640, 56},  {750, 57},  {800, 58},  {1000, 60}, {1250, 62}, {1500, 63}, {1600, 64}, {2000, 66}, {2500, 68},
    {3000, 69}, {3200, 70}, {4000, 72}, {5000, 74}, {6400, 76}, {8000, 78},
};

enum {
    APERTURES = sizeof apertures / sizeof apertures[0],
    SECONDS = sizeof seconds / sizeof seconds[0],
    DENOMINATORS = sizeof denominators / sizeof denominators[0]
};

/* The place of a mark, found within the rounding of a typed decimal; 0 when there is none. */
static int find_mark(const mark *marks, int count, double marked, int *sixths)
{
    for (int i = 0; i < count; i++)
        if (fabs(marks[i].marked - marked) <= 1e-9 * marked) {
            *sixths = marks[i].sixths;
            return 1;
        }
    return 0;
}

double rf_plan_exact_f_number(double marked)
{
    int sixths;
    if (!(marked > 0) || !find_mark(apertures, APERTURES, marked, &sixths))
        return marked;
    return pow(2, sixths / 12.0);
}

double rf_plan_exact_shutter_s(double marked_s)
{
    int sixths;
    if (!(marked_s > 0))
        return marked_s;
    if (find_mark(seconds, SECONDS, marked_s, &sixths) || find_mark(denominators, DENOMINATORS, 1 / marked_s, &sixths))
        return pow(2, -sixths / 6.0);
    return marked_s;
}

double rf_plan_nearest_shutter_mark_s(double exact_s)
{
    double best = NAN, best_distance = INFINITY;
    for (int i = 0; i < SECONDS + DENOMINATORS; i++) {
        const mark *at = i < SECONDS ? &seconds[i] : &denominators[i - SECONDS];
        if (at->sixths % 2 != 0)
            continue; /* half stops: third-stop dials are the common ones */
        double distance = fabs(log2(exact_s) + at->sixths / 6.0);
        if (distance < best_distance) {
            best_distance = distance;
            best = i < SECONDS ? at->marked : 1 / at->marked;
        }
    }
    return best;
}

double rf_plan_full_stop_mark(int index)
{
    static const double marks[RF_PLAN_FULL_STOPS] = {1, 1.4, 2, 2.8, 4, 5.6, 8, 11, 16, 22, 32, 45, 64, 90};
    return index >= 0 && index < RF_PLAN_FULL_STOPS ? marks[index] : NAN;
}

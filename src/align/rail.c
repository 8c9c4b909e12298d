/* rail.c - one banded, robust least-squares problem for the whole take.
 *
 * Unknown per frame: shift (2), way and turn (both times the lever, so that all four are pixels). A pair (i, j)
 * measures shift_j - m R(turn) shift_i,   way_j - way_i,   turn_j - turn_i with its own 4 x 4 information. Prior: an
 * even rail. Shift and turn may do what they like between frames that were measured, and go on in line across frames
 * that were not; a step of the way is the take's mean unless the measures show, beyond their own scatter, that the
 * steps differ. Gross errors are put down by graduated reweighting: the scale of Tukey's biweight starts far above any
 * error and is brought down to that of the residuals. */
#include "rail.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "band.h"
#include "fit.h"
#include "matrix4.h"
#include "railfold/memory.h"

enum { SPAN = 4, N = RF_PAIR_UNKNOWNS, WIDTH = N * (SPAN + 1), ROUNDS = 14, STEP_ROUNDS = 8 };

static const double FLOOR_PX = 0.015;   /* what a pair is wrong by beyond its tiles' scatter (content, not noise) */
static const double START_SCALE = 100;  /* pixels; above any error worth keeping */
static const double PATH_SIGMA_PX = 30; /* bend of the path from frame to frame, a priori: a nudge, no more */
static const double TURN_SIGMA_PX = 5;
static const double EVEN_STEP_PX = 0.0005; /* an even step's way keeps to the mean within this, at the corner */
static const double FREE_STEP = 0.05;      /* a step's way before anything is known of it, as a change of scale */
static const double MAX_SLOPE = 4; /* steps off the middle per pixel^2 of blur difference: as much as to expect */
static const double ODD_STEP = 0.25, ODD_STEP_PX = 0.15;

typedef struct solver {
    int frames, reference, pair_count;
    const rf_pair *pairs;
    double lever;
    double (*root)[N][N];  /* per pair: square root of its information, floor included */
    double *weight;        /* per pair: robust */
    double *way_deviation; /* per pair: standard deviation of its way times the lever */
    int law;               /* the law of the steps is known; pairs are judged by shift and turn alone */
    double *sorted;
    rf_band band;
    double *step;   /* per step: its way by the law */
    char *step_odd; /* per step: does not keep to the mean */
} solver;

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}
static double median_of(double *values, int n)
{
    if (n < 1)
        return 0;
    qsort(values, (size_t)n, sizeof *values, compare_doubles);
    return n % 2 != 0 ? values[n / 2] : 0.5 * (values[n / 2 - 1] + values[n / 2]);
}

/* root^T root = (information^-1 + floor)^-1; way_slack: what the way (times the lever) may be off by besides. Returns
 * the standard deviation of the way before any of that. */
static double make_root(double root[N][N], const rf_pair *pair, double way_slack)
{
    double m[N][N], covariance[N][N], inverse[N][N];
    for (int r = 0; r < N; r++)
        for (int c = 0; c < N; c++)
            m[r][c] = pair->information[r][c] + (r == c ? 1e-4 : 0);
    if (!rf_factor4(m)) {
        memset(root, 0, sizeof(double[N][N]));
        return 1e3;
    }
    rf_invert4(covariance, m);
    double way_sigma = sqrt(covariance[2][2]);
    for (int r = 0; r < N; r++)
        covariance[r][r] += FLOOR_PX * FLOOR_PX;
    covariance[2][2] += way_slack * way_slack;
    memcpy(m, covariance, sizeof m);
    if (rf_factor4(m)) {
        rf_invert4(inverse, m);
        memcpy(m, inverse, sizeof m);
    }
    rf_factor4(m); /* information = L L^T, so its root is L^T */
    for (int r = 0; r < N; r++)
        for (int c = 0; c < N; c++)
            root[r][c] = m[c][r];
    return way_sigma;
}

/* What a pair says against the places of its frames, pixels (way and turn at the lever). */
static void residual_of(const solver *s, const rf_pair *p, const double *x, double e[N])
{
    const double *i = x + p->from * N, *j = x + p->to * N;
    rf_motion m = rf_motion_between(0, 0, p->way, p->turn);
    e[0] = p->shift_x - (j[0] - (m.a * i[0] - m.b * i[1]));
    e[1] = p->shift_y - (j[1] - (m.b * i[0] + m.a * i[1]));
    e[2] = s->lever * p->way - (j[2] - i[2]);
    e[3] = s->lever * p->turn - (j[3] - i[3]);
}

static void add_pair(solver *s, int at)
{
    const rf_pair *p = &s->pairs[at];
    rf_motion m = rf_motion_between(0, 0, p->way, p->turn);
    double measured[N] = {p->shift_x, p->shift_y, s->lever * p->way, s->lever * p->turn};
    int i = p->from * N, j = p->to * N;
    for (int r = 0; r < N; r++) {
        const double *q = s->root[at][r];
        double value = q[0] * measured[0] + q[1] * measured[1] + q[2] * measured[2] + q[3] * measured[3];
        int where[2 * N];
        double coefficient[2 * N];
        for (int c = 0; c < N; c++) {
            where[c] = i + c;
            where[N + c] = j + c;
            coefficient[N + c] = q[c];
        }
        coefficient[0] = -(q[0] * m.a + q[1] * m.b);
        coefficient[1] = -(-q[0] * m.b + q[1] * m.a);
        coefficient[2] = -q[2];
        coefficient[3] = -q[3];
        rf_band_add(&s->band, where, coefficient, 2 * N, value, s->weight[at]);
    }
}

static void add_prior(solver *s)
{
    double path = 1 / (PATH_SIGMA_PX * PATH_SIGMA_PX), turn = 1 / (TURN_SIGMA_PX * TURN_SIGMA_PX);
    for (int k = 0; k < s->frames; k++) {
        int u = k * N;
        for (int c = 0; c < N; c++) {
            double hold = k == s->reference ? 1e6 : c == 2 ? 0 : 1e-10;
            if (hold > 0)
                rf_band_add(&s->band, (int[]){u + c}, (double[]){1}, 1, 0, hold);
        }
        if (k + 1 < s->frames) {
            double sigma = !s->law ? FREE_STEP * s->lever : s->step_odd[k] ? ODD_STEP_PX : EVEN_STEP_PX;
            rf_band_add(&s->band, (int[]){u + 2, u + N + 2}, (double[]){-1, 1}, 2, s->lever * s->step[k],
                        1 / (sigma * sigma));
            rf_band_add(&s->band, (int[]){u + 3, u + N + 3}, (double[]){-1, 1}, 2, 0, 0.1 * turn);
            for (int c = 0; c < 2; c++)
                rf_band_add(&s->band, (int[]){u + c, u + N + c}, (double[]){-1, 1}, 2, 0, 0.01 * path);
        }
        if (k + 2 < s->frames)
            for (int c = 0; c < N; c++)
                if (c != 2)
                    rf_band_add(&s->band, (int[]){u + c, u + N + c, u + 2 * N + c}, (double[]){1, -2, 1}, 3, 0,
                                c == 3 ? turn : path);
    }
}

static int solve_once(solver *s)
{
    rf_band_clear(&s->band);
    for (int p = 0; p < s->pair_count; p++)
        if (s->weight[p] > 0)
            add_pair(s, p);
    add_prior(s);
    return rf_band_solve(&s->band);
}

static double pair_error(const solver *s, int p)
{
    double e[N];
    residual_of(s, &s->pairs[p], s->band.right, e);
    double squared = e[0] * e[0] + e[1] * e[1] + e[3] * e[3];
    return sqrt(s->law ? squared : squared + e[2] * e[2]);
}

/* Graduated reweighting; leaves the solution in band.right. */
static int solve_robustly(solver *s)
{
    double scale = START_SCALE;
    for (int p = 0; p < s->pair_count; p++)
        s->weight[p] = 1;
    for (int round = 0; round < ROUNDS; round++) {
        if (!solve_once(s))
            return 0;
        for (int p = 0; p < s->pair_count; p++)
            s->sorted[p] = pair_error(s, p);
        double least = RF_TUKEY * 1.4826 * median_of(s->sorted, s->pair_count);
        least = least > 0.3 ? least : 0.3;
        scale = scale / 2 > least ? scale / 2 : least;
        for (int p = 0; p < s->pair_count; p++) {
            double e = pair_error(s, p) / scale;
            s->weight[p] = e < 1 ? (1 - e * e) * (1 - e * e) : 0;
        }
    }
    return 1;
}

/* What the way of a step, as a pair tells it, may be off by: its tiles' scatter and what content does. A pair read from
 * what is blurred in both its frames, as at the ends of a take, says little. */
static double step_deviation(const solver *s, int p, double usual_sharpness)
{
    const rf_pair *q = &s->pairs[p];
    double dull = usual_sharpness - q->log_sharpness;
    return hypot(s->way_deviation[p], FLOOR_PX) * (dull > 0 ? exp(dull) : 1) / (s->lever * (q->to - q->from));
}

/* One weighted fit of way / span = mean + slope * (2 blur / span); e / scale beyond 1 is left out, scale 0 takes all.
 */
static int fit_steps_once(const solver *s, double usual_sharpness, double scale, double *mean, double *slope)
{
    double a = 0, b = 0, c = 0, u = 0, v = 0;
    for (int p = 0; p < s->pair_count; p++) {
        const rf_pair *q = &s->pairs[p];
        int span = q->to - q->from;
        double x = 2 * q->blur / span, y = q->way / span, deviation = step_deviation(s, p, usual_sharpness);
        double e = scale > 0 ? (y - *mean - *slope * x) / (deviation * scale) : 0;
        if (!(s->weight[p] > 0.1) || e >= 1 || e <= -1)
            continue;
        double w = (1 - e * e) * (1 - e * e) / (deviation * deviation);
        a += w, b += w * x, c += w * x * x, u += w * y, v += w * x * y;
    }
    if (!(a > 0))
        return 0;
    double prior = MAX_SLOPE * (u / a) * (u / a) + 1e-12;
    c += 1 / (prior * prior);
    double det = a * c - b * b;
    *mean = (c * u - b * v) / det;
    *slope = (a * v - b * u) / det;
    return 1;
}

/* The law of the steps: way of a step = mean + slope * (difference of blur / half the span). What a pair shows sharply
 * lies in the middle of its two planes only on the average; content nearer than that moves more, and shows in the
 * difference of blur. The slope takes that out. */
static double fit_steps(solver *s)
{
    int n = 0;
    for (int p = 0; p < s->pair_count; p++)
        s->sorted[n++] = s->pairs[p].log_sharpness;
    double usual = median_of(s->sorted, n), mean = 0, slope = 0, scale = 0;
    n = 0;
    for (int p = 0; p < s->pair_count; p++)
        if (s->weight[p] > 0.1)
            s->sorted[n++] = s->pairs[p].way / (s->pairs[p].to - s->pairs[p].from);
    mean = median_of(s->sorted, n); /* a start that a skipped step cannot pull */
    for (int round = 0; round < STEP_ROUNDS; round++) {
        n = 0;
        for (int p = 0; p < s->pair_count; p++) {
            const rf_pair *q = &s->pairs[p];
            int span = q->to - q->from;
            if (s->weight[p] > 0.1)
                s->sorted[n++] = fabs(q->way / span - mean - slope * 2 * q->blur / span) / step_deviation(s, p, usual);
        }
        scale = RF_TUKEY * (1.4826 * median_of(s->sorted, n) + 1e-3);
        if (!fit_steps_once(s, usual, scale, &mean, &slope))
            break;
    }
    return mean;
}

/* Steps of the first solution that are a quarter or more off the mean, beyond doubt, stand as they are: a frame was
 * left out, or the rail was moved by hand. */
static void find_odd_steps(solver *s, double mean)
{
    const double *x = s->band.right;
    for (int k = 0; k + 1 < s->frames; k++) {
        double off = (x[(k + 1) * N + 2] - x[k * N + 2]) / s->lever - mean, known = 1e9;
        for (int p = 0; p < s->pair_count; p++) {
            const rf_pair *q = &s->pairs[p];
            if (q->from <= k && q->to > k && s->weight[p] > 0.1) {
                /* how far off this pair puts its steps, if the others in it are even */
                double seen = q->way - mean * (q->to - q->from);
                known = fabs(seen - off) < 0.25 * fabs(off) ? fmin(known, q->to - q->from) : known;
            }
        }
        int odd = known <= 2 && fabs(off) > ODD_STEP * fabs(mean) && fabs(off) * s->lever > ODD_STEP_PX;
        s->step[k] = odd ? mean + off : mean;
        s->step_odd[k] = (char)odd;
    }
}

/* Second solve: the law of the steps holds. A pair whose way does not agree with it was read from content off the
 * middle: its shift is good for the way it saw, so its way is loosened by as much as it is off. */
static int solve_with_law(solver *s)
{
    for (int p = 0; p < s->pair_count; p++) {
        const rf_pair *q = &s->pairs[p];
        double way = 0;
        for (int k = q->from; k < q->to; k++)
            way += s->step[k];
        (void)make_root(s->root[p], q, s->lever * fabs(q->way - way));
    }
    s->law = 1;
    return solve_robustly(s);
}

static void read_places(const solver *s, rf_place *places, rf_rail *rail)
{
    double all = 0;
    for (int k = 0; k < s->frames; k++) {
        const double *x = s->band.right + k * N;
        places[k] = (rf_place){.shift_x = x[0], .shift_y = x[1], .way = x[2] / s->lever, .turn = x[3] / s->lever};
    }
    for (int p = 0; p < s->pair_count; p++)
        if (s->weight[p] > 0.1) {
            double e = pair_error(s, p);
            places[s->pairs[p].from].residual_px += e * e;
            places[s->pairs[p].to].residual_px += e * e;
            places[s->pairs[p].from].pairs++;
            places[s->pairs[p].to].pairs++;
            all += e * e;
            rail->pairs_kept++;
        }
    for (int k = 0; k < s->frames; k++)
        if (places[k].pairs > 0)
            places[k].residual_px = sqrt(places[k].residual_px / places[k].pairs);
    rail->residual_px = rail->pairs_kept > 0 ? sqrt(all / rail->pairs_kept) : 0;
}

/* Gains: the same problem with one unknown a frame. */
static rf_status solve_gains(solver *s, rf_place *places, rf_error *err)
{
    rf_status status;
    rf_band band = {0};
    RF_TRY(rf_band_alloc(&band, s->frames, SPAN + 1, err));
    for (int round = 0; round < 8; round++) {
        rf_band_clear(&band);
        for (int p = 0; p < s->pair_count; p++) {
            const rf_pair *q = &s->pairs[p];
            if (!(s->weight[p] > 0.1) || !(q->gain_sigma > 0))
                continue;
            double e = round == 0 ? 0 : (q->log_gain - (places[q->to].log_gain - places[q->from].log_gain)) / 0.05;
            double keep = 1 / (1 + e * e); /* Cauchy: gains come in jumps */
            rf_band_add(&band, (int[]){q->from, q->to}, (double[]){-1, 1}, 2, q->log_gain,
                        keep / (q->gain_sigma * q->gain_sigma + 1e-6));
        }
        for (int k = 0; k < s->frames; k++) {
            rf_band_add(&band, (int[]){k}, (double[]){1}, 1, 0, k == s->reference ? 1e10 : 1e-6);
            if (k + 1 < s->frames)
                rf_band_add(&band, (int[]){k, k + 1}, (double[]){-1, 1}, 2, 0, 1);
        }
        if (!rf_band_solve(&band))
            break;
        for (int k = 0; k < s->frames; k++)
            places[k].log_gain = band.right[k];
    }
done:
    rf_band_free(&band);
    return status;
}

/* Distance of each frame from the line through its neighbours' median; far beyond the take's own jitter is a bump. */
static void find_bumps(const solver *s, rf_place *places)
{
    int n = 0;
    for (int k = 1; k < s->frames; k++)
        s->sorted[n++] = hypot(places[k].shift_x - places[k - 1].shift_x, places[k].shift_y - places[k - 1].shift_y);
    double usual = median_of(s->sorted, n);
    double limit = 5 * usual + 2;
    for (int k = 1; k < s->frames; k++) {
        double jump = hypot(places[k].shift_x - places[k - 1].shift_x, places[k].shift_y - places[k - 1].shift_y);
        if (jump > limit)
            places[k].bump_px = jump; /* there, and the way back if it goes back */
    }
}

rf_status rf_rail_solve(rf_place *places, rf_rail *rail, int frames, int reference, const rf_pair *pairs,
                        int pair_count, double lever, rf_error *err)
{
    rf_status status;
    solver s = {.frames = frames, .reference = reference, .pair_count = pair_count, .pairs = pairs, .lever = lever};
    size_t count = (size_t)pair_count + 1, room = count > (size_t)frames ? count : (size_t)frames;
    memset(rail, 0, sizeof *rail);
    RF_TRY(rf_alloc(&s.root, count, sizeof *s.root, "the rail's equations", err));
    RF_TRY(rf_alloc(&s.weight, count, sizeof *s.weight, "the rail's equations", err));
    RF_TRY(rf_alloc(&s.way_deviation, count, sizeof *s.way_deviation, "the rail's equations", err));
    RF_TRY(rf_alloc(&s.step, (size_t)frames, sizeof *s.step, "the rail's equations", err));
    RF_TRY(rf_alloc(&s.step_odd, (size_t)frames, sizeof *s.step_odd, "the rail's equations", err));
    RF_TRY(rf_alloc(&s.sorted, room, sizeof *s.sorted, "the rail's equations", err));
    RF_TRY(rf_band_alloc(&s.band, frames * N, WIDTH, err));
    for (int p = 0; p < pair_count; p++)
        s.way_deviation[p] = make_root(s.root[p], &pairs[p], 0);
    if (!solve_robustly(&s))
        RF_TRY(rf_fail(err, RF_ERR_INTERNAL, "the rail's equations for %d frames have no solution", frames));
    rail->way_per_step = fit_steps(&s);
    find_odd_steps(&s, rail->way_per_step);
    if (!solve_with_law(&s))
        RF_TRY(rf_fail(err, RF_ERR_INTERNAL, "the rail's equations for %d frames have no solution", frames));
    for (int k = 0; k + 1 < frames; k++)
        rail->odd_steps += s.step_odd[k];
    read_places(&s, places, rail);
    find_bumps(&s, places);
    RF_TRY(solve_gains(&s, places, err));
done:
    rf_band_free(&s.band);
    rf_free(s.sorted);
    rf_free(s.step_odd);
    rf_free(s.step);
    rf_free(s.way_deviation);
    rf_free(s.weight);
    rf_free(s.root);
    return status;
}

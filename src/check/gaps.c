/* gaps.c - how far the focus plane went between two neighbouring frames, in usual steps.
 *
 * Model: ln energy of cell c in frame k = a_c + g(|k - z_c|), with one curve g for the whole take (the lens sees all
 * cells alike), a depth z_c and a strength a_c for each cell, fitted by turns with clipped residuals. The fitted cells
 * tell what angle (check.h) two neighbours one step apart would have, given what lies in focus just there. The angle
 * seen over that angle is nearly the same all along an even take; where it stands out against its neighbours the rail
 * went farther, or not at all. */
#include <math.h>
#include <string.h>

#include "check/look.h"
#include "railfold/memory.h"

enum { CELLS_MOST = 900, TURNS = 4, BINS = 31, WINDOW = 6, NEAR_STEPS = 4, LONGEST_STEPS = 8, LEAST_FOLLOW = 12 };
#define BIN_STEPS 0.25  /* of g, which is taken as even to both sides of focus */
#define CLIP 0.8        /* in ln energy */
#define FOCUS_STEPS 1.3 /* a cell this near to its depth counts as in focus */
#define LOSS_CLIP 2.0
#define FLOOR_NOISE 4.0 /* energies are told apart down to so many times the noise */

typedef struct track {
    double z, a;
    float *ln_energy; /* count; NAN: not seen */
} track;

typedef struct fit {
    rf_look *look;
    int cells;
    track *tracks;
    float *room;
    double g[BINS];
    double take_ratio; /* median of the steps' ratios */
} fit;

static double curve_at(const fit *f, double d)
{
    double at = fabs(d) / BIN_STEPS;
    if (at >= BINS - 1)
        return f->g[BINS - 1];
    int i = (int)at;
    return f->g[i] + (at - i) * (f->g[i + 1] - f->g[i]);
}

static double loss(double e)
{
    double square = e * e;
    return square < CLIP * CLIP ? square : CLIP * CLIP;
}

static rf_status choose_cells(fit *f, rf_error *err)
{
    rf_status status;
    rf_look *look = f->look;
    int subject = 0, n = look->count, seen = 0;
    double floor_energy = FLOOR_NOISE * look->noise;
    for (int c = 0; c < rf_look_cells(look); c++)
        subject += look->peaks[c].frame >= 0;
    int every = subject / CELLS_MOST + 1;
    RF_TRY(rf_alloc(&f->tracks, (size_t)(subject / every + 1), sizeof *f->tracks, "the focus curves", err));
    RF_TRY(rf_alloc(&f->room, (size_t)(subject / every + 1) * (size_t)n, sizeof *f->room, "the focus curves", err));
    for (int c = 0; c < rf_look_cells(look); c++) {
        if (look->peaks[c].frame < 0 || seen++ % every != 0)
            continue;
        track *t = &f->tracks[f->cells];
        t->ln_energy = f->room + (size_t)f->cells * (size_t)n;
        t->z = (double)look->peaks[c].position;
        t->a = log((double)look->peaks[c].energy + floor_energy);
        for (int k = 0; k < n; k++)
            t->ln_energy[k] = rf_look_frame(look, k)[c].energy < 0
                                  ? NAN
                                  : (float)log((double)rf_look_signal(look, k, c) + floor_energy);
        f->cells++;
    }
done:
    return status;
}

/* g by bins; never rising away from focus. */
static void fit_curve(fit *f)
{
    double sum[BINS] = {0}, weight[BINS] = {0};
    for (int c = 0; c < f->cells; c++)
        for (int k = 0; k < f->look->count; k++) {
            double at = fabs(k - f->tracks[c].z) / BIN_STEPS, e = (double)f->tracks[c].ln_energy[k];
            if (!(at < BINS - 1) || isnan(e))
                continue;
            int i = (int)at;
            double v = at - i;
            sum[i] += (1 - v) * (e - f->tracks[c].a);
            weight[i] += 1 - v;
            sum[i + 1] += v * (e - f->tracks[c].a);
            weight[i + 1] += v;
        }
    for (int i = 0; i < BINS; i++) {
        double before = i > 0 ? f->g[i - 1] : 0, value = weight[i] > 3 ? sum[i] / weight[i] : before;
        f->g[i] = i > 0 && value > before ? before : value;
    }
    for (int i = 1; i < BINS; i++)
        f->g[i] -= f->g[0];
    f->g[0] = 0;
}

/* Mean clipped residual of a cell at depth z, its strength the best for that. */
static double cell_cost(const fit *f, const track *t, double z, double *a)
{
    int begin = (int)fmax(z - WINDOW, 0), end = (int)fmin(z + WINDOW + 1, f->look->count), n = 0;
    double e[2 * WINDOW + 2], sum = 0, cost = 0;
    for (int k = begin; k < end; k++)
        if (!isnan(t->ln_energy[k])) {
            e[n] = (double)t->ln_energy[k] - curve_at(f, k - z);
            sum += e[n++];
        }
    if (n < 3)
        return 1e9;
    *a = sum / n;
    for (int i = 0; i < n; i++)
        cost += loss(e[i] - *a);
    return cost / n;
}

static void fit_cells(void *arg, int begin, int end, int block, int thread)
{
    fit *f = arg;
    (void)block;
    (void)thread;
    for (int c = begin; c < end; c++) {
        track *t = &f->tracks[c];
        double best = 1e9, a = t->a, z = t->z, best_a = t->a;
        for (double step = 0.3; step > 0.03; step /= 3) {
            double centre = z;
            for (int i = -3; i <= 3; i++) {
                double cost = cell_cost(f, t, centre + i * step, &a);
                if (cost < best) {
                    best = cost;
                    z = centre + i * step;
                    best_a = a;
                }
            }
        }
        t->z = z;
        t->a = best_a;
    }
}

static double angle_of(const double sums[3])
{
    double cosine = sums[0] > 0 && sums[1] > 0 ? sums[2] / sqrt(sums[0] * sums[1]) : 1;
    return cosine < 1 ? acos(cosine) : 0;
}

static void add_shares(double sums[3], double p, double q)
{
    p = p > 0 ? p : 0;
    q = q > 0 ? q : 0;
    sums[0] += p;
    sums[1] += q;
    sums[2] += sqrt(p * q);
}

/* The angle between frames k - 1 and k over the fitted cells: as seen, and as the curve would give it for a way of
 * `length` steps about the middle of the two. */
static void angles_at(const fit *f, int k, double length, double *seen, double *fitted)
{
    double as_seen[3] = {0}, as_fitted[3] = {0}, low = FLOOR_NOISE * f->look->noise;
    for (int c = 0; c < f->cells; c++) {
        const track *t = &f->tracks[c];
        if (isnan(t->ln_energy[k]) || isnan(t->ln_energy[k - 1]))
            continue;
        double from = k - 0.5 - length / 2 - t->z, to = k - 0.5 + length / 2 - t->z;
        add_shares(as_seen, exp((double)t->ln_energy[k - 1]) - low, exp((double)t->ln_energy[k]) - low);
        add_shares(as_fitted, exp(t->a + curve_at(f, from)) - low, exp(t->a + curve_at(f, to)) - low);
    }
    *seen = angle_of(as_seen);
    *fitted = angle_of(as_fitted);
}

/* What a frame's cells in focus have less than the fitted curves give them: mean of the clipped residuals. */
static double loss_of(const fit *f, int k, int *cells)
{
    double sum = 0;
    *cells = 0;
    for (int c = 0; c < f->cells; c++) {
        const track *t = &f->tracks[c];
        if (fabs(k - t->z) > FOCUS_STEPS || isnan(t->ln_energy[k]))
            continue;
        double e = (double)t->ln_energy[k] - t->a - curve_at(f, k - t->z);
        sum += e < -LOSS_CLIP ? -LOSS_CLIP : e > LOSS_CLIP ? LOSS_CLIP : e;
        ++*cells;
    }
    return *cells > 0 ? sum / *cells : 0;
}

/* How much of the change of energy that one step makes by the fitted curves is there between frames k - 1 and k: slope
 * of the changes seen over those expected, with its standard error. Noise makes it no larger, unlike an angle. */
static void follow_at(const fit *f, int k, rf_step *step)
{
    double both = 0, square = 0, seen_square = 0;
    int n = 0;
    for (int c = 0; c < f->cells; c++) {
        const track *t = &f->tracks[c];
        if (isnan(t->ln_energy[k]) || isnan(t->ln_energy[k - 1]) || fabs(k - 0.5 - t->z) > WINDOW)
            continue;
        double expected = curve_at(f, k - t->z) - curve_at(f, k - 1 - t->z);
        double seen = (double)t->ln_energy[k] - (double)t->ln_energy[k - 1];
        seen = fmax(-LOSS_CLIP, fmin(LOSS_CLIP, seen));
        both += expected * seen;
        square += expected * expected;
        seen_square += seen * seen;
        n++;
    }
    step->follow = 1;
    step->follow_error = 1;
    if (n < LEAST_FOLLOW || !(square > 0))
        return;
    step->follow = both / square;
    step->follow_error = sqrt(fmax(seen_square - both * both / square, 0) / n / square);
}

static void measure_gaps(void *arg, int begin, int end, int block, int thread)
{
    const fit *f = arg;
    (void)block;
    (void)thread;
    for (int k = begin; k < end; k++) {
        double seen, fitted;
        f->look->steps[k].loss = -loss_of(f, k, &f->look->steps[k].in_focus);
        if (k == 0)
            continue;
        angles_at(f, k, 1, &seen, &fitted);
        f->look->steps[k].telling = fitted;
        f->look->steps[k].ratio = fitted > 0 ? seen / fitted : 0;
        follow_at(f, k, &f->look->steps[k]);
    }
}

/* How much the ratio runs to around a step, the step itself and those without any way left out: the fit is not perfect,
 * but evenly so. */
static double usual_ratio(const rf_look *look, int k, double take_ratio)
{
    double near[2 * NEAR_STEPS];
    int n = 0;
    for (int i = k - NEAR_STEPS; i <= k + NEAR_STEPS; i++)
        if (i >= 1 && i < look->count && i != k && look->steps[i].ratio > 0.5 * take_ratio)
            near[n++] = look->steps[i].ratio;
    return n > 0 ? rf_median(near, n) : take_ratio;
}

static double usual_follow(const rf_look *look, int k)
{
    double near[2 * NEAR_STEPS];
    int n = 0;
    for (int i = k - NEAR_STEPS; i <= k + NEAR_STEPS; i++)
        if (i >= 1 && i < look->count && i != k && look->steps[i].follow > 0.4)
            near[n++] = look->steps[i].follow;
    return n > 0 ? rf_median(near, n) : 1;
}

static void settle_lengths(void *arg, int begin, int end, int block, int thread)
{
    const fit *f = arg;
    (void)block;
    (void)thread;
    for (int k = begin > 1 ? begin : 1; k < end; k++) {
        double usual = usual_ratio(f->look, k, f->take_ratio), low = 0, high = LONGEST_STEPS, seen, fitted;
        f->look->steps[k].against_near = usual > 0 ? f->look->steps[k].ratio / usual : 0;
        f->look->steps[k].follow_near = f->look->steps[k].follow / usual_follow(f->look, k);
        for (int round = 0; round < 12 && usual > 0; round++) {
            double middle = (low + high) / 2;
            angles_at(f, k, middle, &seen, &fitted);
            *(usual * fitted < seen ? &low : &high) = middle;
        }
        f->look->steps[k].length = usual > 0 ? (low + high) / 2 : 0;
    }
}

rf_status rf_look_gaps(rf_look *look, rf_error *err)
{
    rf_status status = RF_OK;
    fit f = {.look = look};
    double *sorted = NULL;
    if (look->count < 4)
        return RF_OK;
    RF_TRY(choose_cells(&f, err));
    for (int turn = 0; turn < TURNS && f.cells > 0; turn++) {
        fit_curve(&f);
        rf_pool_rows(look->pool, f.cells, 16, fit_cells, &f);
    }
    rf_pool_rows(look->pool, look->count, 1, measure_gaps, &f);
    RF_TRY(rf_alloc(&sorted, (size_t)look->count, sizeof *sorted, "the steps", err));
    for (int k = 1; k < look->count; k++)
        sorted[k - 1] = look->steps[k].ratio;
    f.take_ratio = rf_median(sorted, look->count - 1);
    for (int k = 1; k < look->count; k++)
        sorted[k - 1] = look->steps[k].telling;
    double most = rf_quantile(sorted, look->count - 1, 0.9);
    for (int k = 1; k < look->count; k++)
        look->steps[k].telling = most > 0 ? look->steps[k].telling / most : 0;
    rf_pool_rows(look->pool, look->count, 1, settle_lengths, &f);
done:
    rf_free(sorted);
    rf_free(f.tracks);
    rf_free(f.room);
    return status;
}

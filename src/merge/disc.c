/* disc.c - the mean over a disc; see disc.h. */
#include "disc.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

#include "base/hot.h"

enum { REACH = RF_DISC_RADIUS, SIDE = 2 * REACH + 1, LEAST_RUN = 3 };

/* What is summed for one cell, as offsets in floats from it: cells by weight, and differences of running sums. */
typedef struct disc_plan {
    int taps, runs;
    float share; /* of the mean that each cell within a run has */
    float weight[SIDE * SIDE];
    ptrdiff_t tap[SIDE * SIDE];
    ptrdiff_t first[SIDE], past[SIDE]; /* of a run, in the running sums */
} disc_plan;

int rf_disc_reach(float radius)
{
    int reach = (int)ceilf(radius + 0.5f) - 1;
    return reach > REACH ? REACH : reach < 0 ? 0 : reach;
}

/* What of a cell the disc covers; its edge is one cell wide, as the cell's own area smooths it. */
static float cover_of(float radius, int x, int y)
{
    float cover = radius + 0.5f - sqrtf((float)(x * x + y * y));
    return cover < 0 ? 0 : cover > 1 ? 1 : cover;
}

static void make_plan(disc_plan *plan, const rf_disc_grid *grid, float radius)
{
    int reach = rf_disc_reach(radius), channels = grid->channels;
    float sum = 0;
    plan->taps = plan->runs = 0;
    for (int y = -reach; y <= reach; y++) {
        int whole = -1; /* cells beside the middle one that are covered wholly */
        while (whole < reach && cover_of(radius, whole + 1, y) >= 1)
            whole++;
        int is_run = 2 * whole + 1 >= LEAST_RUN;
        if (is_run) {
            plan->first[plan->runs] = ((ptrdiff_t)y * (grid->cells + 1) - whole) * channels;
            plan->past[plan->runs++] = ((ptrdiff_t)y * (grid->cells + 1) + whole + 1) * channels;
            sum += (float)(2 * whole + 1);
        }
        for (int x = -reach; x <= reach; x++) {
            float cover = cover_of(radius, x, y);
            if (!(cover > 0) || (is_run && x >= -whole && x <= whole))
                continue;
            plan->weight[plan->taps] = cover;
            plan->tap[plan->taps++] = ((ptrdiff_t)y * grid->cells + x) * channels;
            sum += cover;
        }
    }
    plan->share = 1 / sum;
    for (int i = 0; i < plan->taps; i++)
        plan->weight[i] /= sum;
}

/* sums[x] = all cells of the row from `begin` to before x, for x in [begin, end]. */
static void sum_row(const float *restrict row, float *restrict sums, int begin, int end, int channels)
{
    memset(sums + (ptrdiff_t)begin * channels, 0, (size_t)channels * sizeof *sums);
    if (channels == 4) {
        rf_f4 sum = {0};
        for (int x = begin; x < end; x++) {
            sum += rf_load_f4(row + 4 * x);
            rf_store_f4(sums + 4 * (x + 1), sum);
        }
    } else {
        for (int i = begin * channels; i < end * channels; i++)
            sums[i + channels] = sums[i] + row[i];
    }
}

/* Means of n floats in a row of cells: 32 at a time in registers, which hides the additions' latency. */
RF_HOT_256 static void mean_row(const disc_plan *plan, const float *restrict from, const float *restrict sums,
                                float *restrict to, int n)
{
    int i = 0;
    for (; i + 32 <= n; i += 32) {
        rf_f8 sum0 = {0}, sum1 = {0}, sum2 = {0}, sum3 = {0};
        for (int r = 0; r < plan->runs; r++) {
            const float *first = sums + i + plan->first[r], *past = sums + i + plan->past[r];
            sum0 += rf_load_f8(past) - rf_load_f8(first);
            sum1 += rf_load_f8(past + 8) - rf_load_f8(first + 8);
            sum2 += rf_load_f8(past + 16) - rf_load_f8(first + 16);
            sum3 += rf_load_f8(past + 24) - rf_load_f8(first + 24);
        }
        sum0 *= plan->share;
        sum1 *= plan->share;
        sum2 *= plan->share;
        sum3 *= plan->share;
        for (int t = 0; t < plan->taps; t++) {
            const float *at = from + i + plan->tap[t];
            const float weight = plan->weight[t];
            sum0 += weight * rf_load_f8(at);
            sum1 += weight * rf_load_f8(at + 8);
            sum2 += weight * rf_load_f8(at + 16);
            sum3 += weight * rf_load_f8(at + 24);
        }
        rf_store_f8(to + i, sum0);
        rf_store_f8(to + i + 8, sum1);
        rf_store_f8(to + i + 16, sum2);
        rf_store_f8(to + i + 24, sum3);
    }
    for (; i + 8 <= n; i += 8) {
        rf_f8 sum = {0};
        for (int r = 0; r < plan->runs; r++)
            sum += rf_load_f8(sums + i + plan->past[r]) - rf_load_f8(sums + i + plan->first[r]);
        sum *= plan->share;
        for (int t = 0; t < plan->taps; t++)
            sum += plan->weight[t] * rf_load_f8(from + i + plan->tap[t]);
        rf_store_f8(to + i, sum);
    }
    for (; i < n; i++) {
        float sum = 0;
        for (int r = 0; r < plan->runs; r++)
            sum += sums[i + plan->past[r]] - sums[i + plan->first[r]];
        sum *= plan->share;
        for (int t = 0; t < plan->taps; t++)
            sum += plan->weight[t] * from[i + plan->tap[t]];
        to[i] = sum;
    }
}

void rf_disc_mean(const rf_disc_grid *grid, float radius, int left, int top, int right, int bottom)
{
    disc_plan plan;
    radius = radius < RF_DISC_RADIUS ? radius : RF_DISC_RADIUS;
    int reach = rf_disc_reach(radius), channels = grid->channels;
    size_t row_floats = (size_t)grid->cells * (size_t)channels, sum_floats = row_floats + (size_t)channels;
    make_plan(&plan, grid, radius);
    for (int y = top - reach; plan.runs > 0 && y < bottom + reach; y++)
        sum_row(grid->from + (size_t)y * row_floats, grid->sums + (size_t)y * sum_floats, left - reach, right + reach,
                channels);
    for (int y = top; y < bottom; y++) {
        size_t column = (size_t)left * (size_t)channels, at = (size_t)y * row_floats + column;
        mean_row(&plan, grid->from + at, grid->sums + (size_t)y * sum_floats + column, grid->to + at,
                 (right - left) * channels);
    }
}

/* jumps.c - see jumps.h. */
#include "check/jumps.h"

#include <math.h>
#include <string.h>

#include "railfold/memory.h"

#define JUMP_RATIO 3.0   /* over the largest of the changes around, and the step's length */
#define JUMP_FLOOR 0.012 /* ln brightness, besides */
#define DARK 0.02        /* added before the logarithm */
/* A group of fewer is a glint, or noise: even takes have them, at most five quarters in all in 130 of them. */
enum { LEAST_OF_GROUP = 3, NEAR_CELLS = 1 };

rf_status rf_jumps_open(rf_jumps *jumps, const rf_look *look, rf_error *err)
{
    rf_status status;
    size_t cells = 4 * (size_t)rf_look_cells(look);
    *jumps = (rf_jumps){.look = look, .columns = 2 * look->columns, .rows = 2 * look->rows};
    RF_TRY(rf_alloc(&jumps->change, RF_JUMPS_KEPT * cells, sizeof *jumps->change, "the changes of brightness", err));
    RF_TRY(rf_alloc(&jumps->sorted, cells + 1, sizeof *jumps->sorted, "the changes of brightness", err));
    RF_TRY(rf_alloc(&jumps->mark, cells, sizeof *jumps->mark, "the changes of brightness", err));
    RF_TRY(rf_alloc(&jumps->stack, cells + 1, sizeof *jumps->stack, "the changes of brightness", err));
    RF_TRY(rf_alloc(&jumps->near, cells / 4, sizeof *jumps->near, "the changes of brightness", err));
done:
    return status;
}

void rf_jumps_close(rf_jumps *jumps)
{
    rf_free(jumps->change);
    rf_free(jumps->sorted);
    rf_free(jumps->mark);
    rf_free(jumps->stack);
    rf_free(jumps->near);
    *jumps = (rf_jumps){0};
}

static double brightness(const rf_jumps *s, int k, int x, int y)
{
    const rf_cell *c = &rf_look_frame(s->look, k)[y / 2 * s->look->columns + x / 2];
    return c->energy < 0 ? (double)NAN : log((double)c->luma[y % 2 * 2 + x % 2] * s->look->poses[k].gain[0] + DARK);
}

/* From frame k - 1 to k, what all changed by taken off. */
static void measure_changes(rf_jumps *s, int k)
{
    double *row = s->change + (size_t)(k % RF_JUMPS_KEPT) * (size_t)(s->columns * s->rows);
    int n = 0;
    for (int y = 0; y < s->rows; y++)
        for (int x = 0; x < s->columns; x++) {
            double change = brightness(s, k, x, y) - brightness(s, k - 1, x, y);
            row[y * s->columns + x] = change;
            if (!isnan(change))
                s->sorted[n++] = change;
        }
    double common = rf_median(s->sorted, n);
    for (int i = 0; i < s->columns * s->rows; i++)
        row[i] -= common;
    s->changed_to[k % RF_JUMPS_KEPT] = k;
}

static double change_at(const rf_jumps *s, int k, int quarter)
{
    return s->change[(size_t)(k % RF_JUMPS_KEPT) * (size_t)(s->columns * s->rows) + (size_t)quarter];
}

static int jumped(const rf_jumps *s, int k, int quarter, double ratio)
{
    double here = fabs(change_at(s, k, quarter)), around = 0;
    int n = 0;
    for (int i = k - RF_JUMPS_AROUND; i <= k + RF_JUMPS_AROUND; i++) {
        if (i < 1 || i >= s->look->count || i == k)
            continue;
        double other = fabs(change_at(s, i, quarter));
        if (isnan(other))
            return 0;
        around = fmax(around, other);
        n++;
    }
    return n >= 3 && here > ratio * around + JUMP_FLOOR;
}

/* The marked quarters that hang together with this one, onto the stack, their marks taken off; how many they are. */
static int gather(rf_jumps *s, int first)
{
    int count = 1;
    s->stack[0] = first;
    s->mark[first] = 0;
    for (int done = 0; done < count; done++) {
        int x = s->stack[done] % s->columns, y = s->stack[done] / s->columns;
        for (int ny = y - 1; ny <= y + 1; ny++)
            for (int nx = x - 1; nx <= x + 1; nx++)
                if (nx >= 0 && ny >= 0 && nx < s->columns && ny < s->rows && s->mark[ny * s->columns + nx]) {
                    s->mark[ny * s->columns + nx] = 0;
                    s->stack[count++] = ny * s->columns + nx;
                }
    }
    return count;
}

static void mark_near(rf_jumps *s, int x, int y)
{
    const rf_look *look = s->look;
    for (int row = y / 2 - NEAR_CELLS; row <= y / 2 + NEAR_CELLS; row++)
        for (int column = x / 2 - NEAR_CELLS; column <= x / 2 + NEAR_CELLS; column++)
            if (column >= 0 && row >= 0 && column < look->columns && row < look->rows)
                s->near[row * look->columns + column] = 1;
}

static void add_group(rf_jumps *s, rf_jump *all, int k, int count)
{
    rf_jump g = {.largest = count, .x0 = s->columns, .y0 = s->rows, .x1 = -1, .y1 = -1};
    for (int i = 0; i < count; i++) {
        int x = s->stack[i] % s->columns, y = s->stack[i] / s->columns;
        g.change += fabs(change_at(s, k, s->stack[i]));
        g.x0 = x < g.x0 ? x : g.x0, g.x1 = x > g.x1 ? x : g.x1;
        g.y0 = y < g.y0 ? y : g.y0, g.y1 = y > g.y1 ? y : g.y1;
        mark_near(s, x, y);
    }
    g.quarters = all->quarters + count;
    g.change += all->change;
    if (count > all->largest) {
        *all = g;
        return;
    }
    all->quarters = g.quarters;
    all->change = g.change;
}

rf_jump rf_jumps_at(rf_jumps *s, int k, double length)
{
    int quarters = s->columns * s->rows;
    double ratio = JUMP_RATIO * fmax(length, 1);
    rf_jump all = {0};
    for (int i = k - RF_JUMPS_AROUND; i <= k + RF_JUMPS_AROUND; i++)
        if (i >= 1 && i < s->look->count && s->changed_to[i % RF_JUMPS_KEPT] != i)
            measure_changes(s, i);
    for (int q = 0; q < quarters; q++)
        s->mark[q] = jumped(s, k, q, ratio);
    memset(s->near, 0, (size_t)rf_look_cells(s->look));
    for (int q = 0; q < quarters; q++)
        if (s->mark[q]) {
            int count = gather(s, q);
            if (count >= LEAST_OF_GROUP)
                add_group(s, &all, k, count);
        }
    return all;
}

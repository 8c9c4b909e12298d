/* find_moved.c - part of the subject moved or drooped between two frames.
 *
 * The mean brightness of a cell, gains taken off, changes smoothly from frame to frame: focus spreads light about, it
 * does not take it away. Where something has moved the brightness jumps once, and neither before nor after: a jump of
 * several times the changes around it, in cells that hang together. It tells in focus and out of it alike. */
#include <math.h>
#include <string.h>

#include "check/look.h"
#include "railfold/memory.h"

#define JUMP_RATIO 3.0        /* over the largest of the changes around */
#define JUMP_FLOOR 0.012      /* ln brightness, besides */
#define LEAST_MEAN 0.05       /* ln brightness, over the group */
#define MEAN_AT_LONG_STEP 0.1 /* the same, where a long step changes brightness by itself */
#define DARK 0.02             /* added before the logarithm */
#define GRAVE_SHARE 0.02      /* of the picture */
enum { AROUND = 3, LEAST_GROUP = 8 };

typedef struct group {
    int cells, x0, y0, x1, y1;
    double change; /* sum over the cells */
} group;

typedef struct search {
    const rf_look *look;
    double *change; /* (count - 1) x cells: of ln brightness, the median of each step taken off; NAN unknown */
    double *sorted;
    int *mark, *stack; /* cells */
} search;

static double brightness(const rf_look *look, int k, int cell)
{
    const rf_cell *c = &rf_look_frame(look, k)[cell];
    return c->energy < 0 ? (double)NAN : log((double)c->luma * look->poses[k].gain[0] + DARK);
}

static void measure_changes(search *s)
{
    int cells = rf_look_cells(s->look);
    for (int k = 1; k < s->look->count; k++) {
        double *row = s->change + (size_t)(k - 1) * (size_t)cells;
        int n = 0;
        for (int c = 0; c < cells; c++) {
            row[c] = brightness(s->look, k, c) - brightness(s->look, k - 1, c);
            if (!isnan(row[c]))
                s->sorted[n++] = row[c];
        }
        double common = rf_median(s->sorted, n);
        for (int c = 0; c < cells; c++)
            row[c] -= common;
    }
}

static double change_at(const search *s, int k, int cell)
{
    return s->change[(size_t)(k - 1) * (size_t)rf_look_cells(s->look) + (size_t)cell];
}

static int jumps(const search *s, int k, int cell)
{
    double here = fabs(change_at(s, k, cell)), around = 0;
    int n = 0;
    for (int i = k - AROUND; i <= k + AROUND; i++) {
        if (i < 1 || i >= s->look->count || i == k)
            continue;
        double other = fabs(change_at(s, i, cell));
        if (isnan(other))
            return 0;
        around = fmax(around, other);
        n++;
    }
    return n >= 3 && here > JUMP_RATIO * around + JUMP_FLOOR;
}

static group grow(search *s, int k, int seed)
{
    const rf_look *look = s->look;
    group g = {.x0 = look->columns, .y0 = look->rows, .x1 = -1, .y1 = -1};
    int top = 0;
    s->stack[top++] = seed;
    s->mark[seed] = 0;
    while (top > 0) {
        int c = s->stack[--top], x = c % look->columns, y = c / look->columns;
        g.cells++;
        g.change += fabs(change_at(s, k, c));
        g.x0 = x < g.x0 ? x : g.x0, g.x1 = x > g.x1 ? x : g.x1;
        g.y0 = y < g.y0 ? y : g.y0, g.y1 = y > g.y1 ? y : g.y1;
        for (int ny = y - 1; ny <= y + 1; ny++)
            for (int nx = x - 1; nx <= x + 1; nx++)
                if (nx >= 0 && ny >= 0 && nx < look->columns && ny < look->rows && s->mark[ny * look->columns + nx]) {
                    s->mark[ny * look->columns + nx] = 0;
                    s->stack[top++] = ny * look->columns + nx;
                }
    }
    return g;
}

static group largest_group(search *s, int k)
{
    group best = {0};
    int cells = rf_look_cells(s->look);
    for (int c = 0; c < cells; c++)
        s->mark[c] = jumps(s, k, c);
    for (int c = 0; c < cells; c++)
        if (s->mark[c]) {
            group g = grow(s, k, c);
            if (g.cells > best.cells)
                best = g;
        }
    return best;
}

static rf_status add_moved(rf_look *look, int k, const group *g, rf_error *err)
{
    int side = look->cell_px * look->cell_reduce;
    double share = (double)g->cells / rf_look_cells(look);
    rf_check_finding f = {
        .kind = RF_CHECK_MOVED,
        .severity = share > GRAVE_SHARE ? RF_CHECK_FAULT : RF_CHECK_WARNING,
        .place = {g->x0 * side, g->y0 * side, (g->x1 - g->x0 + 1) * side, (g->y1 - g->y0 + 1) * side}};
    return rf_check_add(look->result, &f, &k, 1, err,
                        "part of the subject (%d x %d px at %d, %d) moved between %s and %s", f.place[2], f.place[3],
                        f.place[0], f.place[1], rf_check_base_name(look->options->frames[k - 1]),
                        rf_check_base_name(look->options->frames[k]));
}

/* Where the step was no common one, the pose is in doubt or the light changed, brightness changes anyhow. */
static int step_in_doubt(const rf_look *look, int k)
{
    const rf_check_result *r = look->result;
    for (int i = k - 1; i <= k + 1; i++)
        if (rf_check_found_at(r, RF_CHECK_ORDER, i) || rf_check_found_at(r, RF_CHECK_BUMP, i) ||
            rf_check_found_at(r, RF_CHECK_SETTINGS, i) || rf_check_found_at(r, RF_CHECK_LAMP, i))
            return 1;
    return !look->result->frames[k].used || !look->result->frames[k - 1].used;
}

rf_status rf_find_moved(rf_look *look, rf_error *err)
{
    rf_status status;
    search s = {.look = look};
    size_t cells = (size_t)rf_look_cells(look);
    if (look->count < 5 || !look->poses_known || rf_check_found(look->result, RF_CHECK_ORDER))
        return RF_OK;
    RF_TRY(rf_alloc(&s.change, (size_t)(look->count - 1) * cells, sizeof *s.change, "the changes of brightness", err));
    RF_TRY(rf_alloc(&s.sorted, cells + 1, sizeof *s.sorted, "the changes of brightness", err));
    RF_TRY(rf_alloc(&s.mark, cells, sizeof *s.mark, "the changes of brightness", err));
    RF_TRY(rf_alloc(&s.stack, cells + 1, sizeof *s.stack, "the changes of brightness", err));
    measure_changes(&s);
    for (int k = 1; k < look->count; k++) {
        group g = largest_group(&s, k);
        double least = rf_check_found_at(look->result, RF_CHECK_MISSING_STEP, k) ? MEAN_AT_LONG_STEP : LEAST_MEAN;
        if (g.cells >= LEAST_GROUP && g.change > least * g.cells && !step_in_doubt(look, k))
            RF_TRY(add_moved(look, k, &g, err));
    }
done:
    rf_free(s.change);
    rf_free(s.sorted);
    rf_free(s.mark);
    rf_free(s.stack);
    return status;
}

/* find_moved.c - part of the subject moved or drooped between two frames.
 *
 * What moves by less than it is wide takes light from one side and brings it to the other; within a whole cell the two
 * cancel, so quarters of cells are looked at. Their mean brightness, gains taken off, changes smoothly from frame to
 * frame: focus spreads light about, it does not take it away. Where something has moved the brightness jumps once, and
 * neither before nor after: a jump of several times the changes around it, in cells that hang together. It tells in
 * focus and out of it alike. */
#include <math.h>
#include <string.h>

#include "check/look.h"
#include "railfold/memory.h"

#define JUMP_RATIO 3.0         /* over the largest of the changes around */
#define JUMP_FLOOR 0.012       /* ln brightness, besides */
#define LEAST_MEAN 0.05        /* ln brightness, over the group */
#define MEAN_AT_LONG_STEP 0.15 /* the same, where a long step changes brightness by itself */
#define DARK 0.02              /* added before the logarithm */
#define GRAVE_SHARE 0.02       /* of the picture */
enum { AROUND = 3, KEPT = 2 * AROUND + 1, LEAST_GROUP = 10 };

typedef struct group {
    int cells, x0, y0, x1, y1;
    double change; /* sum over the cells */
} group;

typedef struct search {
    const rf_look *look;
    int columns, rows; /* of quarters of cells */
    double *change;    /* KEPT x quarters: of ln brightness from frame k - 1 to k, in row k % KEPT; NAN unknown */
    double *sorted;
    int *mark, *stack; /* quarters */
} search;

static double brightness(const search *s, int k, int x, int y)
{
    const rf_cell *c = &rf_look_frame(s->look, k)[y / 2 * s->look->columns + x / 2];
    return c->energy < 0 ? (double)NAN : log((double)c->luma[y % 2 * 2 + x % 2] * s->look->poses[k].gain[0] + DARK);
}

/* From frame k - 1 to k, what all changed by taken off. */
static void measure_changes(search *s, int k)
{
    double *row = s->change + (size_t)(k % KEPT) * (size_t)(s->columns * s->rows);
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
}

static double change_at(const search *s, int k, int quarter)
{
    return s->change[(size_t)(k % KEPT) * (size_t)(s->columns * s->rows) + (size_t)quarter];
}

static int jumps(const search *s, int k, int quarter)
{
    double here = fabs(change_at(s, k, quarter)), around = 0;
    int n = 0;
    for (int i = k - AROUND; i <= k + AROUND; i++) {
        if (i < 1 || i >= s->look->count || i == k)
            continue;
        double other = fabs(change_at(s, i, quarter));
        if (isnan(other))
            return 0;
        around = fmax(around, other);
        n++;
    }
    return n >= 3 && here > JUMP_RATIO * around + JUMP_FLOOR;
}

static group grow(search *s, int k, int seed)
{
    group g = {.x0 = s->columns, .y0 = s->rows, .x1 = -1, .y1 = -1};
    int top = 0;
    s->stack[top++] = seed;
    s->mark[seed] = 0;
    while (top > 0) {
        int c = s->stack[--top], x = c % s->columns, y = c / s->columns;
        g.cells++;
        g.change += fabs(change_at(s, k, c));
        g.x0 = x < g.x0 ? x : g.x0, g.x1 = x > g.x1 ? x : g.x1;
        g.y0 = y < g.y0 ? y : g.y0, g.y1 = y > g.y1 ? y : g.y1;
        for (int ny = y - 1; ny <= y + 1; ny++)
            for (int nx = x - 1; nx <= x + 1; nx++)
                if (nx >= 0 && ny >= 0 && nx < s->columns && ny < s->rows && s->mark[ny * s->columns + nx]) {
                    s->mark[ny * s->columns + nx] = 0;
                    s->stack[top++] = ny * s->columns + nx;
                }
    }
    return g;
}

static group largest_group(search *s, int k)
{
    group best = {0};
    int quarters = s->columns * s->rows;
    for (int c = 0; c < quarters; c++)
        s->mark[c] = jumps(s, k, c);
    for (int c = 0; c < quarters; c++)
        if (s->mark[c]) {
            group g = grow(s, k, c);
            if (g.cells > best.cells)
                best = g;
        }
    return best;
}

static rf_status add_moved(rf_look *look, int k, const group *g, rf_error *err)
{
    int side = look->cell_px * look->cell_reduce / 2;
    double share = g->cells / 4.0 / rf_look_cells(look);
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
    /* A smear inside the take comes and goes; that of an end comes alone. */
    if ((k == 1 && rf_check_found_at(r, RF_CHECK_BLUR, 0)) ||
        (k == look->count - 1 && rf_check_found_at(r, RF_CHECK_BLUR, k)))
        return 1;
    return !look->result->frames[k].used || !look->result->frames[k - 1].used;
}

rf_status rf_find_moved(rf_look *look, rf_error *err)
{
    rf_status status;
    search s = {.look = look, .columns = 2 * look->columns, .rows = 2 * look->rows};
    size_t cells = 4 * (size_t)rf_look_cells(look);
    if (look->count < 5 || !look->poses_known || rf_check_found(look->result, RF_CHECK_ORDER) ||
        rf_check_found(look->result, RF_CHECK_COARSE_STEP)) /* every step is a long one, then */
        return RF_OK;
    RF_TRY(rf_alloc(&s.change, KEPT * cells, sizeof *s.change, "the changes of brightness", err));
    RF_TRY(rf_alloc(&s.sorted, cells + 1, sizeof *s.sorted, "the changes of brightness", err));
    RF_TRY(rf_alloc(&s.mark, cells, sizeof *s.mark, "the changes of brightness", err));
    RF_TRY(rf_alloc(&s.stack, cells + 1, sizeof *s.stack, "the changes of brightness", err));
    for (int k = 1; k <= AROUND && k < look->count; k++)
        measure_changes(&s, k);
    for (int k = 1; k < look->count; k++) {
        if (k + AROUND < look->count)
            measure_changes(&s, k + AROUND);
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

/* find_cover.c - what the take does not cover: parts of the subject before its first or behind its last slice, whites
 * that ran over, and a backdrop that is never out of focus. */
#include <math.h>
#include <stdio.h>

#include "check/look.h"
#include "railfold/memory.h"

#define RISE 1.15f            /* towards the end frame, from frame to frame */
#define RISE_AROUND 1.03      /* the same of the cells around */
#define TURN_AROUND 1.05      /* and of the frame next to the end over the one behind it */
#define UNCOVERED_SHARE 0.015 /* of the subject */
#define GRAVE_UNCOVERED 0.08
#define CLIPPED_SHARE 0.0075 /* of the subject, each place in its sharpest frame */
#define GRAVE_CLIPPED 0.06
#define BACKDROP_SHARE 0.03   /* of the picture */
#define BACKDROP_ENERGY 0.05f /* of the subject's strong peaks */
enum { LEAST_FRAMES = 5 };

/* Where cells lie: box and centre. */
typedef struct region {
    int cells, x0, y0, x1, y1;
    double x, y;
} region;

static void region_add(region *r, const rf_look *look, int cell)
{
    int x = cell % look->columns, y = cell / look->columns;
    if (r->cells++ == 0)
        *r = (region){.cells = 1, .x0 = x, .y0 = y, .x1 = x, .y1 = y};
    r->x0 = x < r->x0 ? x : r->x0, r->x1 = x > r->x1 ? x : r->x1;
    r->y0 = y < r->y0 ? y : r->y0, r->y1 = y > r->y1 ? y : r->y1;
    r->x += x;
    r->y += y;
}

static void region_place(const region *r, const rf_look *look, int place[4])
{
    int side = look->cell_px * look->cell_reduce;
    place[0] = r->x0 * side;
    place[1] = r->y0 * side;
    place[2] = (r->x1 - r->x0 + 1) * side;
    place[3] = (r->y1 - r->y0 + 1) * side;
}

static const char *region_name(const region *r, const rf_look *look)
{
    static const char *const names[3][3] = {
        {"top left", "top", "top right"}, {"left", "middle", "right"}, {"bottom left", "bottom", "bottom right"}};
    int column = (int)(3 * r->x / r->cells / look->columns), row = (int)(3 * r->y / r->cells / look->rows);
    return names[row > 2 ? 2 : row][column > 2 ? 2 : column];
}

/* As it would be in the light of the reference: a brighter frame is not a sharper one. */
static float signal_in(const rf_look *look, int k, int cell)
{
    float gain = (float)look->poses[k].gain[0];
    return gain * gain * rf_look_signal(look, k, cell);
}

/* Energy of the subject around a cell in frame `end` over that in frame `other`. Cells lie on whole pixels: a line
 * close to a cell's border is in it in one frame and out of it in the next, but stays among its neighbours. */
static double rise_around(const rf_look *look, int cell, int end, int other)
{
    int column = cell % look->columns, row = cell / look->columns;
    double at_end = 0, at_other = 0;
    for (int y = row - 1; y <= row + 1; y++)
        for (int x = column - 1; x <= column + 1; x++) {
            int c = y * look->columns + x;
            if (x < 0 || y < 0 || x >= look->columns || y >= look->rows || look->peaks[c].frame < 0 ||
                rf_look_frame(look, end)[c].energy < 0 || rf_look_frame(look, other)[c].energy < 0)
                continue;
            at_end += (double)signal_in(look, end, c);
            at_other += (double)signal_in(look, other, c);
        }
    return at_other > 0 ? at_end / at_other : 1;
}

/* Where the cells around are sharpest one frame in, the subject begins there, and what rises in the end frame is a line
 * that crossed the cell's border. */
static int turns_around(const rf_look *look, int cell, int end, int inward)
{
    return rise_around(look, cell, end, end + inward) < RISE_AROUND &&
           rise_around(look, cell, end + inward, end + 2 * inward) > TURN_AROUND;
}

static int still_rises(const rf_look *look, int cell, int end)
{
    int inward = end == 0 ? 1 : -1;
    float a = signal_in(look, end, cell), b = signal_in(look, end + inward, cell),
          c = signal_in(look, end + 2 * inward, cell);
    return look->peaks[cell].frame == end && a > RISE * b && b > c && !turns_around(look, cell, end, inward);
}

static rf_status find_uncovered(rf_look *look, int end, int subject, rf_error *err)
{
    region r = {0};
    for (int c = 0; c < rf_look_cells(look); c++)
        if (look->peaks[c].frame >= 0 && still_rises(look, c, end))
            region_add(&r, look, c);
    double share = subject > 0 ? (double)r.cells / subject : 0;
    if (share < UNCOVERED_SHARE)
        return RF_OK;
    rf_check_finding f = {.kind = end == 0 ? RF_CHECK_UNCOVERED_START : RF_CHECK_UNCOVERED_END,
                          .severity = share > GRAVE_UNCOVERED ? RF_CHECK_FAULT : RF_CHECK_WARNING};
    region_place(&r, look, f.place);
    const char *file = rf_check_base_name(look->options->frames[end]);
    return rf_check_add(look->result, &f, &end, 1, err,
                        "%.0f %% of the subject (%s of the picture) still gets sharper at the %s frame, %s: %s",
                        100 * share, region_name(&r, look), end == 0 ? "first" : "last", file,
                        end == 0 ? "the take should have begun earlier" : "the take should have gone on");
}

static rf_status find_clipped(rf_look *look, int subject, rf_error *err)
{
    region r = {0};
    double clipped = 0;
    for (int c = 0; c < rf_look_cells(look); c++) {
        if (look->peaks[c].frame < 0)
            continue;
        double share = (double)rf_look_frame(look, look->peaks[c].frame)[c].clipped;
        clipped += share;
        if (share > 0.05)
            region_add(&r, look, c);
    }
    clipped /= subject > 0 ? subject : 1;
    if (clipped < CLIPPED_SHARE || r.cells == 0)
        return RF_OK;
    rf_check_finding f = {.kind = RF_CHECK_CLIPPED,
                          .severity = clipped > GRAVE_CLIPPED ? RF_CHECK_FAULT : RF_CHECK_WARNING};
    region_place(&r, look, f.place);
    return rf_check_add(look->result, &f, NULL, 0, err,
                        "%.1f %% of the subject is white without detail (mostly %s of the picture): expose less",
                        100 * clipped, region_name(&r, look));
}

static rf_status find_backdrop(rf_look *look, rf_error *err)
{
    rf_status status;
    region r = {0};
    double *sorted = NULL;
    int cells = rf_look_cells(look);
    RF_TRY(rf_alloc(&sorted, (size_t)cells + 1, sizeof *sorted, "the cells", err));
    for (int c = 0; c < cells; c++)
        sorted[c] = (double)look->peaks[c].energy;
    float strong = (float)rf_quantile(sorted, cells, 0.9);
    for (int c = 0; c < cells; c++)
        if (look->peaks[c].steady && look->peaks[c].energy > BACKDROP_ENERGY * strong)
            region_add(&r, look, c);
    if (cells > 0 && (double)r.cells / cells > BACKDROP_SHARE) {
        rf_check_finding f = {.kind = RF_CHECK_BACKDROP, .severity = RF_CHECK_WARNING};
        region_place(&r, look, f.place);
        RF_TRY(
            rf_check_add(look->result, &f, NULL, 0, err,
                         "the backdrop (%s of the picture) shows its structure in every frame: move it farther away or "
                         "take a plainer one",
                         region_name(&r, look)));
    }
done:
    rf_free(sorted);
    return status;
}

rf_status rf_find_cover(rf_look *look, rf_error *err)
{
    rf_status status = RF_OK;
    int subject = 0, first = 0, last = look->count - 1;
    while (first < last && !look->result->frames[first].used)
        first++;
    while (last > first && !look->result->frames[last].used)
        last--;
    if (last - first + 1 < LEAST_FRAMES)
        return RF_OK;
    for (int c = 0; c < rf_look_cells(look); c++)
        subject += look->peaks[c].frame >= 0;
    int whole = !rf_check_found(look->result, RF_CHECK_COARSE_STEP); /* a step short of the end is far, then */
    RF_TRY(first == 0 && whole && !look->options->begun_before ? find_uncovered(look, first, subject, err) : RF_OK);
    RF_TRY(last == look->count - 1 && whole && !look->options->unfinished ? find_uncovered(look, last, subject, err)
                                                                          : RF_OK);
    RF_TRY(find_clipped(look, subject, err));
    RF_TRY(find_backdrop(look, err));
done:
    return status;
}

/* disc.c - see disc.h. */
#include "disc.h"

#include <math.h>

#include "railfold/memory.h"

/* Area of the unit half disc between heights 0 and t (0..1): integral of sqrt(1 - y^2), by Simpson's rule on y = 1 -
 * s^2, which is smooth at the rim. */
static double half_disc(double t)
{
    if (t >= 1)
        t = 1;
    if (t <= 0)
        return 0;
    enum { PARTS = 32 };
    double from = sqrt(1 - t), step = (1 - from) / PARTS, sum = 0;
    for (int i = 0; i <= PARTS; i++) {
        double s = from + step * i, y = 1 - s * s;
        double value = sqrt(fmax(0, 1 - y * y)) * 2 * s;
        sum += value * (i == 0 || i == PARTS ? 1 : i & 1 ? 4 : 2);
    }
    return sum * step / 3;
}

/* Mean half chord of a disc of radius r over heights row - 1/2 .. row + 1/2. */
static double half_width(double r, int row)
{
    if (row == 0)
        return 2 * r * r * half_disc(0.5 / r);
    return r * r * (half_disc((row + 0.5) / r) - half_disc((row - 0.5) / r));
}

static int reach_of(double r)
{
    return (int)ceil(r - 0.5);
}

/* Second moment about one axis, mean of x and y, of the disc as drawn. */
static double drawn_moment(double r)
{
    double sum = 0, moment = 0;
    int reach = reach_of(r);
    for (int row = -reach; row <= reach; row++) {
        double h = half_width(r, row < 0 ? -row : row);
        int whole = (int)floor(h + 0.5);
        double end = h + 0.5 - whole; /* share of pixel `whole` on each side */
        double weight = 2 * h, across = 0;
        if (whole == 0) {
            weight = 2 * h;
        } else {
            for (int i = 1; i < whole; i++)
                across += 2.0 * i * i;
            across += 2.0 * end * whole * whole;
        }
        sum += weight;
        moment += 0.5 * (across + weight * row * row);
    }
    return moment / sum;
}

/* Above this the drawn moment follows r^2 / 4 + 1/12 (disc plus pixel) closely enough to be inverted in one step. */
static const double LARGE_DISC_PX = 4;

static double drawn_radius(double r)
{
    if (r > LARGE_DISC_PX)
        return sqrt(r * r - 1.0 / 3);
    double low = 0.5, high = r + 1, wanted = r * r / 4;
    if (wanted <= 0)
        return low;
    for (int i = 0; i < 40; i++) {
        double middle = (low + high) / 2;
        if (drawn_moment(middle) < wanted)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2;
}

static void fill_rows(disc_row *rows, double r, int reach)
{
    double area = 0;
    for (int row = -reach; row <= reach; row++)
        area += 2 * half_width(r, row < 0 ? -row : row);
    for (int row = 0; row <= reach; row++) {
        double h = half_width(r, row), a = 0.5 - h, b = 0.5 + h;
        int left = (int)floor(a), right = (int)floor(b);
        double in_left = 1 - (a - left), past_right = b - right;
        rows[row].left = (int16_t)left;
        rows[row].right = (int16_t)right;
        rows[row].begin[0] = (float)(in_left / area);
        rows[row].begin[1] = (float)((1 - in_left) / area);
        rows[row].end[0] = (float)((1 - past_right) / area);
        rows[row].end[1] = (float)(past_right / area);
    }
}

rf_status disc_table_make(disc_table *table, double largest_px, rf_error *err)
{
    rf_status status;
    *table = (disc_table){0};
    table->largest = (int)ceil(largest_px * DISC_STEPS_PER_PX) + 1;
    size_t radii = (size_t)table->largest + 1;
    RF_TRY(rf_alloc(&table->first, radii, sizeof *table->first, "the disc table", err));
    RF_TRY(rf_alloc(&table->reach, radii, sizeof *table->reach, "the disc table", err));
    size_t total = 0;
    for (size_t i = 0; i < radii; i++) {
        double r = drawn_radius((double)i / DISC_STEPS_PER_PX);
        table->first[i] = (int)total;
        table->reach[i] = reach_of(r);
        total += (size_t)table->reach[i] + 1;
    }
    RF_TRY(rf_alloc(&table->rows, total, sizeof *table->rows, "the disc table", err));
    for (size_t i = 0; i < radii; i++)
        fill_rows(table->rows + table->first[i], drawn_radius((double)i / DISC_STEPS_PER_PX), table->reach[i]);
    return RF_OK;
done:
    disc_table_free(table);
    return status;
}

void disc_table_free(disc_table *table)
{
    rf_free(table->first);
    rf_free(table->reach);
    rf_free(table->rows);
    *table = (disc_table){0};
}

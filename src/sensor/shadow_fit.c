/* shadow_fit.c - how deep and how wide a suspected shadow is, and whether it is one.
 *
 * The shadow is taken as round: log luma lost is piecewise linear between KNOTS radii, 0 from the last one on. Each
 * knot's part is smoothed as the frames were, and what the pairs would make of it is reckoned with their true shifts:
 * so the profile comes out right even where the picture moves by as much as the shadow is wide. Depths at the knots by
 * least squares; the middle by search, for the best of these; then the radius anew, from the profile. */
#include <math.h>
#include <string.h>

#include "faults.h"
#include "railfold/memory.h"
#include "shadow_fit.h"

enum { ROUNDS = 3, MARGIN = 3, HALVINGS = 4, QUARTERS = 4 };
static const float LEAST_DEPTH = 0.03f, MOST_DEPTH = 0.51f; /* log luma: gains 0.97 to 0.6 */
static const float LEAST_QUARTER = 0.35f; /* of the depth, as each quarter of the surroundings tells it */
static const float MOST_SKIRT = 0.35f;    /* of the depth, at 1.6 radii and farther */
static const double RIDGE = 1e-3;         /* of the mean diagonal: keeps an unseen knot from running away */

/* Symmetric positive equations by elimination. */
static void solve(double m[KNOTS][KNOTS + 1], double *x)
{
    for (int i = 0; i < KNOTS; i++)
        for (int r = i + 1; r < KNOTS; r++)
            for (int c = KNOTS; c >= i; c--)
                m[r][c] -= m[i][c] * m[r][i] / m[i][i];
    for (int i = KNOTS - 1; i >= 0; i--) {
        x[i] = m[i][KNOTS];
        for (int c = i + 1; c < KNOTS; c++)
            x[i] -= m[i][c] * x[c];
        x[i] /= m[i][i];
    }
}

static int in_picture(const shadow_fit *f, int i, int j)
{
    int x = f->left + i, y = f->top + j;
    return x >= 0 && y >= 0 && x < f->shadow->width && y < f->shadow->height;
}

static void add_pixel(const shadow_fit *f, int i, int j, double m[KNOTS][KNOTS + 1])
{
    const rf_shadow *s = f->shadow;
    int x = f->left + i, y = f->top + j;
    const shadow_normal *normal = rf_shadow_normal_at(s, x, y);
    double bx = (double)rf_image_row_f32(&s->bx, y)[x], by = (double)rf_image_row_f32(&s->by, y)[x];
    size_t at = (size_t)j * (size_t)f->side + (size_t)i;
    double sx[KNOTS], sy[KNOTS];
    for (int b = 0; b < KNOTS; b++) {
        sx[b] = (double)f->slope_x[(size_t)b * rf_fit_area(f) + at];
        sy[b] = (double)f->slope_y[(size_t)b * rf_fit_area(f) + at];
    }
    for (int b = 0; b < KNOTS; b++) {
        double nx = (double)normal->xx * sx[b] + (double)normal->xy * sy[b];
        double ny = (double)normal->xy * sx[b] + (double)normal->yy * sy[b];
        for (int c = 0; c < KNOTS; c++)
            m[b][c] += nx * sx[c] + ny * sy[c];
        m[b][KNOTS] += sx[b] * bx + sy[b] * by;
    }
}

/* Depths at the knots; returns how much of the squares they explain, 0 when nothing was seen. */
static double fit_depths(shadow_fit *f)
{
    double m[KNOTS][KNOTS + 1] = {{0}}, right[KNOTS], diagonal = 0, explained = 0;
    for (int j = 1; j < f->side - 1; j++)
        for (int i = 1; i < f->side - 1; i++)
            if (in_picture(f, i, j))
                add_pixel(f, i, j, m);
    for (int b = 0; b < KNOTS; b++) {
        right[b] = m[b][KNOTS];
        diagonal += m[b][b] / KNOTS;
    }
    if (!(diagonal > 0))
        return 0;
    for (int b = 0; b < KNOTS; b++)
        m[b][b] += RIDGE * diagonal;
    solve(m, f->depth);
    for (int b = 0; b < KNOTS; b++)
        explained += right[b] * f->depth[b];
    return explained;
}

static double quality_at(shadow_fit *f, float x, float y)
{
    f->x = x, f->y = y;
    rf_fit_draw(f);
    rf_fit_slopes_small(f);
    return fit_depths(f);
}

static void search_middle(shadow_fit *f)
{
    static const int way[4][2] = {{1, 0}, {-1, 0}, {0, 1}, {0, -1}};
    float x = f->x, y = f->y, step = 0.25f * f->radius;
    double best = quality_at(f, x, y);
    for (int halving = 0, tries = 0; halving < HALVINGS && tries < 24; tries++) {
        int better = -1;
        for (int i = 0; i < 4; i++) {
            double quality = quality_at(f, x + step * (float)way[i][0], y + step * (float)way[i][1]);
            if (quality > best) {
                best = quality;
                better = i;
            }
        }
        if (better >= 0) {
            x += step * (float)way[better][0];
            y += step * (float)way[better][1];
        } else {
            step *= 0.5f;
            halving++;
        }
    }
    f->x = x, f->y = y;
}

static float depth_at(const shadow_fit *f, float d)
{
    float sum = 0.0f;
    for (int b = 0; b < KNOTS; b++)
        sum += (float)f->depth[b] * rf_fit_hat(b, d);
    return sum;
}

/* Where the profile falls to half of its mean over the inner 0.6 radii; 0: nowhere. */
static float half_radius(const shadow_fit *f)
{
    float half = 0.5f * (depth_at(f, 0.15f) + 2.0f * depth_at(f, 0.4f)) / 3.0f;
    for (float d = 0.3f; d < 2.4f; d += 0.01f)
        if (depth_at(f, d) < half)
            return d * f->radius;
    return 0.0f;
}

/* Depth as told by each quarter of the surroundings alone, the shape being known: the least, as a share of the whole's.
 */
static double least_quarter(const shadow_fit *f)
{
    double product[QUARTERS] = {0}, square[QUARTERS] = {0}, least = 1;
    const rf_shadow *s = f->shadow;
    for (int j = 1; j < f->side - 1; j++)
        for (int i = 1; i < f->side - 1; i++) {
            if (!in_picture(f, i, j))
                continue;
            int x = f->left + i, y = f->top + j, q = ((float)x < f->x) + 2 * ((float)y < f->y);
            const shadow_normal *n = rf_shadow_normal_at(s, x, y);
            double sx = 0, sy = 0;
            for (int b = 0; b < KNOTS; b++) {
                size_t at = (size_t)b * rf_fit_area(f) + (size_t)(j * f->side + i);
                sx += f->depth[b] * (double)f->slope_x[at];
                sy += f->depth[b] * (double)f->slope_y[at];
            }
            product[q] += sx * (double)rf_image_row_f32(&s->bx, y)[x] + sy * (double)rf_image_row_f32(&s->by, y)[x];
            square[q] += (double)n->xx * sx * sx + 2 * (double)n->xy * sx * sy + (double)n->yy * sy * sy;
        }
    for (int q = 0; q < QUARTERS; q++)
        if (square[q] > 0)
            least = fmin(least, product[q] / square[q]);
    return least;
}

static int is_shadow_like(const shadow_fit *f)
{
    float depth = (depth_at(f, 0.15f) + 2.0f * depth_at(f, 0.4f)) / 3.0f;
    return depth >= LEAST_DEPTH && depth <= MOST_DEPTH && fabsf(depth_at(f, 1.6f)) <= MOST_SKIRT * depth &&
           fabsf(depth_at(f, 2.0f)) <= MOST_SKIRT * depth && least_quarter(f) >= (double)LEAST_QUARTER;
}

static rf_status describe(const shadow_fit *f, rf_dust_spot *spot, rf_error *err)
{
    int reduce = f->shadow->reduce;
    float edge = 0.5f * (float)(reduce - 1);
    spot->x = (float)reduce * f->x + edge;
    spot->y = (float)reduce * f->y + edge;
    spot->radius_px = (float)reduce * f->radius;
    spot->dip = 1.0f - expf(-(depth_at(f, 0.15f) + 2.0f * depth_at(f, 0.4f)) / 3.0f);
    int reach = (int)(rf_shadow_at[KNOTS] * spot->radius_px) + 1;
    spot->side = 2 * reach + 1;
    spot->left = (int)floorf(spot->x + 0.5f) - reach;
    spot->top = (int)floorf(spot->y + 0.5f) - reach;
    rf_status status =
        rf_alloc(&spot->gain, (size_t)spot->side * (size_t)spot->side, sizeof *spot->gain, "the dust", err);
    for (int i = 0; status == RF_OK && i < spot->side * spot->side; i++) {
        float dx = (float)(spot->left + i % spot->side) - spot->x, dy = (float)(spot->top + i / spot->side) - spot->y;
        spot->gain[i] = fminf(fmaxf(expf(-depth_at(f, hypotf(dx, dy) / spot->radius_px)), 0.6f), 1.0f);
    }
    return status;
}

static int reach_of(const shadow_fit *f)
{
    return (int)(rf_shadow_at[KNOTS] * f->radius) + 2 * MARGIN + 2;
}

/* The window around the middle, as wide as the radius asks for. */
static void open_window(shadow_fit *f, float *room)
{
    int reach = reach_of(f);
    f->side = 2 * reach + 1;
    f->left = (int)floorf(f->x + 0.5f) - reach;
    f->top = (int)floorf(f->y + 0.5f) - reach;
    memset(room, 0, (3 * KNOTS + 1) * rf_fit_area(f) * sizeof *room);
    f->part = room;
    f->slope_x = room + KNOTS * rf_fit_area(f);
    f->slope_y = room + 2 * KNOTS * rf_fit_area(f);
    f->scratch = room + 3 * KNOTS * rf_fit_area(f);
}

/* One round: window, middle, profile. 0 when it cannot be a shadow. */
static int refine(shadow_fit *f, float *room, size_t floats)
{
    size_t side = 2 * (size_t)reach_of(f) + 1;
    if ((3 * KNOTS + 1) * side * side > floats)
        return 0;
    open_window(f, room);
    search_middle(f);
    if (!rf_fit_settle_shifts(f))
        return 0;
    rf_fit_draw(f);
    rf_fit_slopes_true(f);
    return fit_depths(f) > 0;
}

/* The logarithm has SHADOW_DARKEST added to it: in the dark a share of light lost shows as less. */
static double darkness(const shadow_fit *f)
{
    const rf_shadow *s = f->shadow;
    int x = rf_clamp_int((int)(f->x + 0.5f), 0, s->width - 1), y = rf_clamp_int((int)(f->y + 0.5f), 0, s->height - 1);
    double sum = 0;
    for (int k = 0; k < s->kept; k++) {
        double code = (double)s->logs[k][(size_t)y * (size_t)s->width + (size_t)x] / 65535 * (double)SHADOW_LOG_RANGE;
        sum += exp(-code) / s->kept; /* the darkest level over that and the light */
    }
    return 1 / fmax(1 - sum, 0.6);
}

/* Takes the shadow's share out of the right-hand sides (sign -1), or puts it back (1). */
static void change_sides(const shadow_fit *f, float sign)
{
    const rf_shadow *s = f->shadow;
    for (int j = 1; j < f->side - 1; j++)
        for (int i = 1; i < f->side - 1; i++) {
            if (!in_picture(f, i, j))
                continue;
            int x = f->left + i, y = f->top + j;
            const shadow_normal *n = rf_shadow_normal_at(s, x, y);
            float sx = 0.0f, sy = 0.0f;
            for (int b = 0; b < KNOTS; b++) {
                size_t at = (size_t)b * rf_fit_area(f) + (size_t)(j * f->side + i);
                sx += (float)f->depth[b] * f->slope_x[at];
                sy += (float)f->depth[b] * f->slope_y[at];
            }
            rf_image_row_f32(&s->bx, y)[x] += sign * (n->xx * sx + n->xy * sy);
            rf_image_row_f32(&s->by, y)[x] += sign * (n->xy * sx + n->yy * sy);
        }
}

static rf_status open_fit(shadow_fit *f, rf_shadow *shadow, const shadow_suspect *suspect, float **room, size_t *floats,
                          rf_error *err)
{
    int widest = 2 * ((int)(1.8f * rf_shadow_at[KNOTS] * suspect->radius) + 2 * MARGIN + 2) + 1;
    *f = (shadow_fit){.shadow = shadow, .x = suspect->x, .y = suspect->y, .radius = suspect->radius};
    *floats = (3 * KNOTS + 1) * (size_t)widest * (size_t)widest;
    return rf_alloc(room, *floats, sizeof **room, "the dust", err);
}

rf_status rf_shadow_fit(rf_shadow *shadow, shadow_suspect *suspect, rf_dust_spot *spot, int *found, rf_error *err)
{
    rf_status status;
    shadow_fit f;
    float *room = NULL;
    size_t floats;
    int alive = 1;
    *found = 0;
    RF_TRY(open_fit(&f, shadow, suspect, &room, &floats, err));
    for (int round = 0; round < ROUNDS && alive; round++) {
        if (round > 0)
            f.radius = half_radius(&f);
        alive = f.radius > 0.0f && refine(&f, room, floats);
    }
    if (alive && is_shadow_like(&f)) {
        *found = 1;
        *suspect = (shadow_suspect){.x = f.x, .y = f.y, .radius = f.radius, .score = suspect->score};
        memcpy(suspect->depth, f.depth, sizeof f.depth);
        change_sides(&f, -1.0f);
        double more = darkness(&f);
        for (int b = 0; b < KNOTS; b++)
            f.depth[b] *= more;
        rf_free(spot->gain);
        RF_TRY(describe(&f, spot, err));
    }
done:
    rf_free(room);
    return status;
}

rf_status rf_shadow_put_back(rf_shadow *shadow, const shadow_suspect *suspect, rf_error *err)
{
    rf_status status;
    shadow_fit f;
    float *room = NULL;
    size_t floats;
    RF_TRY(open_fit(&f, shadow, suspect, &room, &floats, err));
    open_window(&f, room);
    if (rf_fit_settle_shifts(&f)) {
        rf_fit_draw(&f);
        rf_fit_slopes_true(&f);
        memcpy(f.depth, suspect->depth, sizeof f.depth);
        change_sides(&f, 1.0f);
    }
done:
    rf_free(room);
    return status;
}

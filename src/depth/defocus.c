/* defocus.c - how fast blur grows along the rail: pixels of disc radius per step, from the take itself.
 *
 * On tiles of one surface the frame nearest to focus is blurred by discs of growing radius, and the loss of Laplacian
 * energy is compared with the loss the other frames show. One constant explains all frames of a tile: radius = constant
 * * distance from focus in steps (thin lens: the circle of confusion grows linearly with defocus). The median of the
 * tiles counts. Depth from defocus turned round (Pentland, PAMI 9, 1987): here depth is known and the constant is not.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "depth/state.h"
#include "railfold/memory.h"

enum {
    TILES_X = 8,
    TILES_Y = 6,
    TILES = TILES_X * TILES_Y,
    SIDE = 44,  /* pixels of a tile, as pass 0 saw them */
    INNER = 20, /* of it are measured; the rest is for the blur to draw on */
    MARGIN = (SIDE - INNER) / 2,
    REACH = 8, /* frames to each side of the sharpest */
    FRAMES = 2 * REACH + 1,
    RADII = 19,
    CANDIDATES = 400,
    MAX_REDUCE = 4
};

static const double RADIUS_STEP_PX = 0.5;          /* radii 0, 0.5 .. 9 px: the margin less the Laplacian's support */
static const double SMALLEST = 0.1, LARGEST = 8.0; /* px per step */
static const double OVER_NOISE = 40.0;
static const float ONE_SURFACE_STEPS = 0.8f;  /* depth range of the measured part */
static const float SURROUNDINGS_STEPS = 3.0f; /* and of the whole tile */

typedef struct tile {
    int x, y;           /* top left, pixels as pass 0 saw them */
    float at;           /* its depth, frame positions */
    int nearest;        /* the frame kept in luma, -1 before */
    float energy;       /* that the tile was chosen by */
    float seen[FRAMES]; /* energies by frame, around round(at); 0 = not seen */
    float luma[SIDE * SIDE];
} tile;

struct rf_defocus {
    int count;
    tile tile[TILES];
};

/* ---- choosing tiles ---- */

/* Mean energy of the measured part of the place if it is one well measured surface, else 0; every second energy pixel.
 */
static float place_energy(const rf_depth *d, int i, int j, float *at)
{
    float low = INFINITY, high = -INFINITY, inner_low = INFINITY, inner_high = -INFINITY, sum = 0.0f, energy = 0.0f;
    int n = 0;
    for (int dj = 0; dj < SIDE / 2; dj += 2)
        for (int di = 0; di < SIDE / 2; di += 2) {
            float way = rf_image_row_f32(&d->way, j + dj)[i + di];
            low = rf_lower(low, way);
            high = rf_higher(high, way);
            if (high - low > SURROUNDINGS_STEPS)
                return 0.0f;
            if (dj < MARGIN / 2 || di < MARGIN / 2 || dj >= (SIDE - MARGIN) / 2 || di >= (SIDE - MARGIN) / 2)
                continue;
            inner_low = rf_lower(inner_low, way);
            inner_high = rf_higher(inner_high, way);
            if (inner_high - inner_low > ONE_SURFACE_STEPS || rf_image_row_f32(&d->trust, j + dj)[i + di] < 1.0f)
                return 0.0f;
            sum += way;
            energy += rf_focus_row(d, j + dj)[i + di].peak[0].energy;
            n++;
        }
    *at = rf_way_sign(d) * sum / (float)n;
    return *at < 1.0f || *at > (float)d->frame_count - 2.0f ? 0.0f : energy / (float)n;
}

static void choose_in_cell(const rf_depth *d, int cell, tile *best)
{
    int left = cell % TILES_X * d->energy_width / TILES_X, right = (cell % TILES_X + 1) * d->energy_width / TILES_X;
    int top = cell / TILES_X * d->energy_height / TILES_Y, bottom = (cell / TILES_X + 1) * d->energy_height / TILES_Y;
    for (int j = top; j < bottom && j + SIDE / 2 <= d->energy_height - 1; j += 8)
        for (int i = left; i < right && i + SIDE / 2 <= d->energy_width - 1; i += 8) {
            float at = 0.0f, energy = place_energy(d, i, j, &at);
            if (energy > best->energy)
                *best = (tile){.x = 2 * i, .y = 2 * j, .at = at, .nearest = -1, .energy = energy};
        }
}

rf_status rf_defocus_begin(rf_depth *d, rf_error *err)
{
    rf_status status = rf_alloc(&d->defocus, 1, sizeof *d->defocus, "the defocus tiles", err);
    if (status != RF_OK)
        return status;
    for (int cell = 0; cell < TILES; cell++) {
        tile *t = &d->defocus->tile[d->defocus->count];
        choose_in_cell(d, cell, t);
        d->defocus->count += t->energy > 0.0f;
    }
    return RF_OK;
}

/* ---- measuring ---- */

/* The same measure as the sharpness module's before pooling: a slight Gaussian, the Laplacian, squared; mean over the
 * inner part. */
static double tile_energy(const float *luma)
{
    static const float TAP[3] = {0.569916f, 0.205395f, 0.009647f}; /* Gaussian of 0.7 px */
    enum { AROUND = INNER + 2 };
    float across[(AROUND + 4) * AROUND], smooth[AROUND * AROUND];
    const float *origin = luma + (MARGIN - 3) * SIDE + MARGIN - 1;
    for (int y = 0; y < AROUND + 4; y++)
        for (int x = 0; x < AROUND; x++) {
            const float *p = origin + y * SIDE + x;
            across[y * AROUND + x] = TAP[0] * p[0] + TAP[1] * (p[-1] + p[1]) + TAP[2] * (p[-2] + p[2]);
        }
    for (int y = 0; y < AROUND; y++)
        for (int x = 0; x < AROUND; x++) {
            const float *p = across + (y + 2) * AROUND + x;
            smooth[y * AROUND + x] =
                TAP[0] * p[0] + TAP[1] * (p[-AROUND] + p[AROUND]) + TAP[2] * (p[-2 * AROUND] + p[2 * AROUND]);
        }
    double sum = 0.0;
    for (int y = 1; y <= INNER; y++)
        for (int x = 1; x <= INNER; x++) {
            const float *p = smooth + y * AROUND + x;
            float l = p[-1] + p[1] + p[-AROUND] + p[AROUND] - 4.0f * p[0];
            sum += (double)(l * l);
        }
    return sum / (INNER * INNER);
}

/* The tile's luma, each pixel the mean of `reduce` x `reduce` of the source's. */
static void read_luma(const rf_source *source, const tile *t, int reduce, float luma[SIDE * SIDE])
{
    enum { WIDEST = MAX_REDUCE * SIDE + 2 * RF_PIECE_COLUMNS };
    float rows[MAX_REDUCE][WIDEST], share = 1.0f / (float)(reduce * reduce);
    int first = reduce * t->x / RF_PIECE_COLUMNS * RF_PIECE_COLUMNS, skip = reduce * t->x - first;
    rf_piece piece = {first, reduce * t->y, skip + reduce * SIDE, reduce};
    for (int y = 0; y < SIDE; y++, piece.y += reduce) {
        source->read(source, piece, RF_PIECE_LUMA, rows[0], WIDEST);
        for (int x = 0; x < SIDE; x++) {
            float sum = 0.0f;
            for (int i = 0; i < reduce * reduce; i++)
                sum += rows[i / reduce][skip + reduce * x + i % reduce];
            luma[y * SIDE + x] = share * sum;
        }
    }
}

static int covers(const int (*covered)[2], const tile *t, int reduce)
{
    for (int y = reduce * t->y; covered != NULL && y < reduce * (t->y + SIDE); y++)
        if (covered[y][0] > reduce * t->x || covered[y][1] < reduce * (t->x + SIDE))
            return 0;
    return 1;
}

void rf_defocus_add(rf_depth *d, int k, const rf_source *source)
{
    int reduce = d->cell / 2;
    for (int i = 0; i < d->defocus->count; i++) {
        tile *t = &d->defocus->tile[i];
        int place = k - (int)lrintf(t->at) + REACH;
        if (place < 0 || place >= FRAMES || !covers(source->covered, t, reduce))
            continue;
        float luma[SIDE * SIDE];
        read_luma(source, t, reduce, luma);
        t->seen[place] = (float)tile_energy(luma);
        if (t->nearest < 0 || fabsf((float)k - t->at) < fabsf((float)t->nearest - t->at)) {
            t->nearest = k;
            memcpy(t->luma, luma, sizeof luma);
        }
    }
}

/* ---- solving ---- */

/* Energies of the kept frame blurred by discs of growing radius; the noise of the sharp one is taken off. */
static void blurred_energies(const tile *t, double noise, double energy[RADII])
{
    energy[0] = tile_energy(t->luma) - noise;
    for (int r = 1; r < RADII; r++) {
        double radius = r * RADIUS_STEP_PX, total = 0.0;
        int reach = (int)ceil(radius + 0.5) - 1;
        float out[SIDE * SIDE] = {0}, disc[21 * 21];
        for (int dy = -reach; dy <= reach; dy++)
            for (int dx = -reach; dx <= reach; dx++) {
                double cover = radius + 0.5 - sqrt((double)(dx * dx + dy * dy));
                cover = cover < 0.0 ? 0.0 : cover > 1.0 ? 1.0 : cover;
                disc[(dy + 10) * 21 + dx + 10] = (float)cover;
                total += cover;
            }
        /* Only what tile_energy reads: the inner part and 3 px around. */
        for (int dy = -reach; dy <= reach; dy++)
            for (int dx = -reach; dx <= reach; dx++) {
                float w = disc[(dy + 10) * 21 + dx + 10] * (float)(1.0 / total);
                for (int y = MARGIN - 3; w > 0.0f && y < SIDE - MARGIN + 3; y++)
                    for (int x = MARGIN - 3; x < SIDE - MARGIN + 3; x++)
                        out[y * SIDE + x] += w * t->luma[(y + dy) * SIDE + x + dx];
            }
        energy[r] = tile_energy(out);
    }
}

/* ln of the energy at a radius, between the table's entries; the table falls steeply, so it is read in the logarithm.
 */
static double log_energy(const double energy[RADII], double radius)
{
    double at = radius / RADIUS_STEP_PX;
    int i = (int)at < RADII - 2 ? (int)at : RADII - 2;
    double a = log(energy[i] > 1e-12 ? energy[i] : 1e-12), b = log(energy[i + 1] > 1e-12 ? energy[i + 1] : 1e-12);
    return a + (b - a) * (at - i);
}

/* Mean squared log mismatch of one tile under a constant; INFINITY with fewer than 3 frames to compare. The kept frame
 * is itself blurred by its distance from focus; variances of discs add. */
static double mismatch(const tile *t, const double energy[RADII], double noise, double constant)
{
    double sum = 0.0, rest = constant * fabs((double)t->nearest - (double)t->at);
    int used = 0, first = (int)lrintf(t->at) - REACH;
    for (int p = 0; p < FRAMES; p++) {
        double r = constant * fabs((double)(first + p) - (double)t->at), more = r * r - rest * rest;
        if ((double)t->seen[p] < OVER_NOISE * noise || first + p == t->nearest || more < 0.0)
            continue;
        double radius = sqrt(more), limit = (RADII - 1) * RADIUS_STEP_PX;
        double e = log((double)t->seen[p] - noise) - log_energy(energy, radius < limit ? radius : limit);
        sum += e * e;
        used++;
    }
    return used < 3 ? INFINITY : sum / used;
}

static double tile_constant(const tile *t, double noise)
{
    double energy[RADII], best = INFINITY, constant = 0.0;
    if (t->nearest < 0 || tile_energy(t->luma) < 4.0 * OVER_NOISE * noise)
        return 0.0;
    blurred_energies(t, noise, energy);
    for (int c = 0; c < CANDIDATES; c++) {
        double candidate = SMALLEST * pow(LARGEST / SMALLEST, c / (CANDIDATES - 1.0)),
               m = mismatch(t, energy, noise, candidate);
        if (m < best) {
            best = m;
            constant = candidate;
        }
    }
    return constant;
}

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

double rf_defocus_solve(const rf_depth *d)
{
    double constant[TILES];
    int n = 0;
    for (int i = 0; i < d->defocus->count; i++) {
        double c = tile_constant(&d->defocus->tile[i], (double)d->noise_floor);
        if (c > SMALLEST * 1.01 && c < LARGEST / 1.01)
            constant[n++] = c;
    }
    if (n == 0)
        return 0.0;
    qsort(constant, (size_t)n, sizeof *constant, by_value);
    return n % 2 == 1 ? constant[n / 2] : 0.5 * (constant[n / 2 - 1] + constant[n / 2]);
}

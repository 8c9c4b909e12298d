/* outline.c - settles which surface every pixel near a depth edge shows.
 *
 * A joint weighted mode: every place around votes for its depth, with a weight that falls with the difference of colour
 * in the guide picture (joint bilateral weights, Petschnigg et al. and Eisemann & Durand, SIGGRAPH 2004; the mode of a
 * local histogram, van de Weijer & van den Boomgaard, CVPR 2001). Places that energy pooled across an outline may have
 * won for the nearer surface vote with little weight, so the outline falls where the guide's colour changes. Faint
 * places, such as smooth ground in the tail of what was pooled from an outline, listen further, for what lies next to
 * them was measured as badly, and are less choosy about colour. First among the energy pixels from the grown front,
 * then from that result at twice the size, and again until it is full size. */
#include <float.h>
#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "depth/ballot.h"
#include "railfold/memory.h"

enum { BIN_LANES = 4, FIRST_PLANES = 4, PLANES = 6, VOTES = VOTE_ROWS * VOTE_COLUMNS };

static const float VOTE_SIGMA[FAINTNESS] = {2.2f, 3.2f};     /* places */
static const float COLOUR_SCALE[FAINTNESS] = {0.06f, 0.25f}; /* coded units, all channels together */

/* What votes: the planes from the window's top left place on. */
typedef struct window {
    const float *way, *weight, *colour[3];
    size_t stride; /* floats from row to row */
} window;

typedef struct votes {
    float weight[VOTES], way[VOTES];  /* places outside the round window or the picture have weight 0 */
    int bin[VOTES];                   /* the lower of the two that a vote goes to */
    float lower[VOTES], upper[VOTES]; /* and what each of them gets */
    float patch[5][VOTES];            /* a window that reaches beyond the picture */
} votes;

/* The window round place (i, j): in the planes, or copied where it leaves them. */
static window window_at(const rf_ballot *b, int i, int j, votes *v)
{
    const rf_image *plane[5] = {&b->way, &b->weight, &b->colour[0], &b->colour[1], &b->colour[2]};
    int left = i - VOTE_RADIUS, top = j - VOTE_ROWS / 2, width = b->way.width, height = b->way.height;
    const float *at[5];
    size_t stride = VOTE_COLUMNS;
    if (left >= 0 && top >= 0 && left + VOTE_COLUMNS <= width && top + VOTE_ROWS <= height) {
        stride = b->way.stride_bytes / sizeof(float);
        for (int p = 0; p < 5; p++)
            at[p] = rf_image_row_f32(plane[p], top) + left;
    } else {
        for (int p = 0; p < 5; p++) {
            at[p] = v->patch[p];
            for (int n = 0; n < VOTES; n++) {
                int x = left + n % VOTE_COLUMNS, y = top + n / VOTE_COLUMNS;
                int inside = x >= 0 && y >= 0 && x < width && y < height;
                float near = rf_image_row_f32(plane[p], rf_clamp_int(y, 0, height - 1))[rf_clamp_int(x, 0, width - 1)];
                v->patch[p][n] = inside || p != 1 ? near : 0.0f;
            }
        }
    }
    return (window){at[0], at[1], {at[2], at[3], at[4]}, stride};
}

RF_HOT_PART float sum_of(const rf_f8 *lanes)
{
    rf_f8 v = *lanes;
    return ((v[0] + v[4]) + (v[1] + v[5])) + ((v[2] + v[6]) + (v[3] + v[7]));
}

/* Weighs the votes for a pixel of this colour. Returns whether they leave it on the surface at `own`, without their
 * histogram: the mode is where the sum of weight times (2 steps - distance) is highest, and once that sum reaches the
 * sum of all weights, none two steps or more away is higher. */
RF_HOT_256 static int collect(const window *w, const float (*spatial)[VOTE_COLUMNS], const float colour[3],
                              float per_square, float own, votes *v)
{
    rf_f8 total = {0}, here = {0};
    for (int row = 0; row < VOTE_ROWS; row++)
        for (int n = 0; n < VOTE_COLUMNS; n += 8) {
            size_t at = (size_t)row * w->stride + (size_t)n;
            rf_f8 red = rf_load_f8(w->colour[0] + at) - colour[0], green = rf_load_f8(w->colour[1] + at) - colour[1];
            rf_f8 blue = rf_load_f8(w->colour[2] + at) - colour[2];
            rf_f8 apart = 1.0f + (red * red + green * green + blue * blue) * per_square;
            rf_f8 way = rf_load_f8(w->way + at);
            rf_f8 weight = rf_load_f8(spatial[row] + n) * rf_load_f8(w->weight + at) / (apart * apart);
            rf_store_f8(v->weight + row * VOTE_COLUMNS + n, weight);
            rf_store_f8(v->way + row * VOTE_COLUMNS + n, way);
            rf_f8 above = 2.0f + (way - own), below = 2.0f - (way - own);
            rf_i8 lower = above < below;
            rf_f8 share = (rf_f8)(((rf_i8)above & lower) | ((rf_i8)below & ~lower));
            share = (rf_f8)((rf_i8)share & (share > 0.0f));
            total += weight;
            here += weight * share;
        }
    return sum_of(&here) >= sum_of(&total);
}

/* The mean of the votes around `centre`, NAN when there are none. */
RF_HOT_256 static float mean_around(const votes *v, float centre)
{
    rf_f8 sum = {0}, total = {0};
    for (int n = 0; n < VOTES; n += 8) {
        rf_f8 way = rf_load_f8(v->way + n), weight = rf_load_f8(v->weight + n), off = way - centre;
        rf_i8 near = (off < RF_APART_STEPS) & (off > -RF_APART_STEPS);
        weight = (rf_f8)((rf_i8)weight & near);
        sum += weight * way;
        total += weight;
    }
    float weights = sum_of(&total);
    return weights > 0.0f ? sum_of(&sum) / weights : NAN;
}

/* Which bins the votes go to, linear between two; *low and *high: the first and the last. */
RF_HOT static void sort_votes(const rf_ballot *b, votes *v, int *low, int *high)
{
    int first = b->bins, last = 0, most = b->bins - 2;
    for (int n = 0; n < VOTES; n++) {
        float at = v->way[n] - b->lowest_way;
        int bin = (int)at;
        bin = bin < 0 ? 0 : bin > most ? most : bin;
        float share = at - (float)bin;
        v->bin[n] = bin;
        v->lower[n] = v->weight[n] * (1.0f - share);
        v->upper[n] = v->weight[n] * share;
        first = bin < first ? bin : first;
        last = bin > last ? bin : last;
    }
    *low = first;
    *high = last + 1;
}

/* The mean of the votes round the mode of their histogram. `bin` holds BIN_LANES values a bin, in which votes take
 * turns: neighbours mostly vote for one bin. It is zeroed before and after. */
static float mode_of(const rf_ballot *b, votes *v, float *bin)
{
    int low, high;
    sort_votes(b, v, &low, &high);
    for (int n = 0; n < VOTES; n++) {
        float *lane = bin + v->bin[n] * BIN_LANES + n % BIN_LANES;
        lane[0] += v->lower[n];
        lane[BIN_LANES] += v->upper[n];
    }
    float most = -1.0f, before = 0.0f, here = 0.0f;
    int mode = low;
    for (int k = low; k <= high + 1; k++) { /* judges bin k - 1 once bin k is known */
        float after = 0.0f;
        for (int l = 0; k <= high && l < BIN_LANES; l++)
            after += bin[k * BIN_LANES + l];
        if (k > low && before + 2.0f * here + after > most) {
            most = before + 2.0f * here + after;
            mode = k - 1;
        }
        before = here;
        here = after;
    }
    memset(bin + low * BIN_LANES, 0, (size_t)(high - low + 1) * BIN_LANES * sizeof *bin);
    float centre = b->lowest_way + (float)mode, mean = mean_around(v, centre);
    return isnan(mean) ? centre : mean;
}

/* The guide's mean over half a place, its top left pixel at (x, y) of the output. */
static void guide_colour(const rf_ballot *b, int x, int y, float colour[3])
{
    const rf_depth *d = b->d;
    int side = b->cell / 2;
    if (side == 1 && x < d->width && y < d->height) {
        memcpy(colour, rf_image_row_f32(&d->guide, y) + 3 * (size_t)x, 3 * sizeof *colour);
        return;
    }
    float sum[3] = {0.0f}, share = 1.0f / (float)(side * side);
    for (int dy = 0; dy < side; dy++) {
        const float *row = rf_image_row_f32(&d->guide, rf_clamp_int(y + dy, 0, d->height - 1));
        for (int dx = 0; dx < side; dx++) {
            const float *at = row + 3 * (size_t)rf_clamp_int(x + dx, 0, d->width - 1);
            for (int c = 0; c < 3; c++)
                sum[c] += at[c];
        }
    }
    for (int c = 0; c < 3; c++)
        colour[c] = share * sum[c];
}

/* Settles pixel (x, y) of the output, which lies in place (i, j) and shows `way` as yet; `bin`: see mode_of. */
static float settle_pixel(const rf_ballot *b, int x, int y, int i, int j, float way, float *bin, votes *v)
{
    int apart = b->finer ? b->cell / 2 : b->cell;
    const uint8_t *faint = rf_image_row(&b->faint, rf_energy_row(b->d, j * b->cell));
    int f = faint[rf_energy_column(b->d, i * b->cell)];
    float colour[3];
    guide_colour(b, apart * x, apart * y, colour);
    window w = window_at(b, i, j, v);
    if (collect(&w, b->spatial[f], colour, 1.0f / (COLOUR_SCALE[f] * COLOUR_SCALE[f]), way, v))
        return way;
    float voted = mode_of(b, v, bin);
    return fabsf(voted - way) >= RF_SAME_STEPS ? voted : way;
}

static void settle_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    const rf_ballot *b = arg;
    float *bin = b->scratch + (size_t)thread * (size_t)b->bins * BIN_LANES;
    votes v;
    int shift = b->finer ? 1 : 0, places = b->way.width;
    for (int y = begin; y < end; y++) {
        int j = rf_clamp_int(y >> shift, 0, b->way.height - 1);
        float *out = rf_image_row_f32(b->out, y);
        const uint8_t *at_edge = rf_image_row(&b->at_edge, j), *next;
        if (b->finer)
            rf_plane_finer(&b->way, y, b->out->width, out);
        else
            memcpy(out, rf_image_row_f32(&b->way, y), (size_t)b->out->width * sizeof *out);
        for (int i = 0; i < places && (next = memchr(at_edge + i, 1, (size_t)(places - i))) != NULL; i++) {
            i = (int)(next - at_edge);
            int last = i + 1 < places ? (i + 1) << shift : b->out->width;
            for (int x = i << shift; x < last; x++)
                out[x] = settle_pixel(b, x, y, i, j, out[x], bin, &v);
        }
    }
}

static void colour_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_ballot *b = arg;
    for (int j = begin; j < end; j++)
        for (int i = 0; i < b->way.width; i++) {
            float colour[3];
            guide_colour(b, i * b->cell, j * b->cell, colour);
            for (int c = 0; c < 3; c++)
                rf_image_row_f32(&b->colour[c], j)[i] = colour[c];
        }
}

/* One round of voting: b->way is what is voted with, `out` the result. */
static void settle(rf_ballot *b, rf_image *out, int round)
{
    rf_depth *d = b->d;
    b->round = round;
    b->finer = round > 1;
    b->out = out;
    rf_ballot_weigh(b);
    rf_ballot_find_edges(b);
    rf_pool_rows(d->pool, out->height, RF_DEPTH_BLOCK_ROWS, settle_rows, b);
}

/* Those of the first round alone, and those of all. */
static void list_planes(rf_ballot *b, rf_image *first[FIRST_PLANES], rf_image *plane[PLANES])
{
    rf_image *once[] = {&b->far, &b->near, &b->farther, &b->strongest};
    rf_image *all[] = {&b->weight, &b->colour[0], &b->colour[1], &b->colour[2], &b->jump, &b->at_edge};
    memcpy(first, once, sizeof once);
    memcpy(plane, all, sizeof all);
}

static void free_first(rf_ballot *b)
{
    rf_image *first[FIRST_PLANES], *plane[PLANES];
    list_planes(b, first, plane);
    for (int i = 0; i < FIRST_PLANES; i++)
        rf_image_free(first[i]);
}

static void free_planes(rf_ballot *b)
{
    rf_image *first[FIRST_PLANES], *plane[PLANES];
    list_planes(b, first, plane);
    free_first(b);
    for (int i = 0; i < PLANES; i++)
        rf_image_free(plane[i]);
}

/* The planes of a grid of width x height places; those of the grid before are let go. */
static rf_status make_planes(rf_ballot *b, int width, int height, int is_first, rf_error *err)
{
    rf_status status = RF_OK;
    rf_image *first[FIRST_PLANES], *plane[PLANES];
    list_planes(b, first, plane);
    free_planes(b);
    for (int i = 0; is_first && i < FIRST_PLANES; i++)
        RF_TRY(rf_image_alloc_raw(first[i], width, height, 1, RF_F32, "the depth edges", err));
    for (int i = 0; i < PLANES; i++)
        RF_TRY(rf_image_alloc_raw(plane[i], width, height, 1, i < 4 ? RF_F32 : RF_U8, "the depth edges", err));
done:
    return status;
}

static rf_status start_ballot(rf_ballot *b, rf_depth *d, rf_error *err)
{
    b->d = d;
    b->cell = d->cell;
    b->bins = d->frame_count + 2;
    b->lowest_way = d->options.far_first ? -(float)(d->frame_count - 1) : 0.0f;
    for (int n = 0; n < VOTES; n++) { /* 0 outside the round window */
        int dx = n % VOTE_COLUMNS - VOTE_RADIUS, dy = n / VOTE_COLUMNS - VOTE_ROWS / 2, square = dx * dx + dy * dy;
        for (int f = 0; f < FAINTNESS && square <= VOTE_RADIUS * VOTE_RADIUS; f++)
            b->spatial[f][n / VOTE_COLUMNS][n % VOTE_COLUMNS] =
                expf(-0.5f * (float)square / (VOTE_SIGMA[f] * VOTE_SIGMA[f]));
    }
    return rf_alloc(&b->scratch, (size_t)rf_pool_threads(d->pool) * (size_t)b->bins * BIN_LANES, sizeof *b->scratch,
                    "the depth edges", err);
}

/* From the places' size by doubling to the full one; `settled` is what the places hold, and is let go. */
static rf_status refine(rf_ballot *b, rf_image *settled, rf_image *depth_map, rf_error *err)
{
    rf_status status = RF_OK;
    rf_depth *d = b->d;
    rf_image finer = {0};
    b->way = *settled;
    while (b->cell > 2) {
        int cell = b->cell / 2;
        RF_TRY(rf_image_alloc_raw(&finer, d->width / cell, d->height / cell, 1, RF_F32, "the depth edges", err));
        settle(b, &finer, 2);
        rf_image_free(settled);
        *settled = b->way = finer;
        finer = (rf_image){0};
        b->cell = cell;
        RF_TRY(make_planes(b, b->way.width, b->way.height, 0, err));
        rf_pool_rows(d->pool, b->way.height, RF_DEPTH_BLOCK_ROWS, colour_rows, b);
    }
    RF_TRY(rf_image_alloc_raw(depth_map, d->width, d->height, 1, RF_F32, "the depth map", err));
    settle(b, depth_map, 2);
done:
    return status;
}

rf_status rf_outline_settle(rf_depth *d, rf_image *depth_map, rf_error *err)
{
    rf_status status;
    rf_image settled[2] = {{0}, {0}};
    rf_ballot *b = NULL;
    RF_TRY(rf_alloc(&b, 1, sizeof *b, "the depth edges", err));
    RF_TRY(start_ballot(b, d, err));
    RF_TRY(rf_image_alloc(&b->faint, d->energy_width, d->energy_height, 1, RF_U8, "the depth edges", err));
    RF_TRY(make_planes(b, d->energy_width, d->energy_height, 1, err));
    for (int i = 0; i < 2; i++)
        RF_TRY(rf_image_alloc_raw(&settled[i], d->energy_width, d->energy_height, 1, RF_F32, "the depth edges", err));
    b->way = d->front;
    rf_pool_rows(d->pool, d->energy_height, RF_DEPTH_BLOCK_ROWS, colour_rows, b);
    settle(b, &settled[0], 0);
    free_first(b);
    rf_image_free(&d->front);
    b->way = settled[0];
    settle(b, &settled[1], 1);
    rf_image_free(&settled[0]);
    RF_TRY(refine(b, &settled[1], depth_map, err));
done:
    if (b != NULL) {
        free_planes(b);
        rf_image_free(&b->faint);
        rf_free(b->scratch);
        rf_free(b);
    }
    rf_image_free(&settled[0]);
    rf_image_free(&settled[1]);
    return status;
}

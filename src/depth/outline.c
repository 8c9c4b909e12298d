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

enum { LANES = 8, BIN_LANES = 4, PLANES = 9, MAX_VOTES = VOTE_SIDE * VOTE_SIDE };

static const float VOTE_SIGMA[FAINTNESS] = {2.2f, 3.2f};     /* places */
static const float COLOUR_SCALE[FAINTNESS] = {0.06f, 0.25f}; /* coded units, all channels together */
static const float EDGE_REACH = 3.0f; /* places: how near an edge a pixel must lie to be settled anew */

typedef struct votes {
    int count;
    float weight[MAX_VOTES + LANES], way[MAX_VOTES + LANES]; /* lanes of weight 0 follow the last */
    int bin[MAX_VOTES];                                      /* the lower of the two that a vote goes to */
    float lower[MAX_VOTES], upper[MAX_VOTES];                /* and what each of them gets */
} votes;

RF_HOT static void collect(const rf_ballot *b, const float colour[3], int i, int j, int faint, votes *v)
{
    int width = b->way.width, height = b->way.height;
    float per_square = 1.0f / (COLOUR_SCALE[faint] * COLOUR_SCALE[faint]);
    v->count = 0;
    for (int dy = -VOTE_RADIUS; dy <= VOTE_RADIUS; dy++) {
        if (j + dy < 0 || j + dy >= height)
            continue;
        int half = b->half[dy + VOTE_RADIUS], first = i - half < 0 ? 0 : i - half;
        int last = i + half >= width ? width - 1 : i + half, n = last - first + 1;
        const float *red = rf_image_row_f32(&b->colour[0], j + dy) + first;
        const float *green = rf_image_row_f32(&b->colour[1], j + dy) + first;
        const float *blue = rf_image_row_f32(&b->colour[2], j + dy) + first;
        const float *weight = rf_image_row_f32(&b->weight, j + dy) + first;
        const float *spatial = b->spatial[faint][dy + VOTE_RADIUS] + first - (i - VOTE_RADIUS);
        float *restrict out = v->weight + v->count;
        for (int n_x = 0; n_x < n; n_x++) {
            float r = red[n_x] - colour[0], g = green[n_x] - colour[1], bl = blue[n_x] - colour[2];
            float apart = 1.0f + (r * r + g * g + bl * bl) * per_square;
            out[n_x] = spatial[n_x] * weight[n_x] / (apart * apart);
        }
        memcpy(v->way + v->count, rf_image_row_f32(&b->way, j + dy) + first, (size_t)n * sizeof(float));
        v->count += n;
    }
    for (int l = 0; l < LANES; l++)
        v->weight[v->count + l] = v->way[v->count + l] = 0.0f;
}

/* The mean of the votes around `centre`, NAN when there are none; in lanes, which spares the wait from sum to sum. */
RF_HOT static float mean_around(const votes *v, float centre)
{
    float sum[LANES] = {0}, total[LANES] = {0};
    for (int n = 0; n < v->count; n += LANES) /* the votes end with lanes of weight 0 */
        for (int l = 0; l < LANES; l++) {
            float weight = fabsf(v->way[n + l] - centre) < RF_APART_STEPS ? v->weight[n + l] : 0.0f;
            sum[l] += weight * v->way[n + l];
            total[l] += weight;
        }
    float all = 0.0f, weights = 0.0f;
    for (int l = 0; l < LANES; l++) {
        all += sum[l];
        weights += total[l];
    }
    return weights > 0.0f ? all / weights : NAN;
}

/* Which bins the votes go to, linear between two; *low and *high: the first and the last. */
RF_HOT static void sort_votes(const rf_ballot *b, votes *v, int *low, int *high)
{
    int first = b->bins, last = 0, most = b->bins - 2;
    for (int n = 0; n < v->count; n++) {
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
    for (int n = 0; n < v->count; n++) {
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
    int side = b->cell / 2;
    float sum[3] = {0.0f}, share = 1.0f / (float)(side * side);
    for (int dy = 0; dy < side; dy++) {
        const float *row = rf_image_row_f32(&b->d->guide, rf_clamp_int(y + dy, 0, b->d->height - 1));
        for (int dx = 0; dx < side; dx++)
            for (int c = 0; c < 3; c++)
                sum[c] += row[3 * rf_clamp_int(x + dx, 0, b->d->width - 1) + c];
    }
    for (int c = 0; c < 3; c++)
        colour[c] = share * sum[c];
}

static void settle_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    const rf_ballot *b = arg;
    float *bin = b->scratch + (size_t)thread * (size_t)b->bins * BIN_LANES;
    votes v;
    int shift = b->finer ? 1 : 0, apart = b->finer ? b->cell / 2 : b->cell;
    for (int y = begin; y < end; y++) {
        int j = rf_clamp_int(y >> shift, 0, b->way.height - 1);
        float *out = rf_image_row_f32(b->out, y), colour[3];
        const float *at_edge = rf_image_row_f32(&b->at_edge, j);
        if (b->finer)
            rf_plane_finer(&b->way, y, b->out->width, out);
        else
            memcpy(out, rf_image_row_f32(&b->way, y), (size_t)b->out->width * sizeof *out);
        const uint8_t *faint = rf_image_row(&b->faint, rf_energy_row(b->d, j * b->cell));
        for (int x = 0; x < b->out->width; x++) {
            int i = rf_clamp_int(x >> shift, 0, b->way.width - 1);
            if (at_edge[i] == 0.0f)
                continue;
            guide_colour(b, apart * x, apart * y, colour);
            collect(b, colour, i, j, faint[rf_energy_column(b->d, i * b->cell)], &v);
            float way = mode_of(b, &v, bin);
            if (fabsf(way - out[x]) >= RF_SAME_STEPS)
                out[x] = way;
        }
    }
}

/* An edge is a jump from a place to the next: a steep slope is none. */
static void jump_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_ballot *b = arg;
    int width = b->way.width, height = b->way.height;
    for (int j = begin; j < end; j++) {
        const float *above = rf_image_row_f32(&b->way, rf_clamp_int(j - 1, 0, height - 1));
        const float *below = rf_image_row_f32(&b->way, rf_clamp_int(j + 1, 0, height - 1));
        const float *here = rf_image_row_f32(&b->way, j);
        float *jump = rf_image_row_f32(&b->jump, j);
        for (int i = 0; i < width; i++) {
            float across =
                rf_higher(fabsf(here[i] - here[i > 0 ? i - 1 : 0]), fabsf(here[i] - here[i + 1 < width ? i + 1 : i]));
            float down = rf_higher(fabsf(here[i] - above[i]), fabsf(here[i] - below[i]));
            jump[i] = rf_higher(across, down) > RF_APART_STEPS ? 1.0f : 0.0f;
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
    rf_pool_rows(d->pool, b->way.height, RF_DEPTH_BLOCK_ROWS, jump_rows, b);
    rf_plane_extreme(&b->jump, &b->at_edge, EDGE_REACH, -1.0f, d->pool);
    rf_pool_rows(d->pool, out->height, RF_DEPTH_BLOCK_ROWS, settle_rows, b);
}

/* Frees the planes; `plane` receives where they are. */
static void free_planes(rf_ballot *b, rf_image *plane[PLANES])
{
    rf_image *all[PLANES] = {&b->weight,  &b->far,       &b->near,      &b->strongest, &b->jump,
                             &b->at_edge, &b->colour[0], &b->colour[1], &b->colour[2]};
    for (int i = 0; i < PLANES; i++) {
        plane[i] = all[i];
        rf_image_free(plane[i]);
    }
}

/* The planes of a grid of width x height places; those of the grid before are let go. */
static rf_status make_planes(rf_ballot *b, int width, int height, rf_error *err)
{
    rf_status status = RF_OK;
    rf_image *plane[PLANES];
    free_planes(b, plane);
    for (int i = 0; i < PLANES; i++)
        RF_TRY(rf_image_alloc_raw(plane[i], width, height, 1, RF_F32, "the depth edges", err));
done:
    return status;
}

static rf_status start_ballot(rf_ballot *b, rf_depth *d, rf_error *err)
{
    b->d = d;
    b->cell = d->cell;
    b->bins = d->frame_count + 2;
    b->lowest_way = d->options.far_first ? -(float)(d->frame_count - 1) : 0.0f;
    for (int dy = -VOTE_RADIUS; dy <= VOTE_RADIUS; dy++)
        for (int dx = -VOTE_RADIUS; dx <= VOTE_RADIUS; dx++)
            if (dx * dx + dy * dy <= VOTE_RADIUS * VOTE_RADIUS) {
                for (int f = 0; f < FAINTNESS; f++)
                    b->spatial[f][dy + VOTE_RADIUS][dx + VOTE_RADIUS] =
                        expf(-0.5f * (float)(dx * dx + dy * dy) / (VOTE_SIGMA[f] * VOTE_SIGMA[f]));
                b->half[dy + VOTE_RADIUS] = dx; /* the last one stays */
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
        RF_TRY(make_planes(b, b->way.width, b->way.height, err));
        rf_pool_rows(d->pool, b->way.height, RF_DEPTH_BLOCK_ROWS, colour_rows, b);
    }
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
    RF_TRY(make_planes(b, d->energy_width, d->energy_height, err));
    for (int i = 0; i < 2; i++)
        RF_TRY(rf_image_alloc_raw(&settled[i], d->energy_width, d->energy_height, 1, RF_F32, "the depth edges", err));
    b->way = d->front;
    rf_pool_rows(d->pool, d->energy_height, RF_DEPTH_BLOCK_ROWS, colour_rows, b);
    settle(b, &settled[0], 0);
    b->way = settled[0];
    settle(b, &settled[1], 1);
    RF_TRY(refine(b, &settled[1], depth_map, err));
done:
    if (b != NULL) {
        rf_image *plane[PLANES];
        free_planes(b, plane);
        rf_image_free(&b->faint);
        rf_free(b->scratch);
        rf_free(b);
    }
    rf_image_free(&settled[0]);
    rf_image_free(&settled[1]);
    return status;
}

/* align.c - takes the frames in, keeps the last few, measures pairs, and turns the solved rail into poses. */
#include "railfold/align.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "pair.h"
#include "rail.h"
#include "railfold/memory.h"

enum { FARTHEST = 4, RING = FARTHEST + 2 }; /* the last frame's pairs may be measured beside the next one's first */
enum { LEAST_SIDE_PX = 32, PAIRS_PER_FRAME = 4 * RF_PAIR_MEASURES, MOST_THREADS_BESIDE = 3 };

static const double LEAST_WAY_PX = 0.002;  /* change of scale per step, at the corner, below which none is claimed */
static const double BLANK_CONTRAST = 0.15; /* of the take's median */

typedef struct slot {
    int frame; /* -1: empty */
    rf_levels levels;
    fftwf_complex *spectrum;
} slot;

/* Pairs of one frame, on their way into the list of all. */
typedef struct found_pairs {
    rf_pair pair[PAIRS_PER_FRAME];
    int count;
} found_pairs;

/* The pairs of frame `to` with those farther off than its neighbour, measured beside the next frame's first steps. */
typedef struct far_pairs {
    rf_align *align;
    rf_pool *pool; /* NULL: the other threads are busy */
    int to, near;  /* near: pairs found with the neighbour */
    found_pairs found;
} far_pairs;

struct rf_align {
    rf_align_options options;
    rf_pool *pool;
    int width, height; /* of the luma */
    int too_small;
    int added;
    rf_levels_scratch levels_scratch;
    rf_pair_scratch pair_scratch, far_scratch;
    far_pairs far;
    slot ring[RING];
    rf_pair *pairs;
    int pair_count;
    double *mean, *contrast; /* per frame */
    rf_align_frame *frames;
    rf_place *places;
};

rf_align_options rf_align_options_default(void)
{
    return (rf_align_options){.reduce = 1};
}

static rf_status check_options(const rf_align_options *o, rf_error *err)
{
    if (o->reduce != 1 && o->reduce != 2 && o->reduce != 4)
        return rf_fail(err, RF_ERR_USAGE, "align: reduce is %d, it must be 1, 2 or 4", o->reduce);
    if (o->full_width < o->reduce || o->full_height < o->reduce || o->full_width > RF_MAX_SIDE_PX ||
        o->full_height > RF_MAX_SIDE_PX)
        return rf_fail(err, RF_ERR_USAGE, "align: frames of %d x %d pixels cannot be read at 1/%d", o->full_width,
                       o->full_height, o->reduce);
    if (o->frame_count < 1 || o->frame_count > 1000000)
        return rf_fail(err, RF_ERR_USAGE, "align: %d frames; expected 1 to 1000000", o->frame_count);
    if (o->reference < 0 || o->reference >= o->frame_count)
        return rf_fail(err, RF_ERR_USAGE, "align: the reference is frame %d, but frames are numbered 0 to %d",
                       o->reference, o->frame_count - 1);
    return RF_OK;
}

static rf_status alloc_ring(rf_align *a, rf_error *err)
{
    rf_status status;
    RF_TRY(rf_levels_scratch_alloc(&a->levels_scratch, a->width, a->height, err));
    for (int i = 0; i < RING && i < a->options.frame_count; i++) {
        a->ring[i].frame = -1;
        RF_TRY(rf_levels_alloc(&a->ring[i].levels, &a->levels_scratch, err));
        if (i == 0) {
            RF_TRY(rf_pair_scratch_alloc(&a->pair_scratch, &a->ring[0].levels, err));
            RF_TRY(rf_pair_scratch_alloc(&a->far_scratch, &a->ring[0].levels, err));
        }
        RF_TRY(rf_alloc(&a->ring[i].spectrum, rf_pair_spectrum_count(&a->pair_scratch), sizeof(fftwf_complex),
                        "the correlation", err));
    }
    return RF_OK;
done:
    return status;
}

rf_status rf_align_create(rf_align **out, const rf_align_options *options, rf_pool *pool, rf_error *err)
{
    rf_status status;
    rf_align *a = NULL;
    *out = NULL;
    RF_TRY(check_options(options, err));
    RF_TRY(rf_alloc(&a, 1, sizeof *a, "the alignment", err));
    a->options = *options;
    a->pool = pool;
    a->width = options->full_width / options->reduce;
    a->height = options->full_height / options->reduce;
    a->too_small = a->width < LEAST_SIDE_PX || a->height < LEAST_SIDE_PX;
    for (int i = 0; i < RING; i++)
        a->ring[i].frame = -1;
    size_t n = (size_t)options->frame_count;
    RF_TRY(rf_alloc(&a->pairs, n * PAIRS_PER_FRAME, sizeof *a->pairs, "the alignment", err));
    RF_TRY(rf_alloc(&a->mean, n, sizeof *a->mean, "the alignment", err));
    RF_TRY(rf_alloc(&a->contrast, n, sizeof *a->contrast, "the alignment", err));
    RF_TRY(rf_alloc(&a->frames, n, sizeof *a->frames, "the alignment", err));
    RF_TRY(rf_alloc(&a->places, n, sizeof *a->places, "the alignment", err));
    if (!a->too_small)
        RF_TRY(alloc_ring(a, err));
    *out = a;
    return RF_OK;
done:
    rf_align_destroy(&a);
    return status;
}

void rf_align_destroy(rf_align **align)
{
    rf_align *a = *align;
    if (a == NULL)
        return;
    rf_pool_join_on(a->pool, RF_POOL_LANE_BESIDE);
    for (int i = 0; i < RING; i++) {
        rf_levels_free(&a->ring[i].levels);
        rf_free(a->ring[i].spectrum);
    }
    rf_pair_scratch_free(&a->pair_scratch);
    rf_pair_scratch_free(&a->far_scratch);
    rf_levels_scratch_free(&a->levels_scratch);
    rf_free(a->pairs);
    rf_free(a->mean);
    rf_free(a->contrast);
    rf_free(a->frames);
    rf_free(a->places);
    rf_free(a);
    *align = NULL;
}

static const slot *slot_of(const rf_align *a, int frame)
{
    const slot *s = &a->ring[((frame % RING) + RING) % RING];
    return frame >= 0 && s->frame == frame ? s : NULL;
}

static const rf_pair *pair_of(const rf_align *a, const found_pairs *more, int from, int to)
{
    for (int p = more->count - 1; p >= 0; p--)
        if (more->pair[p].from == from && more->pair[p].to == to)
            return &more->pair[p];
    for (int p = a->pair_count - 1; p >= 0 && p >= a->pair_count - RING * PAIRS_PER_FRAME; p--)
        if (a->pairs[p].from == from && a->pairs[p].to == to)
            return &a->pairs[p];
    return NULL;
}

/* A motion from `from` to `to` through a frame both are already tied to. */
static int guess_through(const rf_align *a, const found_pairs *more, int from, int to, rf_motion *guess)
{
    for (int via = to - 1; via > from; via--) {
        const rf_pair *first = pair_of(a, more, from, via), *second = pair_of(a, more, via, to);
        if (first == NULL || second == NULL)
            continue;
        double turn = first->turn + second->turn;
        rf_motion m = rf_motion_between(0, 0, second->way, second->turn);
        *guess = rf_motion_between(second->shift_x + m.a * first->shift_x - m.b * first->shift_y,
                                   second->shift_y + m.b * first->shift_x + m.a * first->shift_y,
                                   first->way + second->way, turn);
        return 1;
    }
    return 0;
}

/* The step as seen so far: the last measured neighbours. */
static double way_so_far(const rf_align *a)
{
    for (int p = a->pair_count - 1; p >= 0; p--)
        if (a->pairs[p].to == a->pairs[p].from + 1)
            return a->pairs[p].way;
    return 0;
}

static int measure(const rf_align *a, int from, int to, found_pairs *into, rf_pair_scratch *scratch, rf_pool *pool)
{
    const slot *i = slot_of(a, from), *j = slot_of(a, to);
    if (i == NULL || j == NULL)
        return 0;
    rf_pair *found = into->pair + into->count;
    rf_motion guess;
    int guessed = guess_through(a, into, from, to, &guess);
    rf_pair_frame fi = {&i->levels, i->spectrum}, fj = {&j->levels, j->spectrum};
    int count =
        rf_pair_measure(found, from, to, &fi, &fj, guessed ? &guess : NULL, way_so_far(a) * (to - from), scratch, pool);
    for (int n = 0; n + 1 < count; n++)
        found[n].repeated = 1;
    if (count > 0 && !a->options.no_gain)
        rf_pair_gain(&found[count - 1], &i->levels, &j->levels, scratch);
    into->count += count;
    return count > 0;
}

static void measure_far(void *arg)
{
    far_pairs *far = arg;
    rf_align *a = far->align;
    int k = far->to, near = far->near + measure(a, k - 2, k, &far->found, &a->far_scratch, far->pool);
    if (near == 0)
        (void)measure(a, k - 3, k, &far->found, &a->far_scratch, far->pool);
    (void)measure(a, k - FARTHEST, k, &far->found, &a->far_scratch, far->pool);
}

static void keep_pairs(rf_align *a, found_pairs *found)
{
    memcpy(a->pairs + a->pair_count, found->pair, (size_t)found->count * sizeof *found->pair);
    a->pair_count += found->count;
    found->count = 0;
}

/* Waits for the pairs measured beside. Until then the list of pairs stays as it is: they are guessed from it. */
static void end_far(rf_align *a)
{
    rf_pool_join_on(a->pool, RF_POOL_LANE_BESIDE);
    keep_pairs(a, &a->far.found);
}

/* Few threads have something to do all the time when the rest of a frame's pairs go beside what the next begins with,
 * whose steps between rounds are one thread's; of many, tiles keep more busy. The pairs are the same. */
static void begin_far(rf_align *a, int k, int near)
{
    int beside = rf_pool_threads(a->pool) <= MOST_THREADS_BESIDE;
    a->far.align = a;
    a->far.pool = beside ? NULL : a->pool;
    a->far.to = k;
    a->far.near = near;
    if (beside)
        rf_pool_side_on(a->pool, RF_POOL_LANE_BESIDE, measure_far, &a->far);
    else
        measure_far(&a->far);
}

static void add_usable(rf_align *a, int k, const rf_image *luma)
{
    found_pairs found = {.count = 0};
    slot *s = &a->ring[k % RING];
    s->frame = k;
    rf_levels_fill(&s->levels, luma, &a->levels_scratch, a->pool);
    rf_pair_spectrum(&a->pair_scratch, &s->levels, s->spectrum);
    a->mean[k] = s->levels.mean;
    a->contrast[k] = s->levels.contrast;
    int near = measure(a, k - 1, k, &found, &a->pair_scratch, a->pool);
    end_far(a);
    keep_pairs(a, &found);
    begin_far(a, k, near);
}

rf_status rf_align_add_frame(rf_align *a, const rf_image *luma, rf_error *err)
{
    int k = a->added;
    if (k >= a->options.frame_count)
        return rf_fail(err, RF_ERR_INPUT, "align: frame %d is one more than the %d announced", k,
                       a->options.frame_count);
    if (luma != NULL &&
        (luma->width != a->width || luma->height != a->height || luma->channels != 1 || luma->sample != RF_F32))
        return rf_fail(err, RF_ERR_INPUT,
                       "align: frame %d is %d x %d with %d channels, expected %d x %d, one float channel", k,
                       luma->width, luma->height, luma->channels, a->width, a->height);
    a->added++;
    a->contrast[k] = -1;
    if (luma == NULL || a->too_small)
        return RF_OK;
    add_usable(a, k, luma);
    return RF_OK;
}

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* A blank frame has next to no contrast where the take has some. What two of them have in common is the sensor's
 * pattern: their pairs go. */
static rf_status find_blank(rf_align *a, rf_error *err)
{
    rf_status status;
    double *sorted = NULL;
    int n = 0;
    RF_TRY(rf_alloc(&sorted, (size_t)a->added, sizeof *sorted, "the alignment", err));
    for (int k = 0; k < a->added; k++)
        if (a->contrast[k] >= 0)
            sorted[n++] = a->contrast[k];
    qsort(sorted, (size_t)n, sizeof *sorted, compare_doubles);
    double usual = n > 0 ? sorted[n / 2] : 0;
    for (int k = 0; k < a->added; k++)
        a->frames[k].blank = a->contrast[k] >= 0 && a->contrast[k] < BLANK_CONTRAST * usual;
    int kept = 0;
    for (int p = 0; p < a->pair_count; p++)
        if (!a->frames[a->pairs[p].from].blank && !a->frames[a->pairs[p].to].blank)
            a->pairs[kept++] = a->pairs[p];
    a->pair_count = kept;
done:
    rf_free(sorted);
    return status;
}

/* Place in luma pixels about the luma's centre -> pose in full-size pixels. */
static rf_pose pose_of(const rf_align *a, const rf_place *place)
{
    double reduce = a->options.reduce, s = 1 + place->way;
    double cx = (reduce * a->width - 1) / 2, cy = (reduce * a->height - 1) / 2;
    rf_pose pose = rf_pose_identity();
    pose.a = pose.d = s * cos(place->turn);
    pose.c = s * sin(place->turn);
    pose.b = -pose.c;
    pose.tx = cx + reduce * place->shift_x - (pose.a * cx + pose.b * cy);
    pose.ty = cy + reduce * place->shift_y - (pose.c * cx + pose.d * cy);
    for (int i = 0; i < 3; i++)
        pose.gain[i] = a->options.no_gain ? 1 : exp(-place->log_gain);
    return pose;
}

static void fill_result(rf_align *a, const rf_rail *rail, rf_pose *poses, rf_align_result *result)
{
    for (int k = 0; k < a->added; k++) {
        rf_align_frame *f = &a->frames[k];
        const rf_place *place = &a->places[k];
        f->measured = place->pairs > 0;
        f->usable = !f->blank;
        f->bumped = place->bump_px > 0;
        f->bump_px = place->bump_px * a->options.reduce;
        f->residual_px = place->residual_px * a->options.reduce;
        f->pair_count = place->pairs;
        poses[k] = pose_of(a, place);
        poses[k].usable = f->usable;
        result->frames_measured += f->measured;
        result->frames_blank += f->blank;
        result->frames_bumped += f->bumped;
    }
    rf_pose *still = &poses[a->options.reference]; /* by definition; its equations hold it to rounding only */
    still->a = still->d = 1;
    still->b = still->c = still->tx = still->ty = 0;
    still->gain[0] = still->gain[1] = still->gain[2] = 1;
    double way = rail->way_per_step;
    result->scale_per_step = 1 + way;
    result->way = fabs(way) * 0.5 * hypot(a->width, a->height) < LEAST_WAY_PX ? RF_RAIL_STILL
                  : way > 0                                                   ? RF_RAIL_ADVANCES
                                                                              : RF_RAIL_RETREATS;
    result->working_distance_steps = result->way == RF_RAIL_STILL ? 0 : 1 / fabs(way);
    result->odd_steps = rail->odd_steps;
    result->gaps = rail->gaps;
    result->residual_px = rail->residual_px * a->options.reduce;
    for (int p = 0; p < a->pair_count; p++)
        result->pairs_measured += !a->pairs[p].repeated;
    result->pairs_kept = rail->pairs_kept;
}

rf_status rf_align_solve(rf_align *a, rf_pose *poses, rf_align_result *result, rf_error *err)
{
    rf_rail rail = {0};
    rf_status status;
    memset(result, 0, sizeof *result);
    result->frames = a->frames;
    if (a->added != a->options.frame_count)
        return rf_fail(err, RF_ERR_USAGE, "align: %d frames were announced, %d came", a->options.frame_count, a->added);
    end_far(a);
    RF_TRY(find_blank(a, err));
    if (a->pair_count == 0 && a->added > 1 && !a->too_small)
        RF_TRY(rf_fail(err, RF_ERR_ALIGN, "frames 0 to %d cannot be aligned: no two of them share any sharp detail",
                       a->added - 1));
    double lever = 0.5 * hypot(a->width, a->height);
    RF_TRY(rf_rail_solve(a->places, &rail, a->added, a->options.reference, a->pairs, a->pair_count, lever, err));
    fill_result(a, &rail, poses, result);
done:
    return status;
}

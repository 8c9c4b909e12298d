/* find_blur.c - a frame that is softer than it should be where it is in focus: shaken (in one direction) or soft all
 * round (the lens fogged, something moved while it exposed).
 *
 * Loss: ln energy of its cells in focus against their fitted focus curves (gaps.c), less that of the two neighbours.
 * Direction: the structure tensor (Foerstner & Guelch, 1987) of the band of high frequencies gives the detail in each
 * direction u as u' T u; over the cells in focus it is set against the geometric mean of the two neighbours. A smear
 * along u takes the detail along u away, leaves that across, and adds none anywhere. Where strands come into focus,
 * each frame another with another direction, the frames differ in direction without any smear: how unlike the worst and
 * the best direction must be is read from the take's own frames. The first and the last frame have one neighbour: their
 * loss is not known, for the fit bends there, but their direction is, if less surely. */
#include <math.h>

#include "check/look.h"
#include "railfold/memory.h"

#define PI 3.14159265358979323846
#define DIRECTED 0.8      /* detail kept in the worst direction over that in the best: shaken, if besides that is */
#define OUT_OF_COMMON 2.0 /* so many times as far from 1 (ln) as the USUAL quantile of the take's frames */
#define USUAL 0.75
#define SHAKEN_LOW 0.8   /* kept in the worst direction */
#define SHAKEN_HIGH 1.25 /* and in the best: no more than even frames give */
/* Whatever the take's other frames do: this much no change of subject gives. */
#define SURELY_LOW 0.5
#define SURELY_DIRECTED 0.5
#define END_LOW 0.75
#define END_DIRECTED 0.42     /* the same against one neighbour; ends that are not shaken give 0.54 and more */
#define END_OUT_OF_COMMON 3.0 /* one neighbour tells less than two */
#define SOFT_LOSS 1.0         /* without one */
#define GRAVE_LOSS 0.9
#define ALONE_STEPS 2.0 /* half-peak width of the focus curves */
enum { DIRECTIONS = 12, LEAST_CELLS = 20, LEAST_AT_END = 30, LEAST_FRAMES = 5, LEAST_MEASURED = 3 };

typedef struct tensor {
    double xx, xy, yy;
} tensor;

typedef struct sharpness {
    double low, high; /* ratio in the worst and the best direction; low 0 = not known */
    double angle_deg; /* of the worst, from right towards down */
} sharpness;

static int is_end(const rf_look *look, int k)
{
    return k == 0 || k == look->count - 1;
}

/* The neighbours of frame k; of an end the one it has, twice. */
static int before(const rf_look *look, int k)
{
    return k > 0 ? k - 1 : look->count > 1 ? 1 : 0;
}
static int behind(const rf_look *look, int k)
{
    return k + 1 < look->count ? k + 1 : before(look, k);
}

static int near_focus(const rf_look *look, int cell, int k)
{
    const rf_cell_peak *peak = &look->peaks[cell];
    return peak->frame >= 0 && peak->frame >= k - 1 && peak->frame <= k + 1 &&
           rf_look_frame(look, before(look, k))[cell].energy >= 0 && rf_look_frame(look, k)[cell].energy >= 0 &&
           rf_look_frame(look, behind(look, k))[cell].energy >= 0;
}

/* Detail of frame `of` over the cells in focus around k, each cell with the same say. */
static int detail_of(const rf_look *look, int of, int k, tensor *t)
{
    int n = 0;
    *t = (tensor){0};
    for (int c = 0; c < rf_look_cells(look); c++) {
        if (!near_focus(look, c, k))
            continue;
        const rf_cell *cell = &rf_look_frame(look, of)[c];
        double weight = 1 / (double)look->peaks[c].energy;
        t->xx += weight * (double)cell->xx;
        t->xy += weight * (double)cell->xy;
        t->yy += weight * (double)cell->yy;
        n++;
    }
    return n;
}

static double along(const tensor *t, double angle)
{
    double u = cos(angle), v = sin(angle);
    return t->xx * u * u + 2 * t->xy * u * v + t->yy * v * v;
}

static sharpness compare(const rf_look *look, int k)
{
    tensor here, one, other;
    sharpness s = {.low = 1e9};
    int n = detail_of(look, k, k, &here);
    (void)detail_of(look, before(look, k), k, &one);
    (void)detail_of(look, behind(look, k), k, &other);
    if (n < (is_end(look, k) ? LEAST_AT_END : LEAST_CELLS))
        return (sharpness){0};
    for (int d = 0; d < DIRECTIONS; d++) {
        double angle = d * PI / DIRECTIONS, around = sqrt(along(&one, angle) * along(&other, angle));
        double ratio = around > 0 ? along(&here, angle) / around : 1;
        if (ratio < s.low) {
            s.low = ratio;
            s.angle_deg = 180.0 * d / DIRECTIONS;
        }
        s.high = ratio > s.high ? ratio : s.high;
    }
    return s;
}

/* A step that is out of the common makes the curves around it fit badly: no word on blur there. */
static int step_found_near(const rf_check_result *result, int k)
{
    for (int i = k - 1; i <= k + 3; i++)
        if (rf_check_found_at(result, RF_CHECK_ORDER, i) || rf_check_found_at(result, RF_CHECK_MISSING_STEP, i) ||
            rf_check_found_at(result, RF_CHECK_DUPLICATE, i))
            return 1;
    return 0;
}

static rf_status add_shaken(rf_look *look, const sharpness *s, int k, rf_check_severity severity, rf_error *err)
{
    static const char *const names[4] = {"from left to right", "along the falling diagonal", "up and down",
                                         "along the rising diagonal"};
    const rf_check_finding f = {.kind = RF_CHECK_BLUR, .severity = severity};
    return rf_check_add(look->result, &f, &k, 1, err, "%s is shaken: smeared %s",
                        rf_check_base_name(look->options->frames[k]), names[(int)floor(s->angle_deg / 45 + 0.5) % 4]);
}

/* ln of best over worst direction: how far it goes in the take's frames but k and its neighbours, which a smear of k
 * makes look smeared across; -1: not known. `seen`: of all frames. */
static double usual_direction(const rf_look *look, const sharpness *seen, int k, double *sorted)
{
    int n = 0;
    for (int i = 1; i + 1 < look->count; i++)
        if ((i < k - 1 || i > k + 1) && seen[i].low > 0)
            sorted[n++] = log(seen[i].high / seen[i].low);
    return n >= LEAST_MEASURED ? rf_quantile(sorted, n, USUAL) : -1;
}

/* `usual` < 0: not known. */
static int is_shaken(const sharpness *s, double usual)
{
    if (s->low < SURELY_LOW && s->low < SURELY_DIRECTED * s->high && s->high < SHAKEN_HIGH)
        return 1;
    return usual >= 0 && s->low < SHAKEN_LOW && s->high < SHAKEN_HIGH && s->low < DIRECTED * s->high &&
           log(s->high / s->low) > OUT_OF_COMMON * usual;
}

static rf_status judge(rf_look *look, const sharpness *s, int k, double usual, rf_error *err)
{
    double loss = look->steps[k].loss - (look->steps[k - 1].loss + look->steps[k + 1].loss) / 2;
    int shaken = is_shaken(s, usual);
    if (!(s->low > 0) || look->steps[k].in_focus < LEAST_CELLS || !(shaken || loss > SOFT_LOSS) ||
        step_found_near(look->result, k))
        return RF_OK;
    int alone = look->result->focus_width_steps < ALONE_STEPS; /* else the neighbours stand in for it */
    const rf_check_finding f = {.kind = RF_CHECK_BLUR,
                                .severity = alone && loss > GRAVE_LOSS ? RF_CHECK_FAULT : RF_CHECK_WARNING};
    if (shaken)
        return add_shaken(look, s, k, f.severity, err);
    return rf_check_add(look->result, &f, &k, 1, err, "%s is softer than its neighbours in all directions",
                        rf_check_base_name(look->options->frames[k]));
}

/* A shaken neighbour makes an end look smeared across; where curves are narrow the one neighbour shows too little of
 * what the end has in focus. */
static rf_status judge_end(rf_look *look, const sharpness *s, int k, double usual, rf_error *err)
{
    if (!(s->low > 0) || !(s->low < END_LOW && s->low < END_DIRECTED * s->high) ||
        log(s->high / s->low) < END_OUT_OF_COMMON * usual || look->result->focus_width_steps < ALONE_STEPS ||
        rf_check_found_at(look->result, RF_CHECK_BLUR, before(look, k)) || step_found_near(look->result, k))
        return RF_OK;
    return add_shaken(look, s, k, RF_CHECK_WARNING, err);
}

rf_status rf_find_blur(rf_look *look, rf_error *err)
{
    rf_status status;
    sharpness *seen = NULL;
    double *sorted = NULL;
    if (look->count < 3 || rf_check_found(look->result, RF_CHECK_COARSE_STEP)) /* too little of a neighbour to go by */
        return RF_OK;
    RF_TRY(rf_alloc(&seen, (size_t)look->count, sizeof *seen, "the sharpness of frames", err));
    RF_TRY(rf_alloc(&sorted, (size_t)look->count, sizeof *sorted, "the sharpness of frames", err));
    for (int k = 0; k < look->count; k++)
        seen[k] = compare(look, k);
    for (int k = 1; k + 1 < look->count; k++)
        RF_TRY(judge(look, &seen[k], k, usual_direction(look, seen, k, sorted), err));
    for (int i = 0; i < 2 && look->count >= LEAST_FRAMES; i++) {
        int k = i == 0 ? 0 : look->count - 1;
        if (!(i == 0 ? look->options->begun_before : look->options->unfinished)) /* then it is no end */
            RF_TRY(judge_end(look, &seen[k], k, usual_direction(look, seen, k, sorted), err));
    }
done:
    rf_free(seen);
    rf_free(sorted);
    return status;
}

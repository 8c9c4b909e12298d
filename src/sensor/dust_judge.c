/* dust_judge.c - is a suspect dust, and how much light does it take?
 *
 * r_k, the log luma of frame k less a quadratic fitted to the surroundings (a ring of 1.6 to 2.7 radii), holds the dip
 * and what detail the subject has there; s_k is what the ring itself still varies. The template t is the mean of r_k
 * weighted by 1 / s_k^2. In each quiet frame r_k is fitted by a (t + shift and growth of t), linearised: for dust a =
 * 1, no shift, no growth. Radius, middle and template are refined together in a few rounds. */
#include <math.h>
#include <string.h>

#include "faults.h"
#include "railfold/memory.h"

enum { ROUNDS = 4, FIT_TERMS = 4, AGREE_MIN = 3 };
static const float INSIDE = 1.5f;                    /* radii */
static const float RING_FROM = 1.6f, RING_TO = 2.7f; /* to judge: near enough for what lies around to say much */
static const float WIDE_RING_FROM = 2.2f, WIDE_RING_TO = 3.3f; /* to measure: past the skirts of the dip */
static const float NOISE = 0.004f;                             /* log luma: keeps weights finite */
static const float RADIUS_MIN = 3.0f, RADIUS_MAX = 17.5f;      /* px; 17.5 * RING_TO is the crop */
static const float DEPTH_MIN = 0.04f, DEPTH_MAX = 0.51f;       /* log luma: gains 0.96 to 0.6 */

/* Shares of the dip's depth or radius. On rendered takes with known dust the frames counted as very quiet had a within
 * 0.07 of 1, a rest of at most 0.08 and a shift of at most 0.09 radii; the subject's own dark spots changed a by 0.17
 * and more over four successive frames at the end of a take of 20 to 30, or were ringed by other detail (s above 0.14).
 */
static const float SERENE = 0.055f, VERY_QUIET = 0.13f, QUIET = 0.2f; /* s_k */
static const float DEPTH_LIKE = 0.15f;                                /* |a - 1| */
static const float REST = 0.13f;                                      /* what the fit leaves inside, rms */
static const float SHIFT = 0.12f, GROWTH = 0.08f;
static const float RESTLESS = 0.5f,
                   DEPTH_LIKE_RESTLESS = 0.6f;            /* s_k up to which a frame is heard, and |a - 1| there */
static const float ROUND = 0.1f, UNROUND = 0.2f;          /* rms of t along circles */
static const float TREND = 0.07f, TREND_OVER_TAKE = 0.2f; /* change of a from first to last quiet frame */

typedef struct judge {
    const dust_suspect *suspect;
    int frames;
    float *rest;                      /* frames * DUST_AREA: r_k */
    float *mean;                      /* DUST_AREA: t */
    float ring[RF_SENSOR_SAMPLE_MAX]; /* s_k */
    dust_ring on;                     /* the ring of this round */
    float radius, x, y;               /* px; middle against the suspect's */
    float depth;                      /* of t in its middle, log luma, positive */
    float a[RF_SENSOR_SAMPLE_MAX];
} judge;

static float across(int at)
{
    return (float)(at % DUST_SIDE - DUST_REACH);
}
static float down(int at)
{
    return (float)(at / DUST_SIDE - DUST_REACH);
}
static float distance(const judge *j, int at)
{
    float x = across(at) - j->x, y = down(at) - j->y;
    return sqrtf(x * x + y * y);
}

static void add_equation(int n, double m[DUST_RING_TERMS][DUST_RING_TERMS + 1], const double *term, double value)
{
    for (int r = 0; r < n; r++) {
        for (int c = 0; c < n; c++)
            m[r][c] += term[r] * term[c];
        m[r][n] += term[r] * value;
    }
}

/* t from the frames whose ring varies by no more than `most`, or the most quiet one; the power of 1 / s_k that weighs
 * them. */
static void average(judge *j, float most, int power)
{
    float weights = 0.0f, least = INFINITY;
    for (int k = 0; k < j->frames; k++)
        least = fminf(least, j->ring[k]);
    most = fmaxf(most, least);
    memset(j->mean, 0, DUST_AREA * sizeof *j->mean);
    for (int k = 0; k < j->frames; k++) {
        const float *rest = j->rest + (size_t)k * DUST_AREA;
        if (j->ring[k] > most)
            continue;
        float weight = 1.0f / (j->ring[k] + NOISE);
        weight = power == 2 ? weight * weight : weight;
        weights += weight;
        for (int at = 0; at < DUST_AREA; at++)
            j->mean[at] += weight * rest[at];
    }
    for (int at = 0; at < DUST_AREA; at++)
        j->mean[at] /= weights;
}

/* Depth in the middle, and radius at half of it, from means over circles; then the middle from first moments. */
static int measure(judge *j)
{
    float sum[DUST_REACH] = {0}, count[DUST_REACH] = {0};
    for (int at = 0; at < DUST_AREA; at++) {
        int circle = (int)(distance(j, at) + 0.5f);
        if (circle < DUST_REACH)
            sum[circle] -= j->mean[at], count[circle] += 1.0f;
    }
    float core = 0.0f, cores = 0.0f, x = 0.0f, y = 0.0f, mass = 0.0f;
    for (int i = 0; i <= (int)(0.4f * j->radius); i++)
        core += sum[i], cores += count[i];
    j->depth = core / cores;
    if (!(j->depth > 0.5f * DEPTH_MIN))
        return 0;
    int i = 1;
    while (i < DUST_REACH && sum[i] > 0.5f * j->depth * count[i])
        i++;
    if (i == DUST_REACH)
        return 0;
    float before = sum[i - 1] / count[i - 1], after = sum[i] / count[i];
    j->radius = (float)(i - 1) + (before - 0.5f * j->depth) / fmaxf(before - after, 1e-6f);
    if (j->radius < RADIUS_MIN || j->radius > RADIUS_MAX)
        return 0;
    for (int at = 0; at < DUST_AREA; at++)
        if (j->mean[at] < 0.0f && distance(j, at) < INSIDE * j->radius)
            mass -= j->mean[at], x -= j->mean[at] * across(at), y -= j->mean[at] * down(at);
    j->x = x / mass;
    j->y = y / mass;
    return hypotf(j->x, j->y) + RING_TO * j->radius < (float)DUST_REACH + 4.0f;
}

static float unroundness(const judge *j)
{
    double sum[DUST_REACH] = {0}, square[DUST_REACH] = {0}, count[DUST_REACH] = {0}, spread = 0, pixels = 0;
    for (int at = 0; at < DUST_AREA; at++) {
        int circle = (int)(distance(j, at) + 0.5f);
        if (circle < DUST_REACH)
            sum[circle] += (double)j->mean[at], square[circle] += (double)j->mean[at] * j->mean[at], count[circle] += 1;
    }
    for (int i = 1; i < (int)(INSIDE * j->radius); i++)
        spread += square[i] - sum[i] * sum[i] / count[i], pixels += count[i];
    return (float)sqrt(fmax(spread, 0) / fmax(pixels, 1)) / j->depth;
}

/* r_k against t inside: a, and whether place, size and shape agree. */
static int agrees(judge *j, int k)
{
    const float *rest = j->rest + (size_t)k * DUST_AREA, *t = j->mean;
    double m[DUST_RING_TERMS][DUST_RING_TERMS + 1] = {{0}}, x[FIT_TERMS], square = 0;
    int used = 0;
    for (int pass = 0; pass < 2; pass++) {
        for (int at = DUST_SIDE + 1; at < DUST_AREA - DUST_SIDE - 1; at++) {
            if (distance(j, at) > INSIDE * j->radius || isnan(j->suspect->crops[(size_t)k * DUST_AREA + (size_t)at]))
                continue;
            double u = (double)(across(at) - j->x), v = (double)(down(at) - j->y);
            double tu = 0.5 * (double)(t[at + 1] - t[at - 1]),
                   tv = 0.5 * (double)(t[at + DUST_SIDE] - t[at - DUST_SIDE]);
            const double term[FIT_TERMS] = {t[at], -tu, -tv, -(u * tu + v * tv)};
            if (pass == 0) {
                add_equation(FIT_TERMS, m, term, rest[at]);
                continue;
            }
            double left = (double)rest[at] - x[0] * term[0];
            square += left * left;
            used++;
        }
        if (pass == 0 && !rf_dust_solve(FIT_TERMS, m, x))
            return 0;
    }
    j->a[k] = (float)x[0];
    double rms = sqrt(square / used) / (double)j->depth;
    return fabs(x[0] - 1) <= DEPTH_LIKE && hypot(x[1], x[2]) <= SHIFT * j->radius * fabs(x[0]) &&
           fabs(x[3]) <= GROWTH * fabs(x[0]) && rms <= REST;
}

/* Change of a along frames at[0..count), by a straight line through them. */
static float trend_of(const judge *j, const int *at, int count)
{
    double mean_k = 0, mean_a = 0, ka = 0, kk = 0;
    for (int i = 0; i < count; i++)
        mean_k += (double)at[i] / count, mean_a += (double)j->a[at[i]] / count;
    for (int i = 0; i < count; i++) {
        double away = at[i] - mean_k;
        ka += away * ((double)j->a[at[i]] - mean_a), kk += away * away;
    }
    return (float)fabs(ka / kk * (at[count - 1] - at[0]));
}

/* No trend over all quiet frames, nor over any run of successive ones. */
static int is_steady(const judge *j, const int *quiet, int count)
{
    for (int begin = 0, end; begin < count; begin = end) {
        for (end = begin + 1; end < count && quiet[end] == quiet[end - 1] + 1; end++)
            continue;
        float span = (float)(end - 1 - begin) / (float)(j->frames - 1);
        if (end - begin >= AGREE_MIN && trend_of(j, quiet + begin, end - begin) > TREND + TREND_OVER_TAKE * span)
            return 0;
    }
    float span = (float)(quiet[count - 1] - quiet[0]) / (float)(j->frames - 1);
    return trend_of(j, quiet, count) <= TREND + TREND_OVER_TAKE * span;
}

/* What the frames too restless for a verdict say together: dust is there too, more or less; a detail of the subject
 * that was quiet while in focus has gone, or has come, by then. */
static int rest_agrees(judge *j)
{
    float sum = 0.0f, weights = 0.0f;
    for (int k = 0; k < j->frames; k++) {
        float ring = j->ring[k] / j->depth;
        if (ring <= QUIET || ring > RESTLESS)
            continue;
        (void)agrees(j, k);
        sum += j->a[k] / (ring * ring);
        weights += 1.0f / (ring * ring);
    }
    return weights == 0.0f || fabsf(sum / weights - 1.0f) <= DEPTH_LIKE_RESTLESS;
}

static int count_below(const judge *j, float share)
{
    int count = 0;
    for (int k = 0; k < j->frames; k++)
        count += j->ring[k] <= share * j->depth;
    return count;
}

static int verdict(judge *j)
{
    int quiet[RF_SENSOR_SAMPLE_MAX], count = 0, agreeing = 0;
    if (j->depth < DEPTH_MIN || j->depth > DEPTH_MAX || unroundness(j) > UNROUND)
        return 0;
    for (int k = 0; k < j->frames; k++)
        if (j->ring[k] <= QUIET * j->depth) {
            quiet[count++] = k;
            agreeing += agrees(j, k);
        }
    if (count_below(j, VERY_QUIET) < AGREE_MIN || agreeing < AGREE_MIN || 4 * agreeing < 3 * count)
        return 0;
    return is_steady(j, quiet, count) && rest_agrees(j);
}

/* Means of t over circles; what makes t uneven along them is mostly the subject, unless it is much. */
static void profile_of(const judge *j, float profile[DUST_REACH + 1])
{
    float count[DUST_REACH + 1] = {0};
    memset(profile, 0, (DUST_REACH + 1) * sizeof *profile);
    for (int at = 0; at < DUST_AREA; at++) {
        int circle = (int)(distance(j, at) + 0.5f);
        if (circle <= DUST_REACH)
            profile[circle] += j->mean[at], count[circle] += 1.0f;
    }
    for (int i = 0; i <= DUST_REACH; i++)
        profile[i] /= fmaxf(count[i], 1.0f);
}

/* The share of light kept, by t freed of the subject: as round as it may be, faded out between 1.5 and 2 radii. */
static rf_status describe(const judge *j, rf_dust_spot *spot, rf_error *err)
{
    float profile[DUST_REACH + 1], own = fminf(fmaxf((unroundness(j) - ROUND) / (UNROUND - ROUND), 0.0f), 1.0f);
    int reach = (int)(2.0f * j->radius) + 1, middle_x = (int)floorf(j->x + 0.5f), middle_y = (int)floorf(j->y + 0.5f);
    spot->x = (float)j->suspect->x + j->x;
    spot->y = (float)j->suspect->y + j->y;
    spot->radius_px = j->radius;
    spot->dip = 1.0f - expf(-j->depth);
    spot->side = 2 * reach + 1;
    spot->left = j->suspect->x + middle_x - reach;
    spot->top = j->suspect->y + middle_y - reach;
    profile_of(j, profile);
    rf_status status =
        rf_alloc(&spot->gain, (size_t)spot->side * (size_t)spot->side, sizeof *spot->gain, "the dust", err);
    for (int i = 0; status == RF_OK && i < spot->side * spot->side; i++) {
        int x = middle_x - reach + i % spot->side + DUST_REACH, y = middle_y - reach + i / spot->side + DUST_REACH;
        spot->gain[i] = 1.0f;
        if (x < 1 || y < 1 || x >= DUST_SIDE - 1 || y >= DUST_SIDE - 1)
            continue;
        const float *t = j->mean + y * DUST_SIDE + x;
        float smooth = 0.25f * t[0] + 0.125f * (t[-1] + t[1] + t[-DUST_SIDE] + t[DUST_SIDE]) +
                       0.0625f * (t[-DUST_SIDE - 1] + t[-DUST_SIDE + 1] + t[DUST_SIDE - 1] + t[DUST_SIDE + 1]);
        float away = fminf(distance(j, y * DUST_SIDE + x), (float)DUST_REACH - 0.01f), part = away - floorf(away);
        float round = (1.0f - part) * profile[(int)away] + part * profile[(int)away + 1];
        float fade = fminf(fmaxf(2.0f * (2.0f - away / j->radius), 0.0f), 1.0f);
        spot->gain[i] = fminf(fmaxf(expf(fade * (round + own * (smooth - round))), 0.6f), 1.0f);
    }
    return status;
}

/* One round: levels, template, and from it radius, middle and depth. 0 when it cannot be dust. */
static int refine(judge *j, float ring_from, float ring_to, float most, int power)
{
    if (!rf_dust_ring_find(&j->on, j->suspect->crops, j->x, j->y, ring_from, ring_to))
        return 0;
    for (int k = 0; k < j->frames; k++) {
        size_t first = (size_t)k * DUST_AREA;
        if (!rf_dust_ring_level(&j->on, j->suspect->crops + first, j->rest + first, &j->ring[k]))
            return 0;
    }
    average(j, most, power);
    return measure(j);
}

rf_status rf_dust_judge(const dust_suspect *suspect, int frames, rf_dust_spot *spot, int *is_dust, rf_error *err)
{
    rf_status status;
    judge j = {.suspect = suspect, .frames = frames, .radius = suspect->radius_px};
    int possible = 1;
    *is_dust = 0;
    RF_TRY(rf_alloc(&j.rest, (size_t)frames * DUST_AREA, sizeof *j.rest, "the suspected dust", err));
    RF_TRY(rf_alloc(&j.mean, DUST_AREA, sizeof *j.mean, "the suspected dust", err));
    for (int round = 0; round < ROUNDS && possible; round++)
        possible = refine(&j, RING_FROM * j.radius, RING_TO * j.radius, j.depth > 0 ? QUIET * j.depth : INFINITY, 2);
    if (possible && verdict(&j)) {
        /* A soft spot's skirts reach into the near ring, which makes it look shallow; over even ground a wider one can
         * be had. Neighbouring frames err alike: the restless ones count for more than by 1 / s^2. */
        int wide = count_below(&j, SERENE) >= AGREE_MIN;
        float from = wide ? WIDE_RING_FROM : RING_FROM, to = wide ? WIDE_RING_TO : RING_TO;
        for (int round = 0; round < (wide ? 2 : 1) && possible; round++)
            possible = refine(&j, from * j.radius, fminf(to * j.radius, (float)DUST_REACH), RESTLESS * j.depth, 1);
        if (possible) {
            RF_TRY(describe(&j, spot, err));
            *is_dust = 1;
        }
    }
done:
    rf_free(j.rest);
    rf_free(j.mean);
    return status;
}

/* pair.c - the similarity between two frames, coarse to fine. */
#include "pair.h"

#include <math.h>

#include "fit.h"

enum { PEAKS = 5, MIN_TILES = 5, MOST_ROUNDS = 3, BLOCK_TILE_ROWS = 1, MANY_TILES = 1024 };

/* A level's rounds end at a step below this, its own pixels: what the next one would still change is a twentieth of it
 * (measured: 0.015, 0.0006, 0.00003 px in the middle of 68 pairs). Levels that only lead to finer ones need less. */
static const double SETTLED_PX = 0.004, LEADING_SETTLED_PX = 0.02;

static const double MIN_AGREEMENT = 0.35, FINER_AGREEMENT = 0.8, MIN_INLIERS = 0.2;

rf_motion rf_motion_between(double shift_x, double shift_y, double way, double turn)
{
    double m = (2 + way) / (2 - way);
    return (rf_motion){.a = m * cos(turn), .b = m * sin(turn), .shift_x = shift_x, .shift_y = shift_y};
}

double rf_motion_way(const rf_motion *motion)
{
    double m = hypot(motion->a, motion->b);
    return 2 * (m - 1) / (m + 1);
}

typedef struct compare_job {
    const rf_level *i, *j;
    rf_motion motion;
    double centre_x, centre_y;
    float least; /* see search */
    int every;   /* 1, or 2: every second tile of every second row */
    rf_tile *tiles;
} compare_job;

/* A tile map of frame j read between its tile centres. */
static float map_at(const rf_level *level, const float *map, double x, double y)
{
    double u = (x - level->left) / level->tile - 0.5, v = (y - level->top) / level->tile - 0.5;
    u = u < 0 ? 0 : u > level->across - 1 ? level->across - 1 : u;
    v = v < 0 ? 0 : v > level->down - 1 ? level->down - 1 : v;
    int x0 = (int)u, y0 = (int)v, x1 = x0 + 1 < level->across ? x0 + 1 : x0, y1 = y0 + 1 < level->down ? y0 + 1 : y0;
    float fx = (float)(u - x0), fy = (float)(v - y0);
    const float *a = map + y0 * level->across, *b = map + y1 * level->across;
    return (a[x0] * (1 - fx) + a[x1] * fx) * (1 - fy) + (b[x0] * (1 - fx) + b[x1] * fx) * fy;
}

/* What both frames have sharp counts; what one has sharper than the other counts less: it lies off the middle between
 * the two planes of focus. */
static void weigh_tiles(const compare_job *job, int ty)
{
    const rf_level *i = job->i, *j = job->j;
    float sharp = i->sharp < j->sharp ? i->sharp : j->sharp;
    for (int tx = 0; tx < i->across; tx++) {
        int at = ty * i->across + tx;
        job->tiles[at].weight = 0;
        if ((tx | ty) & (job->every - 1))
            continue;
        double x = i->left + (tx + 0.5) * i->tile - 0.5, y = i->top + (ty + 0.5) * i->tile - 0.5;
        double u = x - job->centre_x, v = y - job->centre_y;
        double xj = job->centre_x + job->motion.shift_x + job->motion.a * u - job->motion.b * v;
        double yj = job->centre_y + job->motion.shift_y + job->motion.b * u + job->motion.a * v;
        float a = i->energy[at], b = map_at(j, j->energy, xj, yj);
        float low = a < b ? a : b, high = a < b ? b : a;
        float clipped = i->clipped[at] + map_at(j, j->clipped, xj, yj);
        if (low > job->least * sharp && low > 0.15f * high && sharp > 0 && clipped < 0.1f)
            job->tiles[at].weight = (low / high) * sqrtf(low / high) * low / (low + 0.25f * sharp);
    }
}

static void compare_rows(void *arg, int begin, int end, int block, int thread)
{
    compare_job *job = arg;
    (void)block, (void)thread;
    for (int ty = begin; ty < end; ty++) {
        weigh_tiles(job, ty);
        for (int tx = 0; tx < job->i->across; tx++) {
            rf_tile *tile = &job->tiles[ty * job->i->across + tx];
            if (tile->weight > 0)
                rf_tile_compare(tile, job->i, job->j, &job->motion, job->centre_x, job->centre_y, tx, ty);
        }
    }
}

typedef struct search {
    const rf_pair_frame *i, *j;
    rf_pair_scratch *scratch;
    rf_pool *pool;
    float least; /* energy a tile must have in both frames, as a share of the sharpest tiles' */
} search;

static double lever_of(const rf_level *level)
{
    return 0.5 * hypot(level->width, level->height);
}

/* Level l + 1 to level l and back: pixel x of l + 1 is pixel 2 x of l, and the centres differ by a fraction. */
static rf_motion to_level(const rf_motion *motion, const rf_levels *levels, int from, int to)
{
    double k = ldexp(1, from - to);
    const rf_level *a = &levels->level[from], *b = &levels->level[to];
    /* the centre of `from` seen in `to`, from the centre of `to` */
    double dx = k * (a->width - 1) / 2.0 - (b->width - 1) / 2.0, dy = k * (a->height - 1) / 2.0 - (b->height - 1) / 2.0;
    rf_motion out = *motion;
    out.shift_x = k * motion->shift_x + dx - (motion->a * dx - motion->b * dy);
    out.shift_y = k * motion->shift_y + dy - (motion->b * dx + motion->a * dy);
    return out;
}

/* One Gauss-Newton step at level l, from `every` tile (see compare_job). */
static int improve(search *s, rf_motion *motion, int l, int every, rf_fit *f)
{
    const rf_level *i = &s->i->levels->level[l], *j = &s->j->levels->level[l];
    if (fabs(motion->a - 1) > RF_TILE_MAX_TURN || fabs(motion->b) > RF_TILE_MAX_TURN)
        return 0;
    compare_job job = {
        .i = i, .j = j, .motion = *motion, .least = s->least, .every = every, .tiles = s->scratch->tiles};
    job.centre_x = (i->width - 1) / 2.0;
    job.centre_y = (i->height - 1) / 2.0;
    rf_pool_rows(s->pool, i->down, BLOCK_TILE_ROWS, compare_rows, &job);
    /* A few tiles must not turn or zoom the frame: stiff against what a rail can do. */
    double lever = lever_of(i);
    if (!rf_fit_tiles(f, s->scratch->tiles, i->across * i->down, lever, 1e-4, s->scratch->sort))
        return 0;
    double u = f->step[0], v = f->step[1], e = f->step[2] / lever, r = f->step[3] / lever;
    rf_motion old = *motion;
    motion->shift_x += old.a * u - old.b * v;
    motion->shift_y += old.b * u + old.a * v;
    motion->a = old.a * (1 + e) - old.b * r;
    motion->b = old.b * (1 + e) + old.a * r;
    return isfinite(motion->a) && isfinite(motion->b) && isfinite(motion->shift_x) && isfinite(motion->shift_y);
}

/* How alike the bands are at the motion last compared: 2 <T, I> / (<T, T> + <I, I>). */
static double agreement(const search *s, int l)
{
    const rf_level *i = &s->i->levels->level[l];
    double same = 0, all = 1e-30;
    for (int t = 0; t < i->across * i->down; t++) {
        const rf_tile *tile = &s->scratch->tiles[t];
        if (tile->weight > 0) {
            double w = (double)tile->weight / (rf_tile_strength(tile) + 1e-30);
            same += w * (tile->common - 0.25 * tile->differing);
            all += w * (tile->common + 0.25 * tile->differing);
        }
    }
    return same / all;
}

/* Tries one start at the coarsest level. */
static double try_start(search *s, rf_motion *motion)
{
    rf_fit f;
    int l = s->i->levels->count - 1;
    for (int n = 0; n < 4; n++)
        if (!improve(s, motion, l, 1, &f))
            return -1;
    return agreement(s, l) * (0.25 + f.inlier_share);
}

static int find_start(search *s, rf_motion *best, const rf_motion *guess, double way_guess)
{
    rf_peak peaks[PEAKS];
    int coarse = s->i->levels->count - 1, count = rf_pair_peaks(s->scratch, s->i, s->j, peaks, PEAKS);
    double best_score = 0;
    for (int n = guess != NULL ? -1 : 0; n < count; n++) {
        rf_motion motion;
        if (n < 0)
            motion = to_level(guess, s->i->levels, 0, coarse);
        else
            motion = rf_motion_between(peaks[n].x, peaks[n].y, way_guess, 0);
        double score = try_start(s, &motion);
        if (score > best_score + (n > 0 ? 0.02 : 0)) {
            best_score = score;
            *best = motion;
        }
    }
    return best_score > 0;
}

static void store(rf_pair *pair, const rf_motion *motion, const rf_fit *f, const rf_levels *levels, int l)
{
    rf_motion full = to_level(motion, levels, l, 0);
    double k = ldexp(1, l), sigma = f->sigma * k;
    pair->shift_x = full.shift_x;
    pair->shift_y = full.shift_y;
    pair->way = rf_motion_way(&full);
    pair->turn = atan2(full.b, full.a);
    for (int r = 0; r < 4; r++)
        for (int c = 0; c < 4; c++)
            pair->information[r][c] = f->matrix[r][c] / (sigma * sigma);
    pair->tiles = f->inliers;
    pair->level = l;
}

/* What the motion was read from: how sharp, and on which side of the middle between the two planes of focus. */
static void describe_content(rf_pair *pair, const search *s, const rf_fit *f, int l)
{
    const rf_level *i = &s->i->levels->level[l];
    double lever = lever_of(i), blur = 0, weight = 1e-30, sharpness = 0;
    for (int t = 0; t < i->across * i->down; t++) {
        const rf_tile *tile = &s->scratch->tiles[t];
        double e = tile->weight > 0 ? rf_tile_error(tile, f->step, lever) / (RF_TUKEY * f->sigma) : 1;
        if (e >= 1)
            continue;
        double w = (double)tile->weight * (1 - e * e) * (1 - e * e);
        weight += w;
        blur += w * tile->blur[0];
        sharpness += w * log((double)i->energy[t] + 1e-12);
    }
    pair->blur = ldexp(blur / weight, 2 * l);
    pair->log_sharpness = sharpness / weight;
}

/* Takes down what level l says, unless too little of it agrees. The tiles must be those of that level. */
static int take_down(rf_pair *pair, const search *s, const rf_motion *motion, const rf_fit *f, int l)
{
    const rf_level *level = &s->i->levels->level[l];
    int tiles = level->across * level->down, needed = tiles / 4 + 1 < MIN_TILES ? tiles / 4 + 1 : MIN_TILES;
    pair->agreement = agreement(s, l);
    if (pair->agreement < MIN_AGREEMENT || f->inliers < needed || f->inlier_share < MIN_INLIERS)
        return 0;
    store(pair, motion, f, s->i->levels, l);
    describe_content(pair, s, f, l);
    return 1;
}

/* Rounds at level l until its motion stands; *f and the tiles are those of the last. Of many tiles a quarter tell the
 * first step as well as it is needed: the next, from all, corrects it. */
static int settle(search *s, rf_motion *motion, int l, rf_fit *f)
{
    double enough = l < RF_PAIR_MEASURES ? SETTLED_PX : LEADING_SETTLED_PX;
    const rf_level *level = &s->i->levels->level[l];
    rf_motion first = *motion;
    if (level->across * level->down >= MANY_TILES && improve(s, &first, l, 2, f))
        *motion = first;
    for (int n = 0; n < MOST_ROUNDS; n++) {
        double largest = 0;
        if (!improve(s, motion, l, 1, f))
            return 0;
        for (int i = 0; i < RF_PAIR_UNKNOWNS; i++)
            largest = fmax(largest, fabs(f->step[i]));
        if (largest < enough)
            break;
    }
    return 1;
}

static int measure(rf_pair measures[RF_PAIR_MEASURES], int from, int to, search *s, const rf_motion *guess,
                   double way_guess)
{
    rf_motion motion;
    const rf_levels *levels = s->i->levels;
    int coarsest = levels->count - 1, count = 0;
    if (!find_start(s, &motion, guess, way_guess))
        return 0;
    for (int l = coarsest; l >= 0; l--) {
        rf_pair found = {.from = from, .to = to};
        rf_fit f;
        if (l < coarsest)
            motion = to_level(&motion, levels, l + 1, l);
        if (!settle(s, &motion, l, &f))
            return count;
        /* Where the frames look too different (what they share is blurred in both) a finer level only adds noise. */
        if (l < coarsest && l < RF_PAIR_MEASURES && agreement(s, l) < FINER_AGREEMENT)
            break;
        if (!take_down(&found, s, &motion, &f, l))
            continue;
        if (l + 1 >= RF_PAIR_MEASURES)
            count = 0; /* a coarse level counts only until a finer one does */
        measures[count++] = found;
    }
    return count;
}

int rf_pair_measure(rf_pair measures[RF_PAIR_MEASURES], int from, int to, const rf_pair_frame *i,
                    const rf_pair_frame *j, const rf_motion *guess, double way_guess, rf_pair_scratch *scratch,
                    rf_pool *pool)
{
    static const float least[] = {0.1f, 0.01f}; /* the second only when nothing better is shared */
    search s = {.i = i, .j = j, .scratch = scratch, .pool = pool};
    int count = 0;
    for (size_t n = 0; n < sizeof least / sizeof least[0] && count == 0; n++) {
        s.least = least[n];
        count = measure(measures, from, to, &s, guess, way_guess);
    }
    return count;
}

void rf_pair_gain(rf_pair *pair, const rf_levels *i, const rf_levels *j, rf_pair_scratch *scratch)
{
    int l = i->count - 1;
    const rf_level *level = &i->level[l];
    rf_motion full = rf_motion_between(pair->shift_x, pair->shift_y, pair->way, pair->turn);
    rf_motion motion = to_level(&full, i, 0, l);
    double cx = (level->width - 1) / 2.0, cy = (level->height - 1) / 2.0;
    int n = 0;
    for (int y = 0; y < level->height; y++)
        for (int x = 0; x < level->width; x++) {
            double xj = cx + motion.shift_x + motion.a * (x - cx) - motion.b * (y - cy);
            double yj = cy + motion.shift_y + motion.b * (x - cx) + motion.a * (y - cy);
            if (!(xj >= 0 && yj >= 0 && xj < level->width - 1 && yj < level->height - 1))
                continue;
            int x0 = (int)xj, y0 = (int)yj;
            float fx = (float)(xj - x0), fy = (float)(yj - y0);
            const float *r = j->coarse + (size_t)y0 * (size_t)level->width + x0, *r2 = r + level->width;
            float b = (r[0] * (1 - fx) + r[1] * fx) * (1 - fy) + (r2[0] * (1 - fx) + r2[1] * fx) * fy;
            float a = i->coarse[(size_t)y * (size_t)level->width + (size_t)x];
            if (a < 0.03f || b < 0.03f || a > 0.95f || b > 0.95f)
                continue;
            scratch->sort[2 * n] = logf(b / a);
            scratch->sort[2 * n + 1] = a + b;
            n++;
        }
    if (n < 16)
        return;
    float middle = rf_weighted_median(scratch->sort, n);
    for (int k = 0; k < n; k++)
        scratch->sort[2 * k] = fabsf(scratch->sort[2 * k] - middle);
    pair->log_gain = (double)middle;
    pair->gain_sigma = 1.4826 * (double)rf_weighted_median(scratch->sort, n) / sqrt(n / 16.0) + 1e-4;
}

/* weigh.c - how much a place's vote on an outline counts: little, where energy may not be the place's own. */
#include <float.h>
#include <math.h>

#include "base/hot.h"
#include "depth/ballot.h"

static const float POOL_REACH = 2.5f;     /* how far pooling carries an outline */
static const float POOLED_WEIGHT = 0.25f; /* of a vote for the nearer surface within POOL_REACH of the farther one */
static const float GROWN_WEIGHT = 0.5f;   /* of a vote whose own sharpest peak is another */
static const float SETTLED_WEIGHT = 0.5f; /* of a vote next to the farther surface, in the later rounds */
static const float LEAK_REACH = 6.0f, LEAK_SHARE = 0.25f, LEAST_SHARE = 0.1f; /* see own_share */
static const float TAIL_SHARE = 0.2f, LEAST_TAIL = 0.2f;                      /* the same, of nearer places */
static const float FAINT_GROUND =
    0.1f; /* of the energy around: ground that has less of its own, see share_beside_near */
static const float LEAST_TRUST = 0.1f; /* a guess still votes where nothing else does */
/* By how faint a place is: it has less than this share of the strongest energy within LEAK_REACH. */
static const float FAINT_SHARE[FAINTNESS] = {INFINITY, 0.03f};

/* How far a place's energy is its own, beside an edge. A farther place may show ground through the blurred rim of a
 * nearer part: a quarter of its energy or less is left from the outline inwards. A nearer place may have the tail of
 * what was pooled from the outline. */
static float own_share(float energy, float strongest_around, float full, float least)
{
    float share = energy / (full * strongest_around + FLT_MIN);
    return share > 1.0f ? 1.0f : share < least ? least : share;
}

/* The strongest energy of the place's own surface around it, or one that reaches `enough`; 0 where few places agree on
 * that surface. */
static float own_level(const rf_ballot *b, int i, int j, float enough)
{
    float level = 0.0f, way = rf_image_row_f32(&b->way, j)[i];
    int reach = (int)LEAK_REACH, width = b->way.width;
    if (b->d->known[(size_t)j * (size_t)width + (size_t)i] != RF_KNOWN)
        return 0.0f;
    for (int n = 0; n <= 2 * reach && level < enough; n++) { /* from the place's own row outwards */
        int y = n % 2 == 0 ? j + n / 2 : j - (n + 1) / 2;
        if (y < 0 || y >= b->way.height)
            continue;
        const float *ways = rf_image_row_f32(&b->way, y), *own = rf_image_row_f32(&b->d->way, y);
        const rf_focus *focus = rf_focus_row(b->d, y);
        for (int x = i > reach ? i - reach : 0; x <= i + reach && x < width; x++)
            if (fabsf(ways[x] - way) < RF_SAME_STEPS && fabsf(ways[x] - own[x]) < RF_SAME_STEPS)
                level = rf_higher(level, focus[x].peak[0].energy);
    }
    return level;
}

/* Ground beside a nearer part: its energy may be the part's rim letting it through, unless it is as strong as the
 * part's own or, on faint ground, as the ground's around. */
static float share_beside_near(const rf_ballot *b, int i, int j)
{
    float energy = rf_focus_row(b->d, j)[i].peak[0].energy, strongest = rf_image_row_f32(&b->strongest, j)[i];
    float share = own_share(energy, strongest, LEAK_SHARE, LEAST_SHARE);
    float enough = FAINT_GROUND * strongest, level = share < 1.0f ? own_level(b, i, j, enough) : 0.0f;
    if (level > 0.0f && level < enough)
        share = rf_higher(share, own_share(energy, level, LEAK_SHARE, LEAST_SHARE));
    return share;
}

static void weigh_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_ballot *b = arg;
    for (int j = begin; j < end; j++) {
        const float *way = rf_image_row_f32(&b->way, j), *far = rf_image_row_f32(&b->far, j);
        const float *near = rf_image_row_f32(&b->near, j), *strongest = rf_image_row_f32(&b->strongest, j);
        const float *own = rf_image_row_f32(&b->d->way, j), *trust = rf_image_row_f32(&b->d->trust, j);
        const float *farther = rf_image_row_f32(&b->farther, j);
        const rf_focus *focus = rf_focus_row(b->d, j);
        float *weight = rf_image_row_f32(&b->weight, j);
        uint8_t *faint = rf_image_row(&b->faint, j);
        for (int i = 0; i < b->way.width; i++) {
            float w = trust[i] > LEAST_TRUST ? trust[i] : LEAST_TRUST;
            if (far[i] - way[i] > RF_APART_STEPS)
                w *= POOLED_WEIGHT;
            if (fabsf(way[i] - own[i]) > RF_SAME_STEPS)
                w *= GROWN_WEIGHT;
            if (way[i] - near[i] > RF_APART_STEPS)
                w *= share_beside_near(b, i, j);
            else if (farther[i] - way[i] > RF_APART_STEPS)
                w *= own_share(focus[i].peak[0].energy, strongest[i], TAIL_SHARE, LEAST_TAIL);
            weight[i] = w;
            for (int f = 1; f < FAINTNESS; f++)
                if (focus[i].peak[0].energy < FAINT_SHARE[f] * strongest[i])
                    faint[i] = (uint8_t)f;
        }
    }
}

/* The same in the later rounds; a place of an edge is one next to what is farther. */
RF_HOT static void weigh_settled(const float *restrict above, const float *restrict way, const float *restrict below,
                                 const float *restrict trust, int shift, int width, int trusts, float *restrict weight)
{
    for (int i = 0; i < width; i++) {
        int left = i > 0 ? i - 1 : 0, right = i + 1 < width ? i + 1 : i, at = i >> shift;
        float t = trust[at < trusts ? at : trusts - 1], w = t > LEAST_TRUST ? t : LEAST_TRUST;
        float far = rf_higher(rf_higher(way[left], way[right]), rf_higher(above[i], below[i]));
        weight[i] = far - way[i] > RF_APART_STEPS ? SETTLED_WEIGHT * w : w;
    }
}

static void settled_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_ballot *b = arg;
    int last = b->way.height - 1, shift = 0;
    while (b->cell << shift < b->d->cell)
        shift++;
    for (int j = begin; j < end; j++)
        weigh_settled(rf_image_row_f32(&b->way, j > 0 ? j - 1 : 0), rf_image_row_f32(&b->way, j),
                      rf_image_row_f32(&b->way, j < last ? j + 1 : last),
                      rf_image_row_f32(&b->d->trust, rf_energy_row(b->d, j * b->cell)), shift, b->way.width,
                      b->d->energy_width, rf_image_row_f32(&b->weight, j));
}

/* Energies of the places that did not change surface when the front grew, into `weight` for the time being. */
static void energy_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_ballot *b = arg;
    for (int j = begin; j < end; j++) {
        const float *way = rf_image_row_f32(&b->way, j), *own = rf_image_row_f32(&b->d->way, j);
        const rf_focus *focus = rf_focus_row(b->d, j);
        float *energy = rf_image_row_f32(&b->weight, j);
        for (int i = 0; i < b->way.width; i++)
            energy[i] = fabsf(way[i] - own[i]) < RF_SAME_STEPS ? focus[i].peak[0].energy : 0.0f;
    }
}

void rf_ballot_weigh(rf_ballot *b)
{
    rf_depth *d = b->d;
    if (b->round > 0) {
        rf_pool_rows(d->pool, b->way.height, RF_DEPTH_BLOCK_ROWS, settled_rows, b);
        return;
    }
    rf_plane_extreme(&b->way, &b->far, POOL_REACH, -1.0f, d->pool);
    rf_plane_extreme(&b->way, &b->near, LEAK_REACH, 1.0f, d->pool);
    rf_plane_extreme(&b->way, &b->farther, LEAK_REACH, -1.0f, d->pool);
    rf_pool_rows(d->pool, d->energy_height, RF_DEPTH_BLOCK_ROWS, energy_rows, b);
    rf_plane_extreme(&b->weight, &b->strongest, LEAK_REACH, -1.0f, d->pool);
    rf_pool_rows(d->pool, b->way.height, RF_DEPTH_BLOCK_ROWS, weigh_rows, b);
}

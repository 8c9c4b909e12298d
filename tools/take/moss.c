/* moss.c - see moss.h. Leaves stand round the stem at the golden angle, spread more the lower they are, and bend
 * outward. */
#include "moss.h"

#include "random.h"

/* Nothing may leave the depth the frames cover. */
static const float NEAREST_UNITS = 1.5f, FARTHEST_UNITS = 300;

typedef struct tuft {
    float x, y;   /* foot, units */
    float spread; /* radius of the foot */
    int shoots;
    float length; /* of a shoot */
    float leaf;   /* length of a leaf */
    vec3 lean;    /* added to the ground's normal */
    int behind;
    int loose;
} tuft;

typedef struct grower {
    rock *ground;
    take_random random;
    strand_list *list;
    rf_error *err;
    int loose;
} grower;

static float between(grower *g, float low, float high)
{
    return take_random_between(&g->random, low, high);
}

/* Each number is drawn in a statement of its own: the order of a call's arguments is the compiler's choice. */
static vec3 between_vectors(grower *g, vec3 low, vec3 high)
{
    vec3 v;
    v.x = between(g, low.x, high.x);
    v.y = between(g, low.y, high.y);
    v.z = between(g, low.z, high.z);
    return v;
}

static vec3 random_vector(grower *g, float size)
{
    return between_vectors(g, v3(-size, -size, -size), v3(size, size, size));
}

static rf_status add(grower *g, strand_shape *shape)
{
    for (int i = 0; i < 4; i++)
        shape->line[i].z = clampf(shape->line[i].z, NEAREST_UNITS + (float)i * 0.3f, FARTHEST_UNITS);
    shape->seed = (uint32_t)take_random_bits(&g->random);
    shape->loose = g->loose;
    return strand_list_add(g->list, shape, g->err);
}

/* Any vector square to `axis`, turned by `turn` (1 = full circle). */
static vec3 around(vec3 axis, float turn)
{
    vec3 other = fabsf(axis.x) < 0.7f ? v3(1, 0, 0) : v3(0, 1, 0);
    vec3 a = v3_unit(v3_cross(axis, other)), b = v3_cross(axis, a);
    double angle = 2 * TAKE_PI * (double)turn;
    return v3_add(v3_scale(a, (float)take_cos(angle)), v3_scale(b, (float)take_sin(angle)));
}

static rf_status leaf(grower *g, vec3 foot, vec3 axis, float turn, float open, float length, float age)
{
    vec3 out = around(axis, turn);
    float rise = 1 - 0.55f * open;
    strand_shape s = {.outline = OUTLINE_BLADE};
    s.half_width = length * between(g, 0.050f, 0.066f);
    s.fold = between(g, 0.35f, 0.6f);
    s.line[0] = foot;
    s.line[1] =
        v3_add(foot, v3_scale(v3_add(v3_scale(axis, rise), v3_scale(out, 0.35f + 0.25f * open)), 0.36f * length));
    s.line[2] = v3_add(
        s.line[1], v3_scale(v3_add(v3_scale(axis, 0.75f * rise), v3_scale(out, 0.55f + 0.35f * open)), 0.36f * length));
    vec3 bend = v3_add(v3_scale(axis, 0.55f - 0.95f * open), v3_scale(out, 0.9f));
    s.line[3] = v3_add(s.line[2], v3_scale(v3_add(bend, random_vector(g, 0.22f)), 0.34f * length));
    s.facing = v3_unit(v3_add(v3_sub(axis, v3_scale(out, 0.35f)), random_vector(g, 0.15f)));
    float tone = between(g, 0.8f, 1.2f), yellow = between(g, 0.0f, 1.0f);
    vec3 green = v3_mix(v3(0.125f, 0.215f, 0.028f), v3(0.24f, 0.27f, 0.035f), yellow);
    s.root = v3_scale(v3_mix(v3(0.16f, 0.13f, 0.05f), green, 0.35f + 0.3f * age), tone);
    s.middle = v3_scale(v3_mix(green, v3(0.25f, 0.17f, 0.06f), 0.55f * (1 - age) * between(g, 0, 1)), tone);
    s.tip = v3_scale(v3_mix(v3(0.36f, 0.33f, 0.07f), v3(0.38f, 0.15f, 0.05f), between(g, 0.1f, 0.9f)), tone);
    s.skin = (material){.gloss = 0.5f, .shine = 34, .translucent = 0.55f};
    s.streak = 0.13f;
    return add(g, &s);
}

static rf_status shoot(grower *g, vec3 foot, vec3 axis, float length, float leaf_length)
{
    rf_status status;
    vec3 bend = v3_add(v3(0, -0.28f, -0.10f), random_vector(g, 0.22f));
    strand_shape stem = {.outline = OUTLINE_BRISTLE, .round = 1, .half_width = 2.1f, .streak = 0.12f};
    vec3 way = axis;
    stem.line[0] = foot;
    for (int i = 1; i < 4; i++) {
        stem.line[i] = v3_add(stem.line[i - 1], v3_scale(way, length / 3));
        way = v3_unit(v3_add(way, bend));
    }
    stem.root = v3(0.20f, 0.11f, 0.05f);
    stem.middle = v3(0.20f, 0.16f, 0.05f);
    stem.tip = v3(0.20f, 0.24f, 0.05f);
    stem.skin = (material){.gloss = 0.25f, .shine = 25};
    RF_TRY(add(g, &stem));
    int leaves = (int)(length * 0.34f) + 10;
    float turn = between(g, 0, 1);
    for (int i = 0; i < leaves; i++) {
        float age = (float)i / (float)(leaves - 1), u = 0.10f + 0.89f * age;
        float open = clampf(1.08f - 0.88f * age * age + between(g, -0.14f, 0.14f), 0, 1.15f);
        float size = leaf_length * (0.62f + 0.45f * take_pow(1 - fabsf(2 * age - 1), 0.6f)) * between(g, 0.85f, 1.15f);
        turn += 0.381966f + between(g, -0.03f, 0.03f);
        RF_TRY(leaf(g, strand_centre(&stem, u), strand_direction(&stem, u), turn, open, size, age));
    }
    return RF_OK;
done:
    return status;
}

/* A wiry red-brown stalk that ends in a capsule, nodding a little. */
static rf_status stalk(grower *g, vec3 foot, vec3 way, float length)
{
    strand_shape s = {.outline = OUTLINE_STALK, .round = 1, .half_width = between(g, 2.0f, 2.6f), .streak = 0.10f};
    vec3 sway = random_vector(g, 0.30f);
    s.line[0] = foot;
    s.line[1] = v3_add(foot, v3_scale(way, 0.36f * length));
    s.line[2] = v3_add(s.line[1], v3_scale(v3_unit(v3_add(way, sway)), 0.36f * length));
    vec3 nod = between_vectors(g, v3(-0.5f, -0.15f, -0.5f), v3(0.5f, 0.35f, 0.1f));
    s.line[3] = v3_add(s.line[2], v3_scale(v3_unit(v3_add(v3_add(way, v3_scale(sway, 1.5f)), nod)), 0.30f * length));
    s.root = v3(0.30f, 0.10f, 0.035f);
    s.middle = v3(0.42f, 0.15f, 0.05f);
    s.tip = v3_mix(v3(0.34f, 0.27f, 0.06f), v3(0.36f, 0.15f, 0.05f), between(g, 0, 1));
    s.skin = (material){.gloss = 0.6f, .shine = 46, .translucent = 0.1f};
    return add(g, &s);
}

static rf_status grow_tuft(grower *g, const tuft *t)
{
    rf_status status;
    g->loose = t->loose;
    for (int i = 0; i < t->shoots; i++) {
        double angle = 2 * TAKE_PI * (i * 0.381966 + 0.1 * take_random_uniform(&g->random));
        float distance = t->spread * sqrtf(((float)i + 0.5f) / (float)t->shoots);
        float x = t->x + distance * (float)take_cos(angle), y = t->y + distance * (float)take_sin(angle);
        vec3 normal, lean = v3_add(t->lean, v3((x - t->x) / t->spread * 0.45f, (y - t->y) / t->spread * 0.45f, 0));
        float depth = rock_depth(g->ground, x, y, &normal) + 3;
        if (t->behind)
            depth = g->ground->rim_depth + between(g, 4, 16);
        vec3 axis = v3_unit(v3_add(v3_add(normal, lean), random_vector(g, 0.25f)));
        RF_TRY(shoot(g, v3(x, y, depth), axis, t->length * between(g, 0.65f, 1.25f), t->leaf));
    }
    return RF_OK;
done:
    return status;
}

static rf_status grow_stalks(grower *g, const tuft *t, int count)
{
    rf_status status;
    g->loose = t->loose;
    for (int i = 0; i < count; i++) {
        float x = t->x + t->spread * between(g, -0.7f, 0.7f), y = t->y + t->spread * between(g, -0.7f, 0.7f);
        vec3 normal, foot = v3(x, y, rock_depth(g->ground, x, y, &normal));
        vec3 rise = between_vectors(g, v3(-0.45f, -1.0f, -0.45f), v3(0.75f, -0.6f, 0.05f));
        vec3 way = v3_unit(v3_add(v3_scale(normal, 0.35f), rise));
        RF_TRY(stalk(g, foot, way, t->length * between(g, 1.7f, 2.6f)));
    }
    return RF_OK;
done:
    return status;
}

/* A few loose fibres that have blown onto the stone. */
static rf_status fibres(grower *g, int count)
{
    rf_status status;
    g->loose = 0;
    for (int i = 0; i < count; i++) {
        strand_shape s = {
            .outline = OUTLINE_BRISTLE, .round = 1, .half_width = between(g, 0.55f, 0.9f), .streak = 0.1f};
        double angle = 2 * TAKE_PI * take_random_uniform(&g->random);
        float length = between(g, 70, 190), x = between(g, -330, 470), y = between(g, -190, 330);
        vec3 way = v3((float)take_cos(angle), (float)take_sin(angle), 0), square = v3(-way.y, way.x, 0), normal;
        for (int p = 0; p < 4; p++) {
            float along = ((float)p / 3 - 0.5f) * length, off = between(g, -0.22f, 0.22f) * length;
            vec3 at = v3(x + along * way.x + off * square.x, y + along * way.y + off * square.y, 0);
            at.z =
                rock_depth(g->ground, at.x, at.y, &normal) - (p == 1 || p == 2 ? between(g, 12, 30) : between(g, 3, 9));
            s.line[p] = at;
        }
        s.root = s.middle = s.tip = i % 2 == 0 ? v3(0.45f, 0.42f, 0.36f) : v3(0.10f, 0.085f, 0.075f);
        s.skin = (material){.gloss = 0.5f, .shine = 40};
        RF_TRY(add(g, &s));
    }
    return RF_OK;
done:
    return status;
}

rf_status moss_grow(const scene_maker *maker, rock *ground, strand_list *front, strand_list *behind, rf_error *err)
{
    static const tuft tufts[] = {
        {.x = -345, .y = 150, .spread = 105, .shoots = 20, .length = 165, .leaf = 62, .lean = {-0.15f, -0.80f, -0.05f}},
        {.x = -120,
         .y = 345,
         .spread = 80,
         .shoots = 13,
         .length = 135,
         .leaf = 56,
         .lean = {0.0f, -0.85f, 0.05f},
         .loose = 1},
        {.x = 455, .y = 215, .spread = 60, .shoots = 9, .length = 105, .leaf = 46, .lean = {0.2f, -0.8f, -0.1f}},
        {.x = 170, .y = -205, .spread = 40, .shoots = 7, .length = 70, .leaf = 30, .lean = {0.1f, -0.9f, 0.0f}},
        {.x = -330,
         .y = -75,
         .spread = 62,
         .shoots = 9,
         .length = 150,
         .leaf = 50,
         .lean = {-0.2f, -1.6f, 0.75f},
         .behind = 1},
    };
    rf_status status;
    grower g = {.ground = ground, .random = take_random_start(maker->options->seed, "moss"), .err = err};
    for (size_t i = 0; i < sizeof tufts / sizeof tufts[0]; i++) {
        g.list = tufts[i].behind ? behind : front;
        if (!tufts[i].behind)
            rock_add_soil(ground, tufts[i].x, tufts[i].y, tufts[i].spread + 8);
        RF_TRY(grow_tuft(&g, &tufts[i]));
    }
    g.list = front;
    RF_TRY(grow_stalks(&g, &tufts[0], 7));
    RF_TRY(grow_stalks(&g, &tufts[1], 3));
    RF_TRY(grow_stalks(&g, &tufts[2], 2));
    RF_TRY(fibres(&g, 7));
    return RF_OK;
done:
    return status;
}

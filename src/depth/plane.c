/* plane.c - small neighbourhood filters on planes of floats. */
#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "depth/state.h"

enum { COLUMNS = 512, MAX_RADIUS = 16, EXTREME_ROWS = 48 };

typedef struct plane_job {
    const rf_image *in;
    rf_image *out;
    float radius, sign;
} plane_job;

RF_HOT static void lower_by_two(float *restrict least, const float *restrict left, const float *restrict right, int n)
{
    for (int x = 0; x < n; x++) {
        float low = left[x] < right[x] ? left[x] : right[x];
        least[x] = low < least[x] ? low : least[x];
    }
}

RF_HOT static void lower_by_one(float *restrict least, const float *restrict row, int n)
{
    for (int x = 0; x < n; x++)
        least[x] = row[x] < least[x] ? row[x] : least[x];
}

/* What n pixels of row `from`, from column x on, add to rows [begin, end). The least of h pixels to either side follows
 * from that of h - 1, and serves every row for which the disc is that wide there. */
static void spread_row(const plane_job *job, int from, int x, int n, int begin, int end)
{
    int width = job->in->width, reach = (int)job->radius;
    float padded[COLUMNS + 2 * MAX_RADIUS], least[COLUMNS];
    const float *row = rf_image_row_f32(job->in, from);
    for (int i = -reach; i < n + reach; i++)
        padded[MAX_RADIUS + i] = x + i >= 0 && x + i < width ? job->sign * row[x + i] : INFINITY;
    memcpy(least, padded + MAX_RADIUS, (size_t)n * sizeof *least);
    for (int h = 0; h <= reach; h++) {
        if (h > 0)
            lower_by_two(least, padded + MAX_RADIUS - h, padded + MAX_RADIUS + h, n);
        for (int dy = -reach; dy <= reach; dy++)
            if (from + dy >= begin && from + dy < end && (int)sqrtf(job->radius * job->radius - (float)(dy * dy)) == h)
                lower_by_one(rf_image_row_f32(job->out, from + dy) + x, least, n);
    }
}

/* Rows beyond the picture repeat its first and last one, which lie in the disc wherever they do, and more of them. */
static void extreme_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const plane_job *job = arg;
    int width = job->in->width, reach = (int)job->radius;
    int first = rf_clamp_int(begin - reach, 0, job->in->height), last = rf_clamp_int(end + reach, 0, job->in->height);
    for (int y = begin; y < end; y++)
        for (int x = 0; x < width; x++)
            rf_image_row_f32(job->out, y)[x] = INFINITY;
    for (int x = 0; x < width; x += COLUMNS)
        for (int y = first; y < last; y++)
            spread_row(job, y, x, width - x < COLUMNS ? width - x : COLUMNS, begin, end);
    for (int y = begin; y < end && job->sign < 0.0f; y++)
        for (int x = 0; x < width; x++)
            rf_image_row_f32(job->out, y)[x] *= job->sign;
}

void rf_plane_extreme(const rf_image *in, rf_image *out, float radius, float sign, rf_pool *pool)
{
    plane_job job = {in, out, radius, sign};
    rf_pool_rows(pool, in->height, EXTREME_ROWS, extreme_rows, &job);
}

RF_HOT_PART void lower_first(float *a, float *b)
{
    float low = *a < *b ? *a : *b, high = *a < *b ? *b : *a;
    *a = low;
    *b = high;
}

/* Medians of nine by the exchange network of J. L. Smith, "Implementing median filters in XC4000E FPGAs", Xcell 23,
 * 1996. Pixel x has its neighbours at x, x + 1 and x + 2 of the rows. */
RF_HOT static void median_row(const float *restrict above, const float *restrict here, const float *restrict below,
                              int n, float *restrict out)
{
    for (int x = 0; x < n; x++) {
        float a = above[x], b = above[x + 1], c = above[x + 2], d = here[x], e = here[x + 1], f = here[x + 2];
        float g = below[x], h = below[x + 1], i = below[x + 2];
        lower_first(&b, &c);
        lower_first(&e, &f);
        lower_first(&h, &i);
        lower_first(&a, &b);
        lower_first(&d, &e);
        lower_first(&g, &h);
        lower_first(&b, &c);
        lower_first(&e, &f);
        lower_first(&h, &i);
        lower_first(&a, &d);
        lower_first(&f, &i);
        lower_first(&e, &h);
        lower_first(&d, &g);
        lower_first(&b, &e);
        lower_first(&c, &f);
        lower_first(&e, &h);
        lower_first(&e, &c);
        lower_first(&g, &e);
        lower_first(&e, &c);
        out[x] = e;
    }
}

static void median_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const plane_job *job = arg;
    int width = job->in->width, height = job->in->height;
    for (int y = begin; y < end; y++) {
        const float *row[3];
        float side[3][3], *out = rf_image_row_f32(job->out, y);
        for (int dy = -1; dy <= 1; dy++)
            row[dy + 1] = rf_image_row_f32(job->in, rf_clamp_int(y + dy, 0, height - 1));
        median_row(row[0], row[1], row[2], width - 2, out + 1);
        int to_last = width > 1 ? width - 1 : 1;
        for (int x = 0; x < width; x += to_last) { /* the first and the last */
            for (int n = 0; n < 9; n++)
                side[n / 3][n % 3] = row[n / 3][rf_clamp_int(x + n % 3 - 1, 0, width - 1)];
            median_row(side[0], side[1], side[2], 1, out + x);
        }
    }
}

void rf_plane_median(const rf_image *in, rf_image *out, rf_pool *pool)
{
    plane_job job = {.in = in, .out = out};
    rf_pool_rows(pool, in->height, RF_DEPTH_BLOCK_ROWS, median_rows, &job);
}

/* A row of finer pixels: bilinear between the four places around each when they show one surface, else the one it lies
 * in. Between places i and i + 1 lie the pixels 2 i + 1 and 2 i + 2. `top` and `bottom`: the rows of places around it,
 * the lower one weighing fy; `own`: the one it lies in. */
RF_HOT static void finer_row(const float *restrict top, const float *restrict bottom, const float *restrict own,
                             float fy, int places, float *restrict out)
{
    for (int i = 0; i + 1 < places; i++) {
        float p = top[i], q = top[i + 1], r = bottom[i], s = bottom[i + 1];
        float spread = rf_higher(rf_higher(p, q), rf_higher(r, s)) - rf_lower(rf_lower(p, q), rf_lower(r, s));
        int apart = spread > RF_SAME_STEPS;
        float left = (p * 0.75f + q * 0.25f) * (1.0f - fy) + (r * 0.75f + s * 0.25f) * fy;
        float right = (p * 0.25f + q * 0.75f) * (1.0f - fy) + (r * 0.25f + s * 0.75f) * fy;
        out[2 * i + 1] = apart ? own[i] : left;
        out[2 * i + 2] = apart ? own[i + 1] : right;
    }
}

/* The pixels beyond the first and the last place lie between two rows of it alone. */
void rf_plane_finer(const rf_image *way, int y, int n, float *out)
{
    int width = way->width, last = way->height - 1, j = y % 2 == 0 ? y / 2 - 1 : y / 2;
    float fy = y % 2 == 0 ? 0.75f : 0.25f;
    const float *top = rf_image_row_f32(way, rf_clamp_int(j, 0, last));
    const float *bottom = rf_image_row_f32(way, rf_clamp_int(j + 1, 0, last));
    const float *own = rf_image_row_f32(way, rf_clamp_int(y / 2, 0, last));
    finer_row(top, bottom, own, fy, width, out);
    for (int x = 0; x < n; x = x == 0 ? 2 * width - 1 : x + 1) {
        int i = x == 0 ? 0 : width - 1;
        float above = top[i] * 0.25f + top[i] * 0.75f, below = bottom[i] * 0.25f + bottom[i] * 0.75f;
        out[x] = fabsf(top[i] - bottom[i]) > RF_SAME_STEPS ? own[i] : above * (1.0f - fy) + below * fy;
    }
}

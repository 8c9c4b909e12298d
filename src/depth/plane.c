/* plane.c - small neighbourhood filters on planes of floats. */
#include <math.h>

#include "base/hot.h"
#include "depth/state.h"

enum { MAX_RADIUS = 16 };

typedef struct plane_job {
    const rf_image *in;
    rf_image *out;
    float radius, sign;
} plane_job;

RF_HOT static void extreme_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const plane_job *job = arg;
    int width = job->in->width, height = job->in->height, reach = (int)job->radius;
    for (int y = begin; y < end; y++) {
        float *out = rf_image_row_f32(job->out, y);
        for (int x = 0; x < width; x++)
            out[x] = INFINITY;
        for (int dy = -reach; dy <= reach; dy++) {
            int half = (int)sqrtf(job->radius * job->radius - (float)(dy * dy));
            const float *row = rf_image_row_f32(job->in, rf_clamp_int(y + dy, 0, height - 1));
            for (int dx = -half; dx <= half; dx++) {
                int first = dx < 0 ? -dx : 0, last = dx > 0 ? width - dx : width;
                for (int x = first; x < last; x++) {
                    float v = job->sign * row[x + dx];
                    out[x] = v < out[x] ? v : out[x];
                }
            }
        }
        for (int x = 0; x < width; x++)
            out[x] *= job->sign;
    }
}

void rf_plane_extreme(const rf_image *in, rf_image *out, float radius, float sign, rf_pool *pool)
{
    plane_job job = {in, out, radius, sign};
    rf_pool_rows(pool, in->height, RF_DEPTH_BLOCK_ROWS, extreme_rows, &job);
}

static inline void sort_pair(float *a, float *b)
{
    float low = *a < *b ? *a : *b, high = *a < *b ? *b : *a;
    *a = low;
    *b = high;
}

/* Nine values by the exchange network of J. L. Smith, "Implementing median filters in XC4000E FPGAs", Xcell 23, 1996.
 */
static float median_of_nine(float v[9])
{
    static const unsigned char PAIR[19][2] = {{1, 2}, {4, 5}, {7, 8}, {0, 1}, {3, 4}, {6, 7}, {1, 2},
                                              {4, 5}, {7, 8}, {0, 3}, {5, 8}, {4, 7}, {3, 6}, {1, 4},
                                              {2, 5}, {4, 7}, {4, 2}, {6, 4}, {4, 2}};
    for (int i = 0; i < 19; i++)
        sort_pair(&v[PAIR[i][0]], &v[PAIR[i][1]]);
    return v[4];
}

RF_HOT static void median_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const plane_job *job = arg;
    int width = job->in->width, height = job->in->height;
    for (int y = begin; y < end; y++) {
        const float *row[3];
        for (int dy = -1; dy <= 1; dy++)
            row[dy + 1] = rf_image_row_f32(job->in, rf_clamp_int(y + dy, 0, height - 1));
        float *out = rf_image_row_f32(job->out, y);
        for (int x = 0; x < width; x++) {
            int left = x > 0 ? x - 1 : 0, right = x < width - 1 ? x + 1 : x;
            float v[9] = {row[0][left],  row[0][x],    row[0][right], row[1][left], row[1][x],
                          row[1][right], row[2][left], row[2][x],     row[2][right]};
            out[x] = median_of_nine(v);
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

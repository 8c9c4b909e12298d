/* dust.c - where dust may lie: the survey at half and quarter size, and the crops its suspects are judged on.
 *
 * At every pixel of the reduced log luma, smoothed a little, D is how much darker the pixel is than the mean of eight
 * samples 5 px around it. They form four pairs of opposites, which cancel a slope; how much the pairs differ says
 * whether the surroundings are even enough to judge. D over those quiet frames alone must be steady; D over all frames
 * says how much the take changes at this scale. */
#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "faults.h"
#include "railfold/memory.h"

enum { RING_PX = DUST_RING_PX };
enum {
    BLOCK_ROWS = 64,                           /* 14 more are made for each block */
    LOG_ROWS = 5,                              /* that smoothing reaches */
    SMOOTH_ROWS = 2 * RING_PX + 1,             /* that a dip does */
    SCRATCH_ROWS = LOG_ROWS + SMOOTH_ROWS + 2, /* and one each for columns and codes */
    PAD = 4,
    CHUNK = 32
};
static const float DARKEST = 0.002f;  /* linear: keeps the logarithm of black finite and noise in it small */
static const float LEAST_DIP = 0.03f; /* of log luma; fainter dust hardly shows */
static const float EVEN = 0.2f;       /* the pairs' spread, as a share of D, at most */

/* Natural logarithm of a positive, normal number, within 2e-7 of it or of 1: exponent and mantissa apart, and the
 * series of ln((1 + t) / (1 - t)) = 2 (t + t^3 / 3 + ...) for a mantissa from 1 / sqrt(2) to sqrt(2), |t| < 0.172. */
static inline float log_of(float v)
{
    int32_t bits, exponent;
    memcpy(&bits, &v, sizeof bits);
    exponent = (bits - 0x3F3504F3) >> 23;
    bits -= exponent * (1 << 23);
    memcpy(&v, &bits, sizeof v);
    float t = (v - 1.0f) / (v + 1.0f), t2 = t * t;
    return (float)exponent * 0.69314718f + 2.0f * t * (1.0f + t2 * (1.0f / 3 + t2 * (1.0f / 5 + t2 * (1.0f / 7))));
}

/* ---- memory ---- */

/* Log of linear light for each luma code from 0 to `white`. */
static rf_status open_table(float **table, int white, rf_error *err)
{
    rf_status status = rf_alloc(table, (size_t)white + 1, sizeof **table, "the search for dust", err);
    for (int v = 0; status == RF_OK && v <= white; v++)
        (*table)[v] = log_of(rf_linear_from_coded((float)v / (float)white) + DARKEST);
    return status;
}

static rf_status open_level(dust_finder *self, dust_level *level, int reduce, rf_pool *pool, rf_error *err)
{
    rf_status status;
    rf_image *sums[] = {&level->quiet_sum, &level->quiet_square, &level->sum, &level->square};
    size_t count = level == self->level ? 4 : 2; /* whether a take changes is told by the finest level */
    level->reduce = reduce;
    level->width = self->width / reduce;
    level->height = self->height / reduce;
    RF_TRY(open_table(&level->log_of, self->sample == RF_U8 ? 255 * reduce * reduce : 65535, err));
    for (size_t i = 0; i < count; i++) {
        int height = i < 2 ? level->height : (level->height - 1) / DUST_SHARE_ROWS + 1;
        RF_TRY(rf_image_alloc_raw(sums[i], level->width, height, 1, RF_F32, "the search for dust", err));
        rf_image_clear(sums[i], pool);
    }
    RF_TRY(rf_alloc(&level->quiet, (size_t)level->width * (size_t)level->height, 1, "the search for dust", err));
done:
    return status;
}

rf_status rf_dust_open(dust_finder *self, int width, int height, rf_sample sample, rf_pool *pool, rf_error *err)
{
    rf_status status;
    *self = (dust_finder){.width = width, .height = height, .sample = sample};
    RF_TRY(open_table(&self->log_of, sample == RF_U8 ? 255 : 65535, err));
    while (self->levels < DUST_LEVELS && width >> (self->levels + 1) > 4 * RING_PX &&
           height >> (self->levels + 1) > 4 * RING_PX) {
        self->levels++;
        RF_TRY(open_level(self, &self->level[self->levels - 1], 1 << self->levels, pool, err));
    }
    self->scratch_floats = (size_t)SCRATCH_ROWS * ((size_t)width / 2 + PAD) + (size_t)width;
    RF_TRY(rf_alloc(&self->scratch, (size_t)rf_pool_threads(pool) * self->scratch_floats, sizeof *self->scratch,
                    "the search for dust", err));
done:
    return status;
}

void rf_dust_close(dust_finder *self)
{
    for (int l = 0; l < DUST_LEVELS; l++) {
        dust_level *level = &self->level[l];
        rf_image *sums[] = {&level->sum, &level->square, &level->quiet_sum, &level->quiet_square};
        for (size_t i = 0; i < sizeof sums / sizeof sums[0]; i++)
            rf_image_free(sums[i]);
        rf_free(level->quiet);
        rf_free(level->log_of);
    }
    for (int i = 0; i < self->count; i++)
        rf_free(self->suspects[i].crops);
    rf_free(self->suspects);
    rf_free(self->log_of);
    rf_free(self->scratch);
    *self = (dust_finder){0};
}

/* ---- survey: rows of log luma, smoothed, and their dips, handed on while they are near ---- */

typedef struct survey_job {
    dust_finder *self;
    const rf_image *luma;
    dust_level *level;
} survey_job;

/* A thread's rows: row y of the log lies in log[y % LOG_ROWS], of the smoothed log in smooth[y % SMOOTH_ROWS]. */
typedef struct survey_rows {
    float *log[LOG_ROWS], *smooth[SMOOTH_ROWS], *column;
    void *columns, *codes; /* sums of samples one above the other, and of those side by side */
} survey_rows;

static survey_rows rows_of(const dust_finder *self, int thread)
{
    survey_rows rows;
    size_t row = (size_t)self->width / 2 + PAD;
    float *at = self->scratch + (size_t)thread * self->scratch_floats;
    rows.columns = at;
    rows.codes = at + self->width;
    at += (size_t)self->width + row;
    for (int i = 0; i < LOG_ROWS; i++, at += row)
        rows.log[i] = at;
    for (int i = 0; i < SMOOTH_ROWS; i++, at += row)
        rows.smooth[i] = at;
    rows.column = at + PAD / 2;
    return rows;
}

#define LOOK_UP(name, type)                                                                                            \
    static void name(float *restrict out, const type *restrict codes, int n, const float *table)                       \
    {                                                                                                                  \
        for (int i = 0; i < n; i++)                                                                                    \
            out[i] = table[codes[i]];                                                                                  \
    }

LOOK_UP(look_up_u8, uint8_t)
LOOK_UP(look_up_u16, uint16_t)

/* Codes of one level's row: of 8-bit luma the sum over each block of reduce x reduce, of 16-bit luma its mean. */
#define BLOCK_CODES(name, type, sum_type, shift_of_two, shift_of_four)                                                 \
    RF_HOT static void name(const void *const rows[4], int reduce, sum_type *restrict columns,                         \
                            uint16_t *restrict codes, int n)                                                           \
    {                                                                                                                  \
        const type *restrict a = rows[0], *restrict b = rows[1], *restrict c = rows[2], *restrict d = rows[3];         \
        if (reduce == 2) {                                                                                             \
            for (int x = 0; x < n; x++)                                                                                \
                codes[x] = (uint16_t)((a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]) >> (shift_of_two));          \
            return;                                                                                                    \
        }                                                                                                              \
        for (int x = 0; x < 4 * n; x++)                                                                                \
            columns[x] = (sum_type)(a[x] + b[x] + c[x] + d[x]);                                                        \
        for (int x = 0; x < n; x++)                                                                                    \
            codes[x] = (uint16_t)((columns[4 * x] + columns[4 * x + 1] + columns[4 * x + 2] + columns[4 * x + 3]) >>   \
                                  (shift_of_four));                                                                    \
    }

BLOCK_CODES(block_codes_u8, uint8_t, uint16_t, 0, 0)
BLOCK_CODES(block_codes_u16, uint16_t, uint32_t, 2, 4)

static void log_row(const survey_job *job, int y, const survey_rows *own, float *restrict out)
{
    const dust_level *level = job->level;
    const void *rows[4];
    for (int i = 0; i < 4; i++)
        rows[i] = rf_image_row(job->luma, level->reduce * y + (i < level->reduce ? i : 0));
    if (job->luma->sample == RF_U8)
        block_codes_u8(rows, level->reduce, own->columns, own->codes, level->width);
    else
        block_codes_u16(rows, level->reduce, own->columns, own->codes, level->width);
    look_up_u16(out, own->codes, level->width, level->log_of);
}

/* Binomial 1 4 6 4 1 both ways: a standard deviation of 1 px. */
RF_HOT static void smooth_row(float *const row[LOG_ROWS], float *restrict column, float *restrict out, int width)
{
    for (int x = 0; x < width; x++)
        column[x] = (row[0][x] + row[4][x] + 4.0f * (row[1][x] + row[3][x]) + 6.0f * row[2][x]) * (1.0f / 16.0f);
    for (int i = 1; i <= 2; i++)
        column[-i] = column[0], column[width - 1 + i] = column[width - 1];
    for (int x = 0; x < width; x++)
        out[x] = (column[x - 2] + column[x + 2] + 4.0f * (column[x - 1] + column[x + 1]) + 6.0f * column[x]) *
                 (1.0f / 16.0f);
}

/* Dips of one row of a level, and which of them lie in even surroundings; `smooth` are its rows y - 5, y - 4, y, y + 4,
 * y + 5. */
RF_HOT static void dip_row(float *const smooth[5], float *restrict dips, uint8_t *restrict even, int width)
{
    const float *above = smooth[0], *high = smooth[1], *here = smooth[2], *low = smooth[3], *below = smooth[4];
    for (int x = RING_PX; x < width - RING_PX; x++) {
        /* east, west, south, north, and the diagonals */
        float e = here[x + 5], w = here[x - 5], n = above[x], o = below[x];
        float ne = high[x + 4], nw = high[x - 4], oe = low[x + 4], ow = low[x - 4];
        float ring = 0.125f * (e + w + n + o + ne + nw + oe + ow), dip = ring - here[x];
        float along = 5.0f * (e - w) + 4.0f * (ne + oe - nw - ow), down = 5.0f * (o - n) + 4.0f * (oe + ow - ne - nw);
        float squares = e * e + w * w + n * n + o * o + ne * ne + nw * nw + oe * oe + ow * ow;
        float spread = 0.125f * (squares - (along * along + down * down) * (1.0f / 114.0f)) - ring * ring;
        dips[x] = dip;
        even[x] = (uint8_t)((dip > LEAST_DIP) & (spread < EVEN * EVEN * dip * dip));
    }
}

RF_HOT static void add_dips(float *restrict sum, float *restrict square, const float *restrict dips, int width)
{
    for (int x = RING_PX; x < width - RING_PX; x++) {
        sum[x] += dips[x];
        square[x] += dips[x] * dips[x];
    }
}

/* Most of a picture has none: what is not gained by is not touched. */
RF_HOT static void add_even_dips(float *restrict sum, float *restrict square, uint8_t *restrict count,
                                 const float *restrict dips, const uint8_t *restrict even, int width)
{
    for (int begin = 0; begin < width; begin += CHUNK) {
        uint64_t any[CHUNK / 8];
        int end = begin + CHUNK < width ? begin + CHUNK : width;
        memcpy(any, even + begin, sizeof any);
        if ((any[0] | any[1] | any[2] | any[3]) == 0)
            continue;
        for (int x = begin; x < end; x++) {
            float dip = even[x] ? dips[x] : 0.0f;
            sum[x] += dip;
            square[x] += dip * dip;
            count[x] = (uint8_t)(count[x] + even[x]);
        }
    }
}

/* What row y of the level's statistics gains by the current frame. */
static void add_row(dust_level *level, int y, const survey_rows *rows)
{
    static const int offset[5] = {-5, -4, 0, 4, 5};
    int width = level->width;
    float *smooth[5], *dips = rows->columns; /* both are done with for now */
    uint8_t *even = rows->codes;
    for (int i = 0; i < 5; i++)
        smooth[i] = rows->smooth[(y + offset[i]) % SMOOTH_ROWS];
    memset(even, 0, RING_PX);
    memset(even + width - RING_PX, 0, RING_PX + CHUNK);
    dip_row(smooth, dips, even, width);
    add_even_dips(rf_image_row_f32(&level->quiet_sum, y), rf_image_row_f32(&level->quiet_square, y),
                  level->quiet + (size_t)y * (size_t)width, dips, even, width);
    if (level->sum.data != NULL && y % DUST_SHARE_ROWS == 0)
        add_dips(rf_image_row_f32(&level->sum, y / DUST_SHARE_ROWS),
                 rf_image_row_f32(&level->square, y / DUST_SHARE_ROWS), dips, width);
}

static void survey_block(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    const survey_job *job = arg;
    dust_level *level = job->level;
    survey_rows rows = rows_of(job->self, thread);
    int last = level->height - 1;
    begin = begin > RING_PX ? begin : RING_PX;
    end = end < level->height - RING_PX ? end : level->height - RING_PX;
    int logs = rf_clamp_int(begin - RING_PX - 2, 0, last); /* the next to be made */
    for (int y = begin - RING_PX; begin < end && y < end + RING_PX; y++) {
        float *around[LOG_ROWS];
        for (; logs <= rf_clamp_int(y + 2, 0, last); logs++)
            log_row(job, logs, &rows, rows.log[logs % LOG_ROWS]);
        for (int i = 0; i < LOG_ROWS; i++)
            around[i] = rows.log[rf_clamp_int(y + i - 2, 0, last) % LOG_ROWS];
        smooth_row(around, rows.column, rows.smooth[y % SMOOTH_ROWS], level->width);
        if (y - RING_PX >= begin)
            add_row(level, y - RING_PX, &rows);
    }
}

void rf_dust_survey(dust_finder *self, const rf_image *luma, rf_pool *pool)
{
    for (int l = 0; l < self->levels; l++) {
        survey_job job = {.self = self, .luma = luma, .level = &self->level[l]};
        rf_pool_rows(pool, job.level->height, BLOCK_ROWS, survey_block, &job);
    }
    self->surveyed++;
}

/* ---- examination ---- */

/* Log luma around a suspect; NAN out of the picture. */
static void take_crop(const dust_finder *self, const rf_image *luma, const dust_suspect *suspect, float *crop)
{
    int left = suspect->x - DUST_REACH;
    int from = rf_clamp_int(-left, 0, DUST_SIDE), to = rf_clamp_int(self->width - left, 0, DUST_SIDE);
    for (int row = 0; row < DUST_SIDE; row++, crop += DUST_SIDE) {
        int y = suspect->y - DUST_REACH + row, inside = y >= 0 && y < self->height;
        for (int i = 0; i < DUST_SIDE; i++)
            if (!inside || i < from || i >= to)
                crop[i] = NAN;
        if (inside && self->sample == RF_U8)
            look_up_u8(crop + from, (const uint8_t *)rf_image_row(luma, y) + left + from, to - from, self->log_of);
        else if (inside)
            look_up_u16(crop + from, (const uint16_t *)rf_image_row(luma, y) + left + from, to - from, self->log_of);
    }
}

typedef struct examine_job {
    dust_finder *self;
    const rf_image *luma;
} examine_job;

static void examine_suspects(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const examine_job *job = arg;
    const dust_finder *self = job->self;
    for (int i = begin; i < end; i++)
        take_crop(self, job->luma, &self->suspects[i], self->suspects[i].crops + (size_t)self->examined * DUST_AREA);
}

void rf_dust_examine(dust_finder *self, const rf_image *luma, rf_pool *pool)
{
    examine_job job = {.self = self, .luma = luma};
    rf_pool_rows(pool, self->count, 1, examine_suspects, &job);
    self->examined++;
}

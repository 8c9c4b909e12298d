/* sensor.c - see sensor.h. */
#include "sensor.h"

#include "numeric.h"
#include "railfold/memory.h"

rf_status sensor_make(sensor *self, const take_options *options, rf_error *err)
{
    rf_status status;
    float small = (float)(options->height < 400 ? options->height / 400.0 : 1);
    *self =
        (sensor){.hot_count = options->hot_pixels, .dust_count = options->dust_spots, .noise = (float)options->noise};
    self->seed = take_hash(options->seed ^ 0x6e6f697365u);
    take_normal_table(self->normal);
    RF_TRY(rf_alloc(&self->hot, (size_t)self->hot_count, sizeof *self->hot, "the hot pixels", err));
    RF_TRY(rf_alloc(&self->dust, (size_t)self->dust_count, sizeof *self->dust, "the dust", err));
    take_random random = take_random_start(options->seed, "hot pixels");
    for (int i = 0; i < self->hot_count; i++) {
        hot_pixel *hot = &self->hot[i];
        hot->x = take_random_below(&random, options->width);
        hot->y = take_random_below(&random, options->height);
        int strongest = take_random_below(&random, 3);
        for (int c = 0; c < 3; c++)
            hot->added[c] =
                c == strongest ? take_random_between(&random, 0.35f, 0.9f) : take_random_between(&random, 0.02f, 0.12f);
    }
    random = take_random_start(options->seed, "dust");
    for (int i = 0; i < self->dust_count; i++) {
        dust_spot *dust = &self->dust[i];
        dust->x = (float)options->width * take_random_between(&random, 0.15f, 0.85f);
        dust->y = (float)options->height * take_random_between(&random, 0.10f, 0.60f);
        dust->radius = small * take_random_between(&random, 6, 10);
        dust->dip = take_random_between(&random, 0.15f, 0.28f);
    }
    return RF_OK;
done:
    sensor_free(self);
    return status;
}

void sensor_free(sensor *self)
{
    rf_free(self->hot);
    rf_free(self->dust);
    self->hot = NULL;
    self->dust = NULL;
}

typedef struct develop_job {
    const sensor *self;
    float *rgb;
    float gain;
    uint64_t stream;
    rf_image *out;
} develop_job;

static float normal_deviate(const sensor *self, uint32_t bits)
{
    return self->normal[bits >> (32 - TAKE_NORMAL_BITS)];
}

/* Light kept by the dust at a row, for columns near it. */
static void dust_row(const sensor *self, float *row, int width, int y)
{
    for (int i = 0; i < self->dust_count; i++) {
        const dust_spot *d = &self->dust[i];
        float reach = 2.5f * d->radius, dy = (float)y - d->y;
        if (fabsf(dy) > reach)
            continue;
        for (int x = (int)maxf(0, d->x - reach); x < width && (float)x <= d->x + reach; x++) {
            float dx = (float)x - d->x, square = (dx * dx + dy * dy) / (d->radius * d->radius);
            float kept = 1 - d->dip * take_exp2(-square * square); /* flat in the middle, half at the radius */
            for (int c = 0; c < 3; c++)
                row[3 * x + c] *= kept;
        }
    }
}

static void code_row(const float *row, rf_image *out, int y)
{
    size_t samples = (size_t)out->width * 3;
    uint8_t *bytes = rf_image_row(out, y);
    uint16_t *words = rf_image_row(out, y);
    for (size_t i = 0; i < samples; i++) {
        float coded = take_coded_from_linear(row[i]);
        if (out->sample == RF_U8)
            bytes[i] = (uint8_t)(coded * 255 + 0.5f);
        else
            words[i] = (uint16_t)(coded * 65535 + 0.5f);
    }
}

static void noise_row(const develop_job *job, float *row, int width, int y)
{
    const float shot = job->self->noise * job->self->noise / SENSOR_FULL_ELECTRONS;
    const float read = job->self->noise * SENSOR_READ_ELECTRONS / SENSOR_FULL_ELECTRONS;
    for (int x = 0; x < width; x++) {
        uint64_t at = (uint64_t)y * (uint64_t)width + (uint64_t)x;
        uint64_t first = take_hash(job->stream ^ at), second = take_hash(first);
        uint32_t bits[3] = {(uint32_t)first, (uint32_t)(first >> 32), (uint32_t)second};
        for (int c = 0; c < 3; c++) {
            float *light = &row[3 * x + c];
            *light += sqrtf(shot * *light + read * read) * normal_deviate(job->self, bits[c]);
        }
    }
}

static void develop_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    (void)block;
    (void)thread;
    const develop_job *job = arg;
    int width = job->out->width;
    for (int y = row_begin; y < row_end; y++) {
        float *row = job->rgb + (size_t)y * (size_t)width * 3;
        for (int i = 0; i < 3 * width; i++)
            row[i] *= job->gain;
        dust_row(job->self, row, width, y);
        for (int i = 0; i < job->self->hot_count; i++)
            if (job->self->hot[i].y == y)
                for (int c = 0; c < 3; c++)
                    row[3 * job->self->hot[i].x + c] += job->self->hot[i].added[c];
        if (job->self->noise > 0)
            noise_row(job, row, width, y);
        code_row(row, job->out, y);
    }
}

void sensor_develop(const sensor *self, float *rgb, double gain, int number, rf_image *out, rf_pool *pool)
{
    develop_job job = {.self = self, .rgb = rgb, .gain = (float)gain, .out = out};
    job.stream = take_hash(self->seed + (uint64_t)number);
    rf_pool_rows(pool, out->height, 16, develop_rows, &job);
}

static void code_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    (void)block;
    (void)thread;
    const develop_job *job = arg;
    for (int y = row_begin; y < row_end; y++)
        code_row(job->rgb + (size_t)y * (size_t)job->out->width * 3, job->out, y);
}

void sensor_code(const float *rgb, rf_image *out, rf_pool *pool)
{
    develop_job job = {.rgb = (float *)(uintptr_t)rgb, .out = out};
    rf_pool_rows(pool, out->height, 16, code_rows, &job);
}

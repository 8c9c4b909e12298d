/* write_map.c - rows of floats into files, and maps with what their text says of them. */
#include "write_map.h"

#include <math.h>
#include <string.h>
#include <strings.h>

#include "base/hot.h"
#include "railfold/depth_view.h"
#include "railfold/memory.h"

enum { BAND_ROWS = 64 };

typedef struct band_job {
    const rf_image *image;
    int first; /* row of the picture that is the band's first */
    rf_sample sample;
    rf_map_scale scale;
    char *band;
    size_t row_bytes;
    float *lines; /* one a thread */
} band_job;

/* A map's grain in its own units, of which a step is `per_step`: far finer than any map is exact. A power of two, so
 * that what is a multiple of it ends in zeros, and deflates to less than half. */
static float grain_of(rf_map_kind kind, double per_step)
{
    double grain = kind == RF_MAP_DEPTH   ? per_step / 1024
                   : kind == RF_MAP_SIGMA ? per_step / 4096
                                          : 1.0 / 4096; /* confidence, 0 to 1 */
    return (float)exp2(floor(log2(grain)));
}

RF_HOT static void round_row(float *row, size_t n, float grain)
{
    for (size_t i = 0; i < n; i++)
        row[i] = rintf(row[i] / grain) * grain;
}

static void convert_rows(void *arg, int begin, int end, int block, int thread)
{
    const band_job *job = arg;
    (void)block;
    size_t n = (size_t)job->image->width * (size_t)job->image->channels;
    float *line = job->lines + (size_t)thread * n;
    for (int y = begin; y < end; y++) {
        const float *from = rf_image_row_f32(job->image, job->first + y);
        for (size_t i = 0; i < n; i++)
            line[i] = (from[i] - job->scale.offset) / job->scale.scale;
        if (job->sample == RF_F32)
            round_row(line, n, job->scale.grain);
        rf_row_from_f32(job->band + (size_t)y * job->row_bytes, line, job->sample, n);
    }
}

rf_status rf_write_rows(rf_writer *writer, const rf_image *image, rf_sample sample, rf_map_scale scale, rf_pool *pool,
                        rf_error *err)
{
    rf_status status = RF_OK;
    size_t n = (size_t)image->width * (size_t)image->channels;
    band_job job = {.image = image, .sample = sample, .scale = scale, .row_bytes = n * rf_sample_bytes(sample)};
    RF_TRY(rf_alloc_raw(&job.band, BAND_ROWS, job.row_bytes, "a band of the output", err));
    RF_TRY(rf_alloc_raw(&job.lines, (size_t)rf_pool_threads(pool) * n, sizeof *job.lines, "a row of the output", err));
    for (; job.first < image->height; job.first += BAND_ROWS) {
        int rows = image->height - job.first < BAND_ROWS ? image->height - job.first : BAND_ROWS;
        rf_pool_rows(pool, rows, 8, convert_rows, &job);
        RF_TRY(rf_writer_rows(writer, job.band, job.row_bytes, rows, err));
    }
done:
    rf_free(job.band);
    rf_free(job.lines);
    return status;
}

int rf_path_ends_with(const char *path, const char *ending)
{
    size_t n = strlen(path), m = strlen(ending);
    return n >= m && strcasecmp(path + n - m, ending) == 0;
}

static int is_tiff(const char *path)
{
    return rf_path_ends_with(path, ".tif") || rf_path_ends_with(path, ".tiff");
}

rf_status rf_write_map(const rf_map_job *job, rf_writer **writer, rf_error *err)
{
    char text[RF_MAP_TEXT_BYTES];
    int as_float = is_tiff(job->path);
    float low = 0, high = 1;
    rf_map_facts facts = job->facts;
    double unit_scale = facts.metric ? job->options->step_mm : 1, sign = job->turned_at > 0 ? -1 : 1;
    rf_map_scale scale = {job->turned_at, (float)(sign / unit_scale), grain_of(facts.kind, unit_scale)};
    facts.scale = 1;
    if (!as_float) {
        if (facts.kind != RF_MAP_CONFIDENCE && !rf_depth_range(job->map, 0, &low, &high))
            low = 0, high = 1;
        scale = (rf_map_scale){low, high > low ? high - low : 1, 0};
        facts.scale = (double)scale.scale * unit_scale / 65535;
        facts.offset = (double)low * unit_scale;
    }
    rf_map_text_write(&facts, text);
    rf_picture_spec spec = {.width = job->map->width,
                            .height = job->map->height,
                            .channels = 1,
                            .sample = as_float ? RF_F32 : RF_U16,
                            .description = text,
                            .pool = job->pool};
    rf_status status = rf_writer_open(writer, job->path, &spec, job->options->force, err);
    return status != RF_OK ? status : rf_write_rows(*writer, job->map, spec.sample, scale, job->pool, err);
}

static void write_aside(void *arg)
{
    rf_map_file *file = arg;
    file->status = rf_write_map(&file->job, &file->writer, &file->err);
}

void rf_map_file_begin(rf_map_file *file, const rf_map_job *job, rf_pool *pool)
{
    if (!is_tiff(job->path)) /* the others' values are spread over the map's range, which is not known yet */
        return;
    *file = (rf_map_file){.job = *job, .pool = pool, .begun = 1};
    file->job.pool = NULL;
    rf_pool_side_on(pool, RF_POOL_LANE_BESIDE, write_aside, file);
}

rf_status rf_map_file_end(rf_map_file *file, rf_writer **writer, rf_error *err)
{
    rf_pool_join_on(file->pool, RF_POOL_LANE_BESIDE);
    file->begun = 0;
    *writer = file->writer;
    file->writer = NULL;
    return file->status == RF_OK ? RF_OK : rf_fail(err, file->status, "%s", file->err.text);
}

void rf_map_file_wait(rf_map_file *file)
{
    if (file->begun)
        rf_pool_join_on(file->pool, RF_POOL_LANE_BESIDE);
}

void rf_map_file_drop(rf_map_file *file)
{
    rf_map_file_wait(file);
    rf_writer_abort(&file->writer);
    file->begun = 0;
}

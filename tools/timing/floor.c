/* floor.c - decodes, traffic, and the order of a plain pyramid merge. */
#define _DEFAULT_SOURCE /* getrusage */
#include "floor.h"

#include <sys/resource.h>
#include <time.h>

#include "plain_pyramid.h"
#include "railfold/memory.h"

clocks clocks_now(void)
{
    struct timespec t;
    struct rusage use;
    clock_gettime(CLOCK_MONOTONIC, &t);
    getrusage(RUSAGE_SELF, &use);
    return (clocks){(double)t.tv_sec + 1e-9 * (double)t.tv_nsec,
                    (double)(use.ru_utime.tv_sec + use.ru_stime.tv_sec) +
                        1e-6 * (double)(use.ru_utime.tv_usec + use.ru_stime.tv_usec)};
}

void clocks_add_since(clocks *spent, clocks since)
{
    clocks t = clocks_now();
    spent->wall_s += t.wall_s - since.wall_s;
    spent->cpu_s += t.cpu_s - since.cpu_s;
}

typedef struct floor_job {
    const rf_sequence *take;
    rf_frame_limits limits;
    rf_image *frame; /* one a thread, decoded last */
    rf_image sum, weight;
    int failed;
} floor_job;

static void decode_frames(void *arg, int begin, int end, int block, int thread)
{
    floor_job *job = arg;
    (void)block;
    for (int k = begin; k < end; k++)
        if (rf_frame_read(job->take->paths[k], &job->limits, &job->frame[thread], NULL, NULL, NULL) != RF_OK)
            job->failed = 1;
}

static void add_rows(void *arg, int begin, int end, int block, int thread)
{
    floor_job *job = arg;
    const rf_image *frame = &job->frame[0];
    (void)block;
    (void)thread;
    size_t n = (size_t)frame->width * (size_t)frame->channels;
    for (int y = begin; y < end; y++) {
        float *sum = rf_image_row_f32(&job->sum, y), *weight = rf_image_row_f32(&job->weight, y);
        const void *from = rf_image_row(frame, y);
        for (int x = 0; x < frame->width; x++)
            weight[x] += 0.5f;
        if (frame->sample == RF_U8)
            for (size_t i = 0; i < n; i++)
                sum[i] += 0.5f * (float)((const uint8_t *)from)[i];
        else
            for (size_t i = 0; i < n; i++)
                sum[i] += 0.5f * (float)((const uint16_t *)from)[i];
    }
}

static rf_status measure_traffic(floor_job *job, int count, rf_pool *pool, clocks *spent, rf_error *err)
{
    rf_status status;
    const rf_image *frame = &job->frame[0];
    RF_TRY(rf_image_alloc(&job->sum, frame->width, frame->height, frame->channels, RF_F32, "the floor", err));
    RF_TRY(rf_image_alloc(&job->weight, frame->width, frame->height, 1, RF_F32, "the floor", err));
    rf_pool_rows(pool, frame->height, 16, add_rows, job); /* memory touched once before the clock runs */
    clocks start = clocks_now();
    for (int k = 0; k < count; k++)
        rf_pool_rows(pool, frame->height, 16, add_rows, job);
    clocks_add_since(spent, start);
done:
    return status;
}

static rf_status write_picture(const rf_image *picture, const char *output, rf_pool *pool, rf_error *err)
{
    rf_status status;
    rf_writer *writer = NULL;
    rf_picture_spec spec = {.width = picture->width,
                            .height = picture->height,
                            .channels = picture->channels,
                            .sample = picture->sample,
                            .pool = pool};
    RF_TRY(rf_writer_open(&writer, output, &spec, 1, err));
    RF_TRY(rf_writer_rows(writer, picture->data, picture->stride_bytes, picture->height, err));
    RF_TRY(rf_writer_commit(&writer, err));
done:
    rf_writer_abort(&writer);
    return status;
}

/* The frames are read again one by one; only what comes after a decode is on this clock. */
static rf_status measure_pyramid(floor_job *job, const char *output, rf_pool *pool, floors *out, rf_error *err)
{
    rf_status status;
    plain_pyramid *pyramid = NULL;
    rf_image picture = {0};
    const rf_image *frame = &job->frame[0];
    RF_TRY(plain_pyramid_create(&pyramid, frame->width, frame->height, frame->channels, pool, err));
    RF_TRY(rf_image_alloc(&picture, frame->width, frame->height, frame->channels, RF_U16, "the floor", err));
    plain_pyramid_add(pyramid, frame);
    plain_pyramid_reset(pyramid); /* memory touched once before the clock runs */
    for (int k = 0; k < job->take->count; k++) {
        RF_TRY(rf_frame_read(job->take->paths[k], &job->limits, &job->frame[0], NULL, NULL, err));
        clocks start = clocks_now();
        plain_pyramid_add(pyramid, frame);
        clocks_add_since(&out->pyramid, start);
    }
    clocks start = clocks_now();
    plain_pyramid_collapse(pyramid, &picture);
    RF_TRY(write_picture(&picture, output, pool, err));
    clocks_add_since(&out->finish, start);
done:
    plain_pyramid_destroy(&pyramid);
    rf_image_free(&picture);
    return status;
}

rf_status floors_measure(const rf_sequence *take, const char *output, rf_pool *pool, floors *out, rf_error *err)
{
    rf_status status;
    floor_job job = {.take = take, .limits = rf_frame_limits_default()};
    *out = (floors){.decode = {0, 0}};
    RF_TRY(rf_alloc(&job.frame, (size_t)rf_pool_threads(pool), sizeof *job.frame, "the floor", err));
    clocks start = clocks_now();
    rf_pool_rows(pool, take->count, 1, decode_frames, &job);
    clocks_add_since(&out->decode, start);
    if (job.failed)
        RF_TRY(rf_fail(err, RF_ERR_INPUT, "a frame of the take cannot be read"));
    RF_TRY(rf_frame_read(take->paths[0], &job.limits, &job.frame[0], NULL, NULL, err));
    RF_TRY(measure_traffic(&job, take->count, pool, &out->traffic, err));
    rf_image_free(&job.sum);
    rf_image_free(&job.weight);
    RF_TRY(measure_pyramid(&job, output, pool, out, err));
done:
    for (int i = 0; job.frame != NULL && i < rf_pool_threads(pool); i++)
        rf_image_free(&job.frame[i]);
    rf_free(job.frame);
    rf_image_free(&job.sum);
    rf_image_free(&job.weight);
    return status;
}

/* outputs.c - the files of a merge, checked before work starts and finished, without a name yet, at the end. */
#include "outputs.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "railfold/depth_map.h"
#include "railfold/depth_view.h"
#include "railfold/memory.h"

enum { OUTPUTS = 5 };

static void list_paths(const rf_merge_options *options, const char *paths[OUTPUTS])
{
    paths[0] = options->output;
    paths[1] = options->depth;
    paths[2] = options->confidence;
    paths[3] = options->depth_view;
    paths[4] = options->sigma;
}

static int same_file(const char *a, const char *b)
{
    struct stat sa, sb;
    if (strcmp(a, b) == 0)
        return 1;
    return stat(a, &sa) == 0 && stat(b, &sb) == 0 && sa.st_dev == sb.st_dev && sa.st_ino == sb.st_ino;
}

static rf_status check_folder(const char *path, rf_error *err)
{
    char folder[4096];
    const char *slash = strrchr(path, '/');
    size_t length = slash == NULL ? 0 : (size_t)(slash - path);
    if (length >= sizeof folder)
        return rf_fail(err, RF_ERR_OUTPUT, "%.60s...: the path is longer than %zu bytes", path, sizeof folder - 1);
    memcpy(folder, path, length);
    folder[length] = '\0';
    if (slash == path)
        strcpy(folder, "/");
    else if (slash == NULL)
        strcpy(folder, ".");
    struct stat info;
    if (stat(folder, &info) != 0)
        return rf_fail(err, RF_ERR_OUTPUT, "%s cannot be written: folder %s: %s", path, folder, strerror(errno));
    if (!S_ISDIR(info.st_mode))
        return rf_fail(err, RF_ERR_OUTPUT, "%s cannot be written: %s is not a folder", path, folder);
    if (access(folder, W_OK | X_OK) != 0)
        return rf_fail(err, RF_ERR_OUTPUT, "%s cannot be written: folder %s: %s", path, folder, strerror(errno));
    return RF_OK;
}

static rf_status check_path(const rf_merge_options *options, const char *path, rf_error *err)
{
    struct stat info;
    rf_sample sample;
    rf_status status = rf_writer_sample_for(path, &sample, err);
    if (status == RF_OK)
        status = check_folder(path, err);
    if (status != RF_OK)
        return status;
    for (int k = 0; k < options->frame_count; k++)
        if (same_file(path, options->frames[k]))
            return rf_fail(err, RF_ERR_OUTPUT, "%s is a frame of the take; an output may not replace an input", path);
    if (stat(path, &info) != 0)
        return RF_OK;
    if (S_ISDIR(info.st_mode))
        return rf_fail(err, RF_ERR_OUTPUT, "%s is a folder; a file name was expected", path);
    if (!options->force)
        return rf_fail(err, RF_ERR_OUTPUT, "%s exists already; --force replaces it", path);
    return RF_OK;
}

static int is_jpeg(const char *path)
{
    return rf_path_ends_with(path, ".jpg") || rf_path_ends_with(path, ".jpeg");
}

rf_status rf_outputs_check(const rf_merge_options *options, rf_error *err)
{
    const char *paths[OUTPUTS];
    list_paths(options, paths);
    for (int i = 0; i < OUTPUTS; i++) {
        if (paths[i] == NULL)
            continue;
        rf_status status = check_path(options, paths[i], err);
        if (status != RF_OK)
            return status;
        if ((i == 1 || i == 2 || i == 4) && is_jpeg(paths[i]))
            return rf_fail(err, RF_ERR_USAGE, "%s: a map needs more than 8 bits; its name must end in .tif or .png",
                           paths[i]);
        for (int j = 0; j < i; j++)
            if (paths[j] != NULL && same_file(paths[i], paths[j]))
                return rf_fail(err, RF_ERR_OUTPUT, "%s is named for two outputs; each needs a name of its own",
                               paths[i]);
    }
    return RF_OK;
}

static rf_status write_picture(const rf_take *take, const rf_image *picture, rf_pool *pool, rf_writer **writer,
                               rf_error *err)
{
    rf_sample sample;
    rf_status status = rf_writer_sample_for(take->options->output, &sample, err);
    if (status != RF_OK)
        return status;
    rf_picture_spec spec = {.width = picture->width,
                            .height = picture->height,
                            .channels = picture->channels,
                            .sample = sample,
                            .metadata = &take->metadata,
                            .pool = pool};
    status = rf_writer_open(writer, take->options->output, &spec, take->options->force, err);
    return status != RF_OK ? status : rf_write_rows(*writer, picture, sample, (rf_map_scale){0, 1, 0}, pool, err);
}

static rf_status write_view(const rf_take *take, const rf_outputs *outputs, rf_writer **writer, rf_error *err)
{
    rf_status status;
    rf_image view = {0};
    float low = 0, high = 1;
    const rf_image *depth = outputs->depth;
    RF_TRY(rf_image_alloc(&view, depth->width, depth->height, 3, RF_U8, "the coloured depth view", err));
    if (!rf_depth_range(depth, 0.001f, &low, &high))
        low = 0, high = 1;
    rf_depth_colour_view(depth, outputs->confidence, outputs->far_first ? high : low, outputs->far_first ? low : high,
                         &view, take->pool);
    rf_picture_spec spec = {
        .width = view.width, .height = view.height, .channels = 3, .sample = RF_U8, .pool = take->pool};
    RF_TRY(rf_writer_open(writer, take->options->depth_view, &spec, take->options->force, err));
    RF_TRY(rf_writer_rows(*writer, view.data, view.stride_bytes, view.height, err));
done:
    rf_image_free(&view);
    return status;
}

static rf_map_facts map_facts(const rf_take *take, const rf_outputs *outputs, rf_map_kind kind)
{
    return (rf_map_facts){.kind = kind,
                          .metric = kind != RF_MAP_CONFIDENCE && take->options->step_mm > 0,
                          .step_mm = take->options->step_mm,
                          .pixel_mm = take->options->pixel_mm,
                          .frames = take->report->frame_count,
                          .direction_known = outputs->direction_known,
                          .nearer = outputs->far_first};
}

/* The picture, by far the largest output: a JPEG is coded by one thread beside the maps; the other formats keep the
 * pool busy themselves, and only their way to the disk and their digest go beside the maps. */
typedef struct picture_job {
    const rf_take *take;
    const rf_image *picture;
    rf_batch *batch;
    char *sha256;
    rf_writer *writer;
    rf_status status;
    rf_error err;
} picture_job;

static void complete_picture(void *arg)
{
    picture_job *job = arg;
    const rf_merge_options *options = job->take->options;
    job->status = rf_batch_add_writer(job->batch, &job->writer, &job->err);
    if (job->status == RF_OK && options->digests)
        job->status = rf_batch_digest(job->batch, options->output, job->sha256, &job->err);
}

static void write_picture_aside(void *arg)
{
    picture_job *job = arg;
    job->status = write_picture(job->take, job->picture, NULL, &job->writer, &job->err);
    if (job->status == RF_OK)
        complete_picture(job);
}

static rf_status begin_picture(picture_job *job, rf_error *err)
{
    rf_status status;
    rf_pool *pool = job->take->pool;
    if (is_jpeg(job->take->options->output)) {
        rf_pool_side(pool, write_picture_aside, job);
        return RF_OK;
    }
    RF_TRY(write_picture(job->take, job->picture, pool, &job->writer, err));
    RF_TRY(rf_writer_end_rows(job->writer, err));
    rf_pool_side(pool, complete_picture, job);
done:
    return status;
}

static rf_map_job map_job(const rf_take *take, const rf_outputs *outputs, const char *path, rf_map_kind kind)
{
    return (rf_map_job){.options = take->options,
                        .path = path,
                        .map = kind == RF_MAP_DEPTH        ? outputs->depth
                               : kind == RF_MAP_CONFIDENCE ? outputs->confidence
                                                           : outputs->sigma,
                        .facts = map_facts(take, outputs, kind),
                        .pool = take->pool};
}

void rf_outputs_begin_depth(const rf_take *take, const rf_outputs *outputs, float turned_at)
{
    const char *path = take->options->depth;
    if (path == NULL || take->options->view == RF_VIEW_PARALLEL) /* which moves the map after the merge */
        return;
    rf_map_job job = map_job(take, outputs, path, RF_MAP_DEPTH);
    job.turned_at = turned_at;
    rf_map_file_begin(outputs->depth_file, &job, take->pool);
}

static rf_status write_other(const rf_take *take, const rf_outputs *outputs, int i, const char *path,
                             rf_writer **writer, rf_error *err)
{
    static const rf_map_kind kind[OUTPUTS] = {[1] = RF_MAP_DEPTH, [2] = RF_MAP_CONFIDENCE, [4] = RF_MAP_SIGMA};
    if (i == 3)
        return write_view(take, outputs, writer, err);
    if (i == 1 && outputs->depth_file->begun)
        return rf_map_file_end(outputs->depth_file, writer, err);
    rf_map_job job = map_job(take, outputs, path, kind[i]);
    return rf_write_map(&job, writer, err);
}

rf_status rf_outputs_write(const rf_take *take, const rf_outputs *outputs, rf_batch *batch,
                           char picture_sha256[RF_SHA256_TEXT_BYTES], rf_error *err)
{
    rf_status status = RF_OK;
    rf_writer *writers[OUTPUTS] = {NULL};
    int total = 0, done_count = 0;
    const char *paths[OUTPUTS];
    picture_job picture = {.take = take, .picture = outputs->picture, .batch = batch, .sha256 = picture_sha256};
    list_paths(take->options, paths);
    for (int i = 0; i < OUTPUTS; i++)
        total += paths[i] != NULL;
    RF_TRY(rf_take_progress(take, "write", done_count++, total, err));
    RF_TRY(begin_picture(&picture, err));
    for (int i = 1; i < OUTPUTS; i++) {
        if (paths[i] == NULL)
            continue;
        RF_TRY(rf_take_progress(take, "write", done_count++, total, err));
        RF_TRY(write_other(take, outputs, i, paths[i], &writers[i], err));
    }
    rf_pool_join(take->pool);
    if (picture.status != RF_OK)
        RF_TRY(rf_fail(err, picture.status, "%s", picture.err.text));
    RF_TRY(rf_take_progress(take, "write", total, total, err));
    for (int i = 1; i < OUTPUTS; i++)
        if (writers[i] != NULL)
            RF_TRY(rf_batch_add_writer(batch, &writers[i], err));
done:
    rf_pool_join(take->pool);
    rf_writer_abort(&picture.writer);
    for (int i = 1; i < OUTPUTS; i++)
        rf_writer_abort(&writers[i]);
    return status;
}

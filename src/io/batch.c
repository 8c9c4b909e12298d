/* batch.c - outputs that belong together: finished one by one, named all at once or not at all. */
#include "io_codec.h"

#include <errno.h>
#include <string.h>

#include "railfold/memory.h"

enum { BATCH_MOST = 16 };

struct rf_batch {
    rf_outfile files[BATCH_MOST];
    int count;
};

rf_status rf_batch_create(rf_batch **batch, rf_error *err)
{
    return rf_alloc(batch, 1, sizeof **batch, "the list of outputs", err);
}

static rf_status check_room(const rf_batch *batch, const char *path, rf_error *err)
{
    if (batch->count == BATCH_MOST)
        return rf_fail(err, RF_ERR_INTERNAL, "%s: more than %d outputs belong together", path, BATCH_MOST);
    return RF_OK;
}

rf_status rf_batch_add_writer(rf_batch *batch, rf_writer **writer, rf_error *err)
{
    rf_status status = check_room(batch, (*writer)->out.path, err);
    if (status == RF_OK)
        status = rf_writer_finish(*writer, err);
    if (status == RF_OK) {
        batch->files[batch->count++] = (*writer)->out;
        (*writer)->out = (rf_outfile){.lock = -1};
    }
    rf_writer_abort(writer);
    return status;
}

rf_status rf_batch_add_outfile(rf_batch *batch, rf_outfile *out, rf_error *err)
{
    rf_status status = check_room(batch, out->path, err);
    if (status == RF_OK)
        status = rf_outfile_finish(out, err);
    if (status == RF_OK) {
        batch->files[batch->count++] = *out;
        *out = (rf_outfile){.lock = -1};
    } else {
        rf_outfile_abort(out);
    }
    return status;
}

rf_status rf_batch_add_picture(rf_batch *batch, const char *path, const rf_image *image, const char *description,
                               int force, rf_error *err)
{
    rf_writer *writer = NULL;
    rf_picture_spec spec = {.width = image->width,
                            .height = image->height,
                            .channels = image->channels,
                            .sample = image->sample,
                            .description = description};
    rf_status status = rf_writer_open(&writer, path, &spec, force, err);
    if (status == RF_OK)
        status = rf_writer_rows(writer, image->data, image->stride_bytes, image->height, err);
    if (status == RF_OK)
        return rf_batch_add_writer(batch, &writer, err);
    rf_writer_abort(&writer);
    return status;
}

rf_status rf_batch_add_text(rf_batch *batch, const char *path, const char *text, size_t bytes, int force, rf_error *err)
{
    rf_outfile out;
    rf_status status = rf_outfile_open(&out, path, force, err);
    if (status != RF_OK)
        return status;
    if (bytes > 0 && fwrite(text, 1, bytes, out.file) != bytes) {
        status = rf_outfile_short(&out, err);
        rf_outfile_abort(&out);
        return status;
    }
    return rf_batch_add_outfile(batch, &out, err);
}

rf_status rf_batch_digest(const rf_batch *batch, const char *path, char text[RF_SHA256_TEXT_BYTES], rf_error *err)
{
    for (int i = 0; i < batch->count; i++)
        if (strcmp(batch->files[i].path, path) == 0)
            return rf_descriptor_digest(batch->files[i].lock, path, RF_ERR_OUTPUT, text, err);
    return rf_fail(err, RF_ERR_INTERNAL, "%s: is none of the outputs", path);
}

rf_status rf_batch_name(rf_batch *batch, rf_error *err)
{
    int count = batch->count;
    batch->count = 0;
    return rf_outfiles_name(batch->files, count, err);
}

void rf_batch_destroy(rf_batch **batch_at)
{
    rf_batch *batch = *batch_at;
    for (int i = 0; batch != NULL && i < batch->count; i++)
        rf_outfile_abort(&batch->files[i]);
    rf_free(batch);
    *batch_at = NULL;
}

rf_status rf_text_write(const char *path, const char *text, size_t bytes, int force, rf_error *err)
{
    rf_batch batch = {.count = 0};
    if (strcmp(path, "-") == 0)
        return RF_OK;
    rf_status status = rf_batch_add_text(&batch, path, text, bytes, force, err);
    return status == RF_OK ? rf_batch_name(&batch, err) : status;
}

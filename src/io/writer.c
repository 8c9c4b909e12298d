/* writer.c - pictures out: which format an ending stands for, and the steps all formats share. */
#include "io_codec.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "railfold/memory.h"

static const rf_write_format *const formats[] = {&rf_write_tiff, &rf_write_png, &rf_write_jpeg};

static const rf_write_format *format_for(const char *path)
{
    const char *slash = strrchr(path, '/');
    const char *dot = strrchr(slash == NULL ? path : slash + 1, '.');
    for (size_t i = 0; dot != NULL && i < sizeof formats / sizeof *formats; i++)
        for (int k = 0; k < 2; k++)
            if (formats[i]->endings[k] != NULL && strcasecmp(dot, formats[i]->endings[k]) == 0)
                return formats[i];
    return NULL;
}

static rf_status unknown_ending(const char *path, rf_error *err)
{
    const char *slash = strrchr(path, '/');
    const char *dot = strrchr(slash == NULL ? path : slash + 1, '.');
    return rf_fail(err, RF_ERR_USAGE,
                   "%s: the ending %s%s%s stands for no output format; .tif, .png or .jpg was expected", path,
                   dot == NULL ? "(none)" : "\"", dot == NULL ? "" : dot, dot == NULL ? "" : "\"");
}

rf_status rf_writer_sample_for(const char *path, rf_sample *sample, rf_error *err)
{
    const rf_write_format *format = format_for(path);
    if (format == NULL)
        return unknown_ending(path, err);
    *sample = format->sample;
    return RF_OK;
}

static rf_status check_spec(const char *path, const rf_write_format *format, const rf_picture_spec *spec, rf_error *err)
{
    if (spec->width < 1 || spec->height < 1 || (spec->channels != 1 && spec->channels != 3) || spec->jpeg_quality < 0 ||
        spec->jpeg_quality > 100)
        return rf_fail(err, RF_ERR_INTERNAL,
                       "%s: a picture of %d x %d pixels, %d channels, JPEG quality %d was asked for", path, spec->width,
                       spec->height, spec->channels, spec->jpeg_quality);
    if ((spec->sample == RF_U16 && !format->holds_u16) || (spec->sample == RF_F32 && !format->holds_f32))
        return rf_fail(err, RF_ERR_OUTPUT, "%s: %s holds no %s samples; %s was expected", path, format->name,
                       spec->sample == RF_U16 ? "16-bit" : "32-bit float",
                       spec->sample == RF_U16 ? "a .tif or .png name" : "a .tif name");
    return RF_OK;
}

/* An ICC profile says for which colour space it is at byte 16 (ICC.1:2010, 7.2): one for RGB cannot describe grey. */
static void choose_profile(rf_writer *writer)
{
    const rf_metadata *metadata = writer->spec.metadata;
    const char *wanted = writer->spec.channels == 3 ? "RGB " : "GRAY";
    if (metadata != NULL && metadata->icc_bytes >= 128 && memcmp(metadata->icc + 16, wanted, 4) == 0) {
        writer->icc = metadata->icc;
        writer->icc_bytes = metadata->icc_bytes;
    }
}

rf_status rf_writer_open(rf_writer **out, const char *path, const rf_picture_spec *spec, int force, rf_error *err)
{
    rf_status status;
    rf_writer *writer = NULL;
    const rf_write_format *format = format_for(path);
    *out = NULL;
    if (format == NULL)
        return unknown_ending(path, err);
    RF_TRY(check_spec(path, format, spec, err));
    RF_TRY(rf_alloc(&writer, 1, sizeof *writer, "the picture writer", err));
    writer->spec = *spec;
    choose_profile(writer);
    RF_TRY(rf_outfile_open(&writer->out, path, force, err));
    writer->format = format;
    RF_TRY(format->open(writer, err));
    writer->spec.metadata = NULL;
    writer->spec.description = NULL;
    writer->icc = NULL;
    *out = writer;
    return RF_OK;
done:
    rf_writer_abort(&writer);
    return status;
}

rf_status rf_writer_rows(rf_writer *writer, const void *data, size_t stride_bytes, int rows, rf_error *err)
{
    if (rows < 0 || rows > writer->spec.height - writer->rows_done)
        return rf_fail(err, RF_ERR_INTERNAL, "%s: %d rows were given after %d of %d", writer->out.path, rows,
                       writer->rows_done, writer->spec.height);
    rf_status status = rows == 0 ? RF_OK : writer->format->rows(writer, data, stride_bytes, rows, err);
    if (status == RF_OK)
        writer->rows_done += rows;
    return status;
}

rf_status rf_writer_end_rows(rf_writer *writer, rf_error *err)
{
    rf_status status;
    if (writer->format == NULL)
        return RF_OK; /* ended before */
    if (writer->rows_done != writer->spec.height)
        RF_TRY(rf_fail(err, RF_ERR_INTERNAL, "%s: only %d of %d rows were given", writer->out.path, writer->rows_done,
                       writer->spec.height));
    RF_TRY(writer->format->finish(writer, err));
    writer->format->close(writer);
    writer->format = NULL;
done:
    return status;
}

rf_status rf_writer_finish(rf_writer *writer, rf_error *err)
{
    rf_status status = rf_writer_end_rows(writer, err);
    return status == RF_OK ? rf_outfile_finish(&writer->out, err) : status;
}

rf_status rf_writer_commit(rf_writer **writer_at, rf_error *err)
{
    rf_status status = rf_writer_finish(*writer_at, err);
    if (status == RF_OK)
        status = rf_outfiles_name(&(*writer_at)->out, 1, err);
    rf_writer_abort(writer_at);
    return status;
}

void rf_writer_abort(rf_writer **writer_at)
{
    rf_writer *writer = *writer_at;
    if (writer == NULL)
        return;
    if (writer->format != NULL)
        writer->format->close(writer);
    rf_outfile_abort(&writer->out);
    rf_free(writer);
    *writer_at = NULL;
}

rf_status rf_picture_write(const char *path, const rf_image *image, const rf_metadata *metadata,
                           const char *description, int force, rf_error *err)
{
    rf_status status;
    rf_writer *writer = NULL;
    rf_picture_spec spec = {.width = image->width,
                            .height = image->height,
                            .channels = image->channels,
                            .sample = image->sample,
                            .metadata = metadata,
                            .description = description};
    RF_TRY(rf_writer_open(&writer, path, &spec, force, err));
    RF_TRY(rf_writer_rows(writer, image->data, image->stride_bytes, image->height, err));
    RF_TRY(rf_writer_commit(&writer, err));
done:
    rf_writer_abort(&writer);
    return status;
}

rf_status rf_picture_encode_jpeg(const rf_image *image, const rf_metadata *metadata, int quality, uint8_t **bytes,
                                 size_t *count, rf_error *err)
{
    rf_status status;
    char *stream = NULL, name[] = "a picture in memory";
    size_t stream_bytes = 0;
    rf_writer writer = {.format = &rf_write_jpeg};
    *bytes = NULL;
    *count = 0;
    writer.spec = (rf_picture_spec){.width = image->width,
                                    .height = image->height,
                                    .channels = image->channels,
                                    .sample = RF_U8,
                                    .metadata = metadata,
                                    .jpeg_quality = quality};
    choose_profile(&writer);
    writer.spec.metadata = NULL; /* the profile makes the colours right; what else the frame tells stays out */
    writer.out.path = name;
    writer.out.file = open_memstream(&stream, &stream_bytes);
    if (writer.out.file == NULL)
        return rf_fail(err, RF_ERR_MEMORY, "no memory for %s", name);
    RF_TRY(rf_write_jpeg.open(&writer, err));
    RF_TRY(rf_write_jpeg.rows(&writer, image->data, image->stride_bytes, image->height, err));
    RF_TRY(rf_write_jpeg.finish(&writer, err));
done:
    rf_write_jpeg.close(&writer);
    if (fclose(writer.out.file) != 0 && status == RF_OK)
        status = rf_fail(err, RF_ERR_MEMORY, "no memory for %s", name);
    if (status == RF_OK && stream == NULL) /* the last growth failed, which fclose does not tell */
        status = rf_fail(err, RF_ERR_MEMORY, "no memory for %s", name);
    if (status == RF_OK)
        status = rf_alloc_raw(bytes, stream_bytes, 1, name, err);
    if (status == RF_OK) {
        memcpy(*bytes, stream, stream_bytes);
        *count = stream_bytes;
    }
    free(stream);
    return status;
}

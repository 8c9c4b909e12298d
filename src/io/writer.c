/* writer.c - outputs that appear whole or not at all: a temporary file beside the output, flushed, then renamed. */
#include "io_codec.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "railfold/memory.h"

static const rf_write_format *const formats[] = {&rf_write_tiff, &rf_write_png, &rf_write_jpeg};
enum { NAME_TRIES = 100 };
static const char temporary_name[] = ".railfold-XXXXXX";

static rf_status system_fail(const char *path, const char *what, rf_error *err)
{
    char reason[128] = "unknown reason";
    int number = errno;
    (void)strerror_r(number, reason, sizeof reason);
    return rf_fail(err, RF_ERR_OUTPUT, "%s: %s (%s)", path, what, reason);
}

/* ---- the file ---- */

static rf_status check_target(const char *path, int force, rf_error *err)
{
    struct stat about;
    if (lstat(path, &about) != 0)
        return errno == ENOENT ? RF_OK : system_fail(path, "cannot be written", err);
    if (S_ISDIR(about.st_mode))
        return rf_fail(err, RF_ERR_OUTPUT, "%s: is a folder; a file name was expected", path);
    if (!S_ISREG(about.st_mode) && !S_ISLNK(about.st_mode)) /* renaming over a device would remove the device */
        return rf_fail(err, RF_ERR_OUTPUT, "%s: exists and is not an ordinary file", path);
    if (!force)
        return rf_fail(err, RF_ERR_OUTPUT, "%s: exists; a new name or permission to overwrite was expected", path);
    return RF_OK;
}

/* Six letters that no other run is likely to pick now; O_EXCL settles the rest. (mkstemp would make the file private,
 * and undoing that needs the umask, which can only be read by changing it for the whole process.) */
static void name_temporary(char *letters, unsigned attempt)
{
    static const char alphabet[] = "abcdefghijklmnopqrstuvwxyz0123456789";
    struct timespec now = {0};
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    uint64_t number =
        (uint64_t)now.tv_nsec * 1000003u + (uint64_t)now.tv_sec * 7919u + (uint64_t)getpid() * 104729u + attempt;
    for (int i = 0; i < 6; i++, number /= 36)
        letters[i] = alphabet[number % 36];
}

rf_status rf_outfile_open(rf_outfile *out, const char *path, int force, rf_error *err)
{
    rf_status status;
    const char *slash = strrchr(path, '/');
    size_t folder_bytes = slash == NULL ? 0 : (size_t)(slash - path) + 1;
    int fd = -1;
    *out = (rf_outfile){.force = force};
    if (path[folder_bytes] == '\0')
        return rf_fail(err, RF_ERR_OUTPUT, "%s: names no file; an output file name was expected",
                       *path ? path : "\"\"");
    RF_TRY(check_target(path, force, err));
    RF_TRY(rf_text_copy(&out->path, path, strlen(path), err));
    RF_TRY(rf_alloc(&out->temporary, folder_bytes + sizeof temporary_name, 1, "a file name", err));
    memcpy(out->temporary, path, folder_bytes);
    memcpy(out->temporary + folder_bytes, temporary_name, sizeof temporary_name);
    char *letters = out->temporary + folder_bytes + sizeof temporary_name - 7;
    for (unsigned attempt = 0; fd < 0 && attempt < NAME_TRIES; attempt++) {
        name_temporary(letters, attempt);
        fd = open(out->temporary, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
        if (fd < 0 && errno != EEXIST)
            break;
    }
    if (fd < 0) {
        status = system_fail(path, "its folder takes no new file", err);
        rf_free(out->temporary); /* not ours to remove */
        out->temporary = NULL;
        goto done;
    }
    out->file = fdopen(fd, "w+b");
    if (out->file == NULL) {
        status = system_fail(path, "cannot be written", err);
        close(fd);
    }
done:
    if (status != RF_OK)
        rf_outfile_abort(out);
    return status;
}

void rf_outfile_abort(rf_outfile *out)
{
    if (out->file != NULL)
        fclose(out->file);
    if (out->temporary != NULL)
        (void)unlink(out->temporary);
    rf_free(out->temporary);
    rf_free(out->path);
    *out = (rf_outfile){0};
}

/* The new name must survive a power cut as well; a file system that cannot do this still has the file. */
static void flush_folder(const char *path)
{
    char folder[4096] = ".";
    const char *slash = strrchr(path, '/');
    if (slash != NULL && (size_t)(slash - path) + 2 <= sizeof folder) {
        memcpy(folder, path, (size_t)(slash - path) + 1);
        folder[slash - path + 1] = '\0';
    }
    int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd >= 0) {
        (void)fsync(fd);
        close(fd);
    }
}

/* Without force the name must still be free: link() refuses a taken one, where rename() would replace it. */
static int give_name(rf_outfile *out)
{
    if (!out->force) {
        if (link(out->temporary, out->path) == 0) {
            (void)unlink(out->temporary);
            return 0;
        }
        if (errno == EEXIST)
            return -1;
    } /* no hard links here (FAT): the check at opening has to do */
    return rename(out->temporary, out->path);
}

rf_status rf_outfile_commit(rf_outfile *out, rf_error *err)
{
    rf_status status = RF_OK;
    FILE *file = out->file;
    out->file = NULL;
    int bad = fflush(file) != 0 || fsync(fileno(file)) != 0;
    int number = errno;
    if (fclose(file) != 0 && !bad) {
        bad = 1;
        number = errno;
    }
    errno = number;
    if (bad)
        RF_TRY(system_fail(out->path, "could not be written whole", err));
    if (give_name(out) != 0)
        RF_TRY(system_fail(out->path, "the finished file could not be given its name", err));
    flush_folder(out->path);
    rf_free(out->temporary);
    out->temporary = NULL;
done:
    rf_outfile_abort(out);
    return status;
}

rf_status rf_text_write(const char *path, const char *text, size_t bytes, int force, rf_error *err)
{
    rf_outfile out = {0};
    if (strcmp(path, "-") == 0)
        return RF_OK;
    rf_status status = rf_outfile_open(&out, path, force, err);
    if (status != RF_OK)
        return status;
    if (bytes > 0 && fwrite(text, 1, bytes, out.file) != bytes) {
        status = system_fail(path, "could not be written whole", err);
        rf_outfile_abort(&out);
        return status;
    }
    return rf_outfile_commit(&out, err);
}

/* ---- the picture ---- */

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

rf_status rf_writer_commit(rf_writer **writer_at, rf_error *err)
{
    rf_status status;
    rf_writer *writer = *writer_at;
    if (writer->rows_done != writer->spec.height)
        RF_TRY(rf_fail(err, RF_ERR_INTERNAL, "%s: only %d of %d rows were given", writer->out.path, writer->rows_done,
                       writer->spec.height));
    RF_TRY(writer->format->finish(writer, err));
    writer->format->close(writer);
    writer->format = NULL;
    RF_TRY(rf_outfile_commit(&writer->out, err));
done:
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
    if (status == RF_OK)
        status = rf_alloc_raw(bytes, stream_bytes, 1, name, err);
    if (status == RF_OK) {
        memcpy(*bytes, stream, stream_bytes);
        *count = stream_bytes;
    }
    free(stream);
    return status;
}

/* frame_io.c - which format a file has, and the steps all formats share: limits, buffers, orientation, luma. */
#include "io_codec.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "railfold/memory.h"

static const rf_read_format *const formats[] = {&rf_read_jpeg, &rf_read_png, &rf_read_tiff};

rf_frame_limits rf_frame_limits_default(void)
{
    return (rf_frame_limits){.max_pixels = RF_MAX_PIXELS, .max_side_px = RF_MAX_SIDE_PX};
}

rf_frame_limits rf_frame_limits_pixels(int64_t max_pixels)
{
    rf_frame_limits limits = rf_frame_limits_default();
    if (max_pixels > 0)
        limits.max_pixels = max_pixels;
    return limits;
}

static rf_status open_failed(const char *path, rf_error *err)
{
    char reason[128] = "unknown reason";
    int number = errno;
    (void)strerror_r(number, reason, sizeof reason);
    return rf_fail(err, number == ENOMEM ? RF_ERR_MEMORY : RF_ERR_INPUT,
                   "%s: cannot be opened (%s); a JPEG, PNG or TIFF picture was expected", path, reason);
}

static const rf_read_format *format_of(const uint8_t *head, size_t bytes)
{
    for (size_t i = 0; i < sizeof formats / sizeof *formats; i++)
        if (formats[i]->knows(head, bytes))
            return formats[i];
    return NULL;
}

rf_status rf_decoder_open_file(rf_decoder *decoder, const char *path, rf_error *err)
{
    *decoder = (rf_decoder){.path = path};
    rf_metadata_init(&decoder->metadata);
    /* Not blocking: a named pipe must not hang the run before it is refused. */
    int fd = open(path, O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return open_failed(path, err);
    struct stat about;
    if (fstat(fd, &about) != 0 || (decoder->file = fdopen(fd, "rb")) == NULL) {
        rf_status status = open_failed(path, err);
        close(fd);
        return status;
    }
    if (S_ISDIR(about.st_mode))
        return rf_fail(err, RF_ERR_INPUT, "%s: is a folder; a JPEG, PNG or TIFF file was expected", path);
    if (!S_ISREG(about.st_mode))
        return rf_fail(err, RF_ERR_INPUT, "%s: is not an ordinary file; a JPEG, PNG or TIFF file was expected", path);
    if (about.st_size == 0)
        return rf_fail(err, RF_ERR_INPUT, "%s: is empty (0 bytes); a JPEG, PNG or TIFF picture was expected", path);
    decoder->file_bytes = about.st_size;
    decoder->stamp = rf_file_stamp_of(&about);
    uint8_t head[RF_HEAD_BYTES] = {0};
    ssize_t got = pread(fd, head, sizeof head, 0);
    if (got < 0)
        return open_failed(path, err);
    decoder->format = format_of(head, (size_t)got);
    if (decoder->format == NULL)
        return rf_fail(err, RF_ERR_INPUT,
                       "%s: begins with bytes %02X %02X %02X %02X; a JPEG, PNG or TIFF picture was expected", path,
                       head[0], head[1], head[2], head[3]);
    return RF_OK;
}

static rf_status check_limits(const rf_decoder *decoder, const rf_frame_limits *limits, rf_error *err)
{
    rf_frame_limits most = limits != NULL ? *limits : rf_frame_limits_default();
    int64_t pixels = (int64_t)decoder->width * decoder->height;
    if (decoder->width < 1 || decoder->height < 1)
        return rf_fail(err, RF_ERR_INPUT, "%s: claims %d x %d pixels; at least 1 x 1 was expected", decoder->path,
                       decoder->width, decoder->height);
    if (decoder->width > most.max_side_px || decoder->height > most.max_side_px)
        return rf_fail(err, RF_ERR_INPUT, "%s: claims %d x %d pixels; a side of at most %d pixels is allowed",
                       decoder->path, decoder->width, decoder->height, most.max_side_px);
    if (pixels > most.max_pixels)
        return rf_fail(err, RF_ERR_INPUT,
                       "%s: claims %d x %d pixels, %lld in all; at most %lld are allowed (--max-megapixels)",
                       decoder->path, decoder->width, decoder->height, (long long)pixels, (long long)most.max_pixels);
    return RF_OK;
}

rf_status rf_decoder_open(rf_decoder *decoder, const char *path, const rf_frame_limits *limits, int takes_float,
                          rf_error *err)
{
    rf_status status;
    RF_TRY(rf_decoder_open_file(decoder, path, err));
    decoder->takes_float = takes_float;
    RF_TRY(decoder->format->open(decoder, err));
    RF_TRY(check_limits(decoder, limits, err));
done:
    return status;
}

void rf_decoder_close(rf_decoder *decoder)
{
    if (decoder->format != NULL)
        decoder->format->close(decoder);
    if (decoder->file != NULL)
        fclose(decoder->file);
    rf_free(decoder->description);
    rf_metadata_free(&decoder->metadata);
    *decoder = (rf_decoder){0};
    rf_metadata_init(&decoder->metadata);
}

rf_status rf_image_shape(rf_image *image, int width, int height, int channels, rf_sample sample, const char *path,
                         rf_error *err)
{
    if (image->data != NULL && image->width == width && image->height == height && image->channels == channels &&
        image->sample == sample)
        return RF_OK;
    char what[512];
    (void)snprintf(what, sizeof what, "%s: the frame of %d x %d pixels", path, width, height);
    return rf_image_alloc(image, width, height, channels, sample, what, err);
}

rf_status rf_text_copy(char **out, const char *text, size_t bytes, rf_error *err)
{
    size_t length = strnlen(text, bytes);
    rf_status status = rf_alloc_raw(out, length + 1, 1, "a text in a picture", err);
    if (status == RF_OK) {
        memcpy(*out, text, length);
        (*out)[length] = '\0';
    }
    return status;
}

static void fill_info(const rf_decoder *decoder, rf_frame_info *info)
{
    int orientation = decoder->metadata.orientation;
    int swap = rf_orientation_swaps_sides(orientation);
    if (info != NULL)
        *info = (rf_frame_info){.width = swap ? decoder->height : decoder->width,
                                .height = swap ? decoder->width : decoder->height,
                                .channels = decoder->channels,
                                .sample = decoder->sample,
                                .orientation = orientation,
                                .format = decoder->format->name,
                                .stamp = decoder->stamp};
}

/* Hands the decoder's metadata over to the caller. */
static void give_metadata(rf_decoder *decoder, rf_metadata *metadata)
{
    if (metadata == NULL)
        return;
    rf_metadata_free(metadata);
    *metadata = decoder->metadata;
    rf_metadata_init(&decoder->metadata);
}

int rf_frame_is_known(const char *path)
{
    rf_decoder decoder;
    int known = 0;
    rf_status status = rf_decoder_open_file(&decoder, path, NULL);
    if (decoder.file == NULL) {
        known = -1;
    } else if (status == RF_OK) {
        /* Many camera raw files are TIFF containers. A damaged picture stays known: reading it names the fault. */
        known = 1;
        if (decoder.format == &rf_read_tiff && decoder.format->open(&decoder, NULL) != RF_OK && decoder.is_camera_raw)
            known = 0;
    }
    rf_decoder_close(&decoder);
    return known;
}

int rf_frame_is_own_output(const char *path)
{
    rf_decoder decoder;
    rf_status status = rf_decoder_open_file(&decoder, path, NULL);
    if (status == RF_OK) {
        decoder.takes_float = 1;
        status = decoder.format->open(&decoder, NULL);
    }
    int own = status == RF_OK && decoder.is_own_output;
    rf_decoder_close(&decoder);
    return own;
}

rf_status rf_frame_probe(const char *path, const rf_frame_limits *limits, rf_frame_info *info, rf_metadata *metadata,
                         rf_error *err)
{
    rf_status status;
    rf_decoder decoder;
    RF_TRY(rf_decoder_open(&decoder, path, limits, 0, err));
    fill_info(&decoder, info);
    give_metadata(&decoder, metadata);
done:
    rf_decoder_close(&decoder);
    return status;
}

/* The frame of an open decoder, upright, in *image. */
static rf_status read_upright(rf_decoder *decoder, rf_image *image, rf_error *err)
{
    rf_status status;
    rf_image stored = {0};
    int orientation = decoder->metadata.orientation;
    int swap = rf_orientation_swaps_sides(orientation);
    int width = swap ? decoder->height : decoder->width, height = swap ? decoder->width : decoder->height;
    RF_TRY(rf_image_shape(image, width, height, decoder->channels, decoder->sample, decoder->path, err));
    if (orientation == 1) {
        RF_TRY(decoder->format->read(decoder, image, err));
    } else {
        RF_TRY(rf_image_shape(&stored, decoder->width, decoder->height, decoder->channels, decoder->sample,
                              decoder->path, err));
        RF_TRY(decoder->format->read(decoder, &stored, err));
        rf_orient(&stored, image, orientation);
    }
done:
    rf_image_free(&stored);
    return status;
}

rf_status rf_frame_read(const char *path, const rf_frame_limits *limits, rf_image *image, rf_frame_info *info,
                        rf_metadata *metadata, rf_error *err)
{
    rf_status status;
    rf_decoder decoder;
    RF_TRY(rf_decoder_open(&decoder, path, limits, 0, err));
    RF_TRY(read_upright(&decoder, image, err));
    fill_info(&decoder, info);
    give_metadata(&decoder, metadata);
done:
    if (status != RF_OK)
        rf_image_free(image);
    rf_decoder_close(&decoder);
    return status;
}

/* A reduced decode keeps blocks that start at the stored corner. Turned about, they start at the upright corner only if
 * no rest is dropped on the mirrored side. */
static int blocks_survive_turning(const rf_decoder *decoder, int reduce)
{
    int orientation = decoder->metadata.orientation;
    return !(rf_orientation_mirrors_x(orientation) && decoder->width % reduce != 0) &&
           !(rf_orientation_mirrors_y(orientation) && decoder->height % reduce != 0);
}

/* Luma by way of the format's own reduced decode. */
static rf_status read_luma_reduced(rf_decoder *decoder, int reduce, rf_image *luma, rf_error *err)
{
    rf_status status;
    rf_image stored = {0};
    int orientation = decoder->metadata.orientation;
    if (orientation == 1)
        return decoder->format->read_luma(decoder, reduce, luma, err);
    RF_TRY(rf_image_shape(&stored, decoder->width / reduce, decoder->height / reduce, 1, luma->sample, decoder->path,
                          err));
    RF_TRY(decoder->format->read_luma(decoder, reduce, &stored, err));
    rf_orient(&stored, luma, orientation);
done:
    rf_image_free(&stored);
    return status;
}

rf_status rf_frame_read_luma(const char *path, const rf_frame_limits *limits, int reduce, rf_image *luma,
                             rf_frame_info *info, rf_metadata *metadata, rf_error *err)
{
    return rf_frame_read_luma_as(path, limits, reduce, RF_F32, luma, info, metadata, err);
}

rf_status rf_frame_read_luma_as(const char *path, const rf_frame_limits *limits, int reduce, rf_sample sample,
                                rf_image *luma, rf_frame_info *info, rf_metadata *metadata, rf_error *err)
{
    rf_status status;
    rf_decoder decoder;
    rf_frame_info about = {0};
    rf_image image = {0};
    RF_TRY(rf_decoder_open(&decoder, path, limits, 0, err));
    fill_info(&decoder, &about);
    if (reduce != 1 && reduce != 2 && reduce != 4 && reduce != 8)
        RF_TRY(rf_fail(err, RF_ERR_INTERNAL, "%s: reduction by %d asked for; 1, 2, 4 or 8 was expected", path, reduce));
    if (about.width < reduce || about.height < reduce)
        RF_TRY(rf_fail(err, RF_ERR_INPUT, "%s: %d x %d pixels; at least %d on each side were expected", path,
                       about.width, about.height, reduce));
    RF_TRY(rf_image_shape(luma, about.width / reduce, about.height / reduce, 1, sample, path, err));
    if (decoder.format->read_luma != NULL && blocks_survive_turning(&decoder, reduce)) {
        RF_TRY(read_luma_reduced(&decoder, reduce, luma, err));
    } else {
        RF_TRY(read_upright(&decoder, &image, err));
        rf_image_luma(&image, reduce, luma, NULL);
    }
    if (info != NULL)
        *info = about;
    give_metadata(&decoder, metadata);
done:
    if (status != RF_OK)
        rf_image_free(luma);
    rf_image_free(&image);
    rf_decoder_close(&decoder);
    return status;
}

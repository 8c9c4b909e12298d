/* tiff_read.c - what a TIFF file holds (TIFF 6.0; BigTIFF), and whether railfold reads it. */
#include "tiff_io.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "railfold/memory.h"

enum {
    MOST_SAMPLES = 16,             /* a pixel: colour and extras */
    MOST_RAW_PER_BYTE = 1032,      /* deflate's best ratio */
    SPARE_BYTES = 64 << 20,        /* what libtiff may take beside a file's own bytes */
    PHOTOMETRIC_LINEAR_RAW = 34892 /* DNG 1.6; the colour filter array is in tiff.h */
};

static int keep_message(TIFF *tiff, void *user, const char *module, const char *format, va_list args)
{
    tiff_messages *messages = user;
    (void)tiff;
    (void)module;
    if (messages->errors++ == 0)
        (void)vsnprintf(messages->text, sizeof messages->text, format, args);
    return 1; /* dealt with: the global handler, which prints, is not asked */
}

/* Warnings tell of unknown tags and odd writers; lost pixels are errors. But a tag that is dropped because the system
 * failed, and not the file, would silently make another picture or map of it. errno is 0 until a call of the system
 * fails; a tag that points behind the end of the file is read in vain without an error. */
static int drop_message(TIFF *tiff, void *user, const char *module, const char *format, va_list args)
{
    tiff_messages *messages = user;
    (void)tiff;
    (void)module;
    if (strncmp(format, "Out of memory", 13) != 0 && (strncmp(format, "IO error", 8) != 0 || errno == 0))
        return 1;
    if (messages->lost++ == 0 && messages->errors == 0)
        (void)vsnprintf(messages->text, sizeof messages->text, format, args);
    return 1;
}

/* libtiff 4.5 crashes over directories it has no memory for; they take little, so it is seen beforehand that there is
 * some. */
static int has_room(void)
{
    enum { ROOM_BYTES = 1 << 20 };
    void *volatile room = malloc(ROOM_BYTES);
    int good = room != NULL;
    free(room);
    return good;
}

TIFF *tiff_open(int fd, const char *path, const char *mode, int64_t most_bytes, tiff_messages *messages)
{
    *messages = (tiff_messages){0};
    TIFFOpenOptions *options = has_room() ? TIFFOpenOptionsAlloc() : NULL;
    if (options == NULL) {
        (void)snprintf(messages->text, sizeof messages->text, "the system has no memory left");
        messages->lost = 1;
        return NULL;
    }
    errno = 0;
    TIFFOpenOptionsSetErrorHandlerExtR(options, keep_message, messages);
    TIFFOpenOptionsSetWarningHandlerExtR(options, drop_message, messages);
    TIFFOpenOptionsSetMaxSingleMemAlloc(options, (tmsize_t)most_bytes);
    TIFF *tiff = TIFFFdOpenExt(fd, path, mode, options);
    TIFFOpenOptionsFree(options);
    return tiff;
}

rf_status tiff_fail(const rf_decoder *decoder, rf_error *err)
{
    const tiff_reader *reader = decoder->state;
    if (reader->messages.lost) /* the picture may be whole */
        return rf_fail(err, strstr(reader->messages.text, "memory") != NULL ? RF_ERR_MEMORY : RF_ERR_INPUT,
                       "%s: could not be read (%s)", decoder->path, reader->messages.text);
    return rf_fail(err, RF_ERR_INPUT, "%s: damaged or truncated TIFF (%s); a whole picture was expected", decoder->path,
                   reader->messages.text[0] != '\0' ? reader->messages.text : "unreadable data");
}

static int knows_tiff(const uint8_t *head, size_t bytes)
{
    if (bytes < 8)
        return 0;
    return memcmp(head, "II*\0", 4) == 0 || memcmp(head, "MM\0*", 4) == 0 || memcmp(head, "II+\0", 4) == 0 ||
           memcmp(head, "MM\0+", 4) == 0;
}

/* Sensor data in a TIFF container: a DNG version, a colour filter array, a first directory that is only a preview, or
 * the mark "CR" behind the header, which no TIFF writer puts there. */
static int is_camera_raw(const rf_decoder *decoder, TIFF *tiff, int photometric)
{
    uint32_t subfile = 0;
    const uint8_t *dng_version = NULL;
    char mark[2] = {0};
    (void)TIFFGetFieldDefaulted(tiff, TIFFTAG_SUBFILETYPE, &subfile);
    return TIFFGetField(tiff, TIFFTAG_DNGVERSION, &dng_version) == 1 || photometric == PHOTOMETRIC_CFA ||
           photometric == PHOTOMETRIC_LINEAR_RAW || (subfile & FILETYPE_REDUCEDIMAGE) != 0 ||
           (pread(fileno(decoder->file), mark, sizeof mark, 8) == sizeof mark && memcmp(mark, "CR", sizeof mark) == 0);
}

static rf_status take_palette(rf_decoder *decoder, int bits, rf_error *err)
{
    tiff_reader *reader = decoder->state;
    uint16_t *map[3] = {NULL, NULL, NULL};
    if (bits != 8 || reader->samples != 1 ||
        TIFFGetField(reader->tiff, TIFFTAG_COLORMAP, &map[0], &map[1], &map[2]) != 1)
        return rf_fail(err, RF_ERR_INPUT,
                       "%s: palette TIFF of %d bits without a usable colour map; 8 bits were expected", decoder->path,
                       bits);
    int shift = 0; /* some writers fill the 16-bit map with 8-bit values */
    for (int c = 0; c < 3; c++)
        for (int i = 0; i < 256; i++)
            if (map[c][i] > 255)
                shift = 8;
    for (int c = 0; c < 3; c++)
        for (int i = 0; i < 256; i++)
            reader->palette[c][i] = (uint8_t)(map[c][i] >> shift);
    reader->has_palette = 1;
    decoder->channels = 3;
    return RF_OK;
}

static rf_status check_colours(rf_decoder *decoder, int photometric, int bits, rf_error *err)
{
    tiff_reader *reader = decoder->state;
    int needed = photometric == PHOTOMETRIC_RGB ? 3 : 1;
    switch (photometric) {
    case PHOTOMETRIC_MINISWHITE:
    case PHOTOMETRIC_MINISBLACK:
        decoder->channels = 1;
        reader->inverted = photometric == PHOTOMETRIC_MINISWHITE;
        break;
    case PHOTOMETRIC_RGB:
        decoder->channels = 3;
        break;
    case PHOTOMETRIC_PALETTE:
        return take_palette(decoder, bits, err);
    case PHOTOMETRIC_SEPARATED:
        return rf_fail(err, RF_ERR_INPUT, "%s: is a CMYK TIFF (%d channels); grey or RGB was expected", decoder->path,
                       reader->samples);
    default:
        return rf_fail(err, RF_ERR_INPUT,
                       "%s: TIFF of photometric interpretation %d; grey, RGB or palette was expected", decoder->path,
                       photometric);
    }
    if (reader->samples < needed || reader->samples > MOST_SAMPLES)
        return rf_fail(err, RF_ERR_INPUT, "%s: TIFF of %d samples a pixel; %d to %d were expected", decoder->path,
                       reader->samples, needed, MOST_SAMPLES);
    return RF_OK;
}

static rf_status check_samples(rf_decoder *decoder, int bits, int kind, rf_error *err)
{
    tiff_reader *reader = decoder->state;
    int is_float = kind == SAMPLEFORMAT_IEEEFP && bits == 32;
    int is_whole = (kind == SAMPLEFORMAT_UINT || kind == SAMPLEFORMAT_VOID) && (bits == 8 || bits == 16);
    if (!is_whole && !(is_float && decoder->takes_float))
        return rf_fail(err, RF_ERR_INPUT, "%s: TIFF of %d-bit %s samples; %s were expected", decoder->path, bits,
                       kind == SAMPLEFORMAT_IEEEFP ? "float"
                       : kind == SAMPLEFORMAT_INT  ? "signed"
                                                   : "unsigned",
                       decoder->takes_float ? "8 or 16 bits unsigned or 32 bits float" : "8 or 16 bits unsigned");
    decoder->sample = is_float ? RF_F32 : bits == 16 ? RF_U16 : RF_U8;
    reader->sample_bytes = rf_sample_bytes(decoder->sample);
    return RF_OK;
}

/* Refuses sizes that the file's own bytes cannot fill, before any memory is taken for them. */
static rf_status check_sizes(rf_decoder *decoder, rf_error *err)
{
    const tiff_reader *reader = decoder->state;
    double pixels = (double)reader->width * reader->height;
    double raw = pixels * reader->samples * (double)reader->sample_bytes, least = 0;
    switch (reader->compression) {
    case COMPRESSION_NONE:
        least = raw;
        break;
    case COMPRESSION_DEFLATE:
    case COMPRESSION_ADOBE_DEFLATE:
        least = raw / MOST_RAW_PER_BYTE;
        break;
    case COMPRESSION_LZW: /* a code of 12 bits stands for at most 4096 bytes */
        least = raw / 4096;
        break;
    case COMPRESSION_PACKBITS: /* two bytes stand for at most 128 */
        least = raw / 64;
        break;
    default:
        return rf_fail(err, RF_ERR_INPUT, "%s: TIFF of compression %d; none, LZW, deflate or PackBits was expected",
                       decoder->path, reader->compression);
    }
    if (reader->width > INT32_MAX || reader->height > INT32_MAX || least > (double)decoder->file_bytes)
        return rf_fail(err, RF_ERR_INPUT, "%s: claims %u x %u pixels in %lld bytes; at least %.0f bytes were expected",
                       decoder->path, reader->width, reader->height, (long long)decoder->file_bytes, least);
    decoder->width = (int)reader->width;
    decoder->height = (int)reader->height;
    return RF_OK;
}

static rf_status take_metadata(rf_decoder *decoder, rf_error *err)
{
    rf_status status;
    tiff_reader *reader = decoder->state;
    uint32_t icc_bytes = 0;
    const void *icc = NULL;
    const char *text = NULL;
    int directory_kept = 1;
    if (TIFFGetField(reader->tiff, TIFFTAG_SOFTWARE, &text) == 1)
        decoder->is_own_output = rf_is_own_software(text);
    if (TIFFGetField(reader->tiff, TIFFTAG_IMAGEDESCRIPTION, &text) == 1)
        RF_TRY(rf_text_copy(&decoder->description, text, strlen(text), err));
    if (TIFFGetField(reader->tiff, TIFFTAG_ICCPROFILE, &icc_bytes, &icc) == 1)
        RF_TRY(rf_metadata_set_icc(&decoder->metadata, icc, icc_bytes, err));
    RF_TRY(tiff_read_exif(reader->tiff, &decoder->metadata, &directory_kept, err));
    if (!directory_kept || reader->messages.lost)
        RF_TRY(tiff_fail(decoder, err));
    reader->messages = (tiff_messages){0}; /* metadata never makes a frame unusable */
done:
    return status;
}

static rf_status open_tiff(rf_decoder *decoder, rf_error *err)
{
    rf_status status;
    uint16_t bits = 1, samples = 1, kind = SAMPLEFORMAT_UINT, planar = PLANARCONFIG_CONTIG, photometric = 0,
             compression = 0;
    tiff_reader *reader = NULL;
    RF_TRY(rf_alloc(&reader, 1, sizeof *reader, "the TIFF decoder", err));
    decoder->state = reader;
    /* "m": no memory map, in which a file cut short by someone else would be a crash and not an error. */
    reader->tiff =
        tiff_open(fileno(decoder->file), decoder->path, "rm", decoder->file_bytes + SPARE_BYTES, &reader->messages);
    if (reader->tiff == NULL || reader->messages.lost)
        RF_TRY(tiff_fail(decoder, err));
    int has_photometric = TIFFGetField(reader->tiff, TIFFTAG_PHOTOMETRIC, &photometric);
    decoder->is_camera_raw = is_camera_raw(decoder, reader->tiff, has_photometric ? photometric : -1);
    if (decoder->is_camera_raw)
        RF_TRY(rf_fail(err, RF_ERR_INPUT, "%s: is a camera raw file; a developed JPEG, PNG or TIFF was expected",
                       decoder->path));
    if (TIFFGetField(reader->tiff, TIFFTAG_IMAGEWIDTH, &reader->width) != 1 ||
        TIFFGetField(reader->tiff, TIFFTAG_IMAGELENGTH, &reader->height) != 1 || !has_photometric)
        RF_TRY(rf_fail(err, RF_ERR_INPUT, "%s: TIFF without a picture (no width, height or photometric interpretation)",
                       decoder->path));
    (void)TIFFGetFieldDefaulted(reader->tiff, TIFFTAG_BITSPERSAMPLE, &bits);
    (void)TIFFGetFieldDefaulted(reader->tiff, TIFFTAG_SAMPLESPERPIXEL, &samples);
    (void)TIFFGetFieldDefaulted(reader->tiff, TIFFTAG_SAMPLEFORMAT, &kind);
    (void)TIFFGetFieldDefaulted(reader->tiff, TIFFTAG_PLANARCONFIG, &planar);
    (void)TIFFGetFieldDefaulted(reader->tiff, TIFFTAG_COMPRESSION, &compression);
    reader->samples = samples;
    reader->compression = compression;
    reader->planes = planar == PLANARCONFIG_SEPARATE && samples > 1 ? samples : 1;
    RF_TRY(check_samples(decoder, bits, kind, err));
    RF_TRY(check_colours(decoder, photometric, bits, err));
    RF_TRY(check_sizes(decoder, err));
    RF_TRY(take_metadata(decoder, err));
done:
    return status;
}

static void close_tiff(rf_decoder *decoder)
{
    tiff_reader *reader = decoder->state;
    if (reader == NULL)
        return;
    if (reader->tiff != NULL)
        TIFFCleanup(reader->tiff);
    rf_free(reader->block);
    rf_free(reader);
    decoder->state = NULL;
}

const rf_read_format rf_read_tiff = {
    .name = "TIFF",
    .knows = knows_tiff,
    .open = open_tiff,
    .read = tiff_read_pixels,
    .close = close_tiff,
};

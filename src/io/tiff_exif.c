/* tiff_exif.c - the EXIF directory of a TIFF file, in and out (CIPA DC-008: tag 34665 points to it). */
#include "tiff_io.h"

#include <string.h>

#include "railfold/memory.h"

/* A positive number, or 0. libtiff hands a ratio out as float or double, as the field is registered. */
static double number_of(TIFF *tiff, uint32_t tag)
{
    const TIFFField *field = TIFFFindField(tiff, tag, TIFF_ANY);
    double wide = 0;
    float narrow = 0;
    if (field == NULL || TIFFFieldPassCount(field))
        return 0;
    if (TIFFFieldSetGetSize(field) == 8)
        return TIFFGetField(tiff, tag, &wide) == 1 && wide > 0 && wide < 1e9 ? wide : 0;
    if (TIFFFieldSetGetSize(field) == 4)
        return TIFFGetField(tiff, tag, &narrow) == 1 && narrow > 0 && narrow < 1e9f ? (double)narrow : 0;
    return 0;
}

static void text_of(TIFF *tiff, uint32_t tag, char *out, size_t out_bytes)
{
    const char *text = NULL;
    out[0] = '\0';
    if (TIFFGetField(tiff, tag, &text) == 1 && text != NULL)
        rf_exif_text(out, out_bytes, text, strlen(text));
}

static double iso_of(TIFF *tiff)
{
    const TIFFField *field = TIFFFindField(tiff, EXIFTAG_ISOSPEEDRATINGS, TIFF_ANY);
    uint16_t count = 0;
    const uint16_t *values = NULL;
    if (field == NULL || !TIFFFieldPassCount(field) || TIFFFieldReadCount(field) != TIFF_VARIABLE)
        return 0;
    return TIFFGetField(tiff, EXIFTAG_ISOSPEEDRATINGS, &count, &values) == 1 && count > 0 ? values[0] : 0;
}

static void take_exif_directory(TIFF *tiff, rf_metadata *metadata, rf_exif_extra *extra)
{
    char time[32], subsecond[16];
    uint16_t color_space = 0;
    metadata->exposure_s = number_of(tiff, EXIFTAG_EXPOSURETIME);
    metadata->f_number = number_of(tiff, EXIFTAG_FNUMBER);
    metadata->focal_length_mm = number_of(tiff, EXIFTAG_FOCALLENGTH);
    metadata->iso = iso_of(tiff);
    text_of(tiff, EXIFTAG_DATETIMEORIGINAL, time, sizeof time);
    text_of(tiff, EXIFTAG_SUBSECTIMEORIGINAL, subsecond, sizeof subsecond);
    metadata->capture_time_ms = rf_exif_time_ms(time, subsecond);
    if (TIFFGetField(tiff, EXIFTAG_COLORSPACE, &color_space) == 1)
        extra->color_space = color_space;
}

rf_status tiff_read_exif(TIFF *tiff, rf_metadata *metadata, int *directory_kept, rf_error *err)
{
    rf_exif_extra extra = {0};
    uint16_t orientation = 1;
    uint64_t offset = 0;
    *directory_kept = 1;
    (void)TIFFGetFieldDefaulted(tiff, TIFFTAG_ORIENTATION, &orientation);
    metadata->orientation = orientation >= 1 && orientation <= 8 ? orientation : 1;
    text_of(tiff, TIFFTAG_MAKE, extra.make, sizeof extra.make);
    text_of(tiff, TIFFTAG_MODEL, extra.model, sizeof extra.model);
    text_of(tiff, TIFFTAG_SOFTWARE, extra.software, sizeof extra.software);
    rf_camera_text(metadata->camera, sizeof metadata->camera, extra.make, extra.model);
    int has_exif = TIFFGetField(tiff, TIFFTAG_EXIFIFD, &offset) == 1 && offset != 0;
    if (has_exif) {
        if (TIFFReadEXIFDirectory(tiff, offset))
            take_exif_directory(tiff, metadata, &extra);
        *directory_kept = TIFFSetDirectory(tiff, 0);
    }
    if (!has_exif && metadata->camera[0] == '\0')
        return RF_OK;
    return rf_exif_build(metadata, &extra, &metadata->exif, &metadata->exif_bytes, err);
}

static int set_number(TIFF *tiff, uint32_t tag, double value)
{
    return value > 0 ? TIFFSetField(tiff, tag, value) : 1;
}

int tiff_write_exif(TIFF *tiff, const rf_metadata *metadata, const rf_exif_extra *extra, uint64_t *offset)
{
    static const uint8_t version[4] = {'0', '2', '3', '2'};
    char time[RF_EXIF_TIME_BYTES], subsecond[4];
    *offset = 0;
    if (TIFFCreateEXIFDirectory(tiff) != 0)
        return 0;
    int good = TIFFSetField(tiff, EXIFTAG_EXIFVERSION, version) == 1 &&
               set_number(tiff, EXIFTAG_EXPOSURETIME, metadata->exposure_s) == 1 &&
               set_number(tiff, EXIFTAG_FNUMBER, metadata->f_number) == 1 &&
               set_number(tiff, EXIFTAG_FOCALLENGTH, metadata->focal_length_mm) == 1;
    if (metadata->iso >= 1) {
        uint16_t iso = metadata->iso < 65535 ? (uint16_t)(metadata->iso + 0.5) : 65535;
        good = good && TIFFSetField(tiff, EXIFTAG_ISOSPEEDRATINGS, 1, &iso) == 1;
    }
    if (metadata->capture_time_ms != INT64_MIN) {
        rf_exif_time_text(metadata->capture_time_ms, time, subsecond);
        good = good && TIFFSetField(tiff, EXIFTAG_DATETIMEORIGINAL, time) == 1 &&
               TIFFSetField(tiff, EXIFTAG_SUBSECTIMEORIGINAL, subsecond) == 1;
    }
    if (extra->color_space > 0)
        good = good && TIFFSetField(tiff, EXIFTAG_COLORSPACE, extra->color_space) == 1;
    good = good && TIFFWriteCustomDirectory(tiff, offset) == 1;
    return good && TIFFCreateDirectory(tiff) == 0;
}

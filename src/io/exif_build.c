/* exif_build.c - a fresh EXIF block (CIPA DC-008, Exif 2.32) by libexif: only values that are true of the output. */
#include "exif_memory.h"
#include "io_codec.h"

#include <math.h>
#include <string.h>

#include <libexif/exif-data.h>
#include <libexif/exif-mem.h>

#include "railfold/memory.h"

enum { HEAD_BYTES = 6 }; /* "Exif\0\0", which libexif puts first */

typedef struct builder {
    ExifData *data;
    ExifMem *memory;
    int failed;
} builder;

/* Room for one entry's value, or NULL (and `failed`). */
static unsigned char *add_entry(builder *b, ExifIfd ifd, int tag, ExifFormat format, size_t components)
{
    size_t bytes = components * exif_format_get_size(format);
    ExifEntry *entry = exif_entry_new_mem(b->memory);
    unsigned char *value = exif_mem_alloc(b->memory, (ExifLong)bytes);
    if (entry == NULL || value == NULL) {
        b->failed = 1;
        exif_mem_free(b->memory, value);
        if (entry != NULL)
            exif_entry_unref(entry);
        return NULL;
    }
    entry->tag = (ExifTag)tag;
    entry->format = format;
    entry->components = components;
    entry->size = (unsigned)bytes;
    entry->data = value;
    exif_content_add_entry(b->data->ifd[ifd], entry);
    b->failed |= entry->parent == NULL; /* the content had no room for it, and the value goes with the entry */
    exif_entry_unref(entry);            /* the content holds it now */
    return b->failed ? NULL : value;
}

static void add_text(builder *b, ExifIfd ifd, int tag, const char *text)
{
    size_t bytes = strlen(text) + 1;
    unsigned char *value = bytes > 1 ? add_entry(b, ifd, tag, EXIF_FORMAT_ASCII, bytes) : NULL;
    if (value != NULL)
        memcpy(value, text, bytes);
}

static void add_bytes(builder *b, ExifIfd ifd, int tag, const char *bytes, size_t count)
{
    unsigned char *value = add_entry(b, ifd, tag, EXIF_FORMAT_UNDEFINED, count);
    if (value != NULL)
        memcpy(value, bytes, count);
}

static void add_short(builder *b, ExifIfd ifd, int tag, int number)
{
    unsigned char *value = add_entry(b, ifd, tag, EXIF_FORMAT_SHORT, 1);
    if (value != NULL)
        exif_set_short(value, EXIF_BYTE_ORDER_INTEL, (ExifShort)number);
}

/* The simplest ratio within 1e-7 of the value (its continued fraction): 0.008 becomes 1/125. */
static ExifRational ratio_of(double value)
{
    double before[2] = {0, 1}, last[2] = {1, 0}; /* numerator, denominator of the two latest convergents */
    double rest = value;
    for (int i = 0; i < 32; i++) {
        double whole = floor(rest);
        double next[2] = {whole * last[0] + before[0], whole * last[1] + before[1]};
        if (next[0] > UINT32_MAX || next[1] > UINT32_MAX)
            break;
        memcpy(before, last, sizeof before);
        memcpy(last, next, sizeof last);
        if (fabs(last[0] / last[1] - value) <= 1e-7 * value || rest - whole <= 0)
            break;
        rest = 1.0 / (rest - whole);
    }
    return (ExifRational){.numerator = (ExifLong)last[0], .denominator = (ExifLong)last[1]};
}

static void add_number(builder *b, int tag, double number)
{
    if (!(number > 1e-6 && number < 1e9)) /* 0 is unknown */
        return;
    unsigned char *value = add_entry(b, EXIF_IFD_EXIF, tag, EXIF_FORMAT_RATIONAL, 1);
    if (value != NULL)
        exif_set_rational(value, EXIF_BYTE_ORDER_INTEL, ratio_of(number));
}

void rf_exif_time_text(int64_t time_ms, char text[RF_EXIF_TIME_BYTES], char subsecond[4])
{
    int64_t ms_of_day = time_ms % 86400000, days = time_ms / 86400000;
    if (ms_of_day < 0) {
        ms_of_day += 86400000;
        days--;
    }
    /* Gregorian date from days, years beginning in March: the inverse of days_from_date. */
    int64_t z = days + 719468, era = z / 146097, day_of_era = z - era * 146097;
    int64_t year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36524 - day_of_era / 146096) / 365;
    int64_t day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    int64_t month = (5 * day_of_year + 2) / 153, day = day_of_year - (153 * month + 2) / 5 + 1;
    int64_t year = year_of_era + era * 400 + (month >= 10);
    int second = (int)(ms_of_day / 1000);
    (void)snprintf(text, RF_EXIF_TIME_BYTES, "%04d:%02d:%02d %02d:%02d:%02d", (int)(year % 10000),
                   (int)(month < 10 ? month + 3 : month - 9) % 100, (int)day % 100, second / 3600 % 100,
                   second / 60 % 60, second % 60);
    (void)snprintf(subsecond, 4, "%03d", (int)(ms_of_day % 1000));
}

static void add_values(builder *b, const rf_metadata *metadata, const rf_exif_extra *extra)
{
    char time[RF_EXIF_TIME_BYTES], subsecond[4];
    int has_names = extra->make[0] != '\0' || extra->model[0] != '\0';
    add_text(b, EXIF_IFD_0, EXIF_TAG_MAKE, extra->make);
    add_text(b, EXIF_IFD_0, EXIF_TAG_MODEL, has_names ? extra->model : metadata->camera);
    add_short(b, EXIF_IFD_0, EXIF_TAG_ORIENTATION, 1);
    add_text(b, EXIF_IFD_0, EXIF_TAG_SOFTWARE, extra->software);
    add_bytes(b, EXIF_IFD_EXIF, EXIF_TAG_EXIF_VERSION, "0232", 4);
    add_number(b, EXIF_TAG_EXPOSURE_TIME, metadata->exposure_s);
    add_number(b, EXIF_TAG_FNUMBER, metadata->f_number);
    add_number(b, EXIF_TAG_FOCAL_LENGTH, metadata->focal_length_mm);
    if (metadata->iso >= 1)
        add_short(b, EXIF_IFD_EXIF, EXIF_TAG_ISO_SPEED_RATINGS,
                  metadata->iso < 65535 ? (int)(metadata->iso + 0.5) : 65535);
    if (metadata->capture_time_ms != INT64_MIN) {
        rf_exif_time_text(metadata->capture_time_ms, time, subsecond);
        add_text(b, EXIF_IFD_EXIF, EXIF_TAG_DATE_TIME_ORIGINAL, time);
        add_text(b, EXIF_IFD_EXIF, EXIF_TAG_SUB_SEC_TIME_ORIGINAL, subsecond);
    }
    if (extra->color_space > 0)
        add_short(b, EXIF_IFD_EXIF, EXIF_TAG_COLOR_SPACE, extra->color_space);
    add_text(b, EXIF_IFD_INTEROPERABILITY, EXIF_TAG_INTEROPERABILITY_INDEX, extra->interop);
}

rf_status rf_exif_build(const rf_metadata *metadata, const rf_exif_extra *extra, uint8_t **out, size_t *bytes,
                        rf_error *err)
{
    rf_status status;
    unsigned char *block = NULL;
    unsigned block_bytes = 0;
    builder b = {.memory = rf_exif_memory_new()};
    *out = NULL;
    *bytes = 0;
    b.data = b.memory == NULL ? NULL : exif_data_new_mem(b.memory);
    if (b.data != NULL) {
        exif_data_set_byte_order(b.data, EXIF_BYTE_ORDER_INTEL);
        add_values(&b, metadata, extra);
        if (!b.failed)
            exif_data_save_data(b.data, &block, &block_bytes);
    }
    if (block == NULL || block_bytes <= HEAD_BYTES || rf_exif_memory_ran_out())
        RF_TRY(rf_fail(err, RF_ERR_MEMORY, "the EXIF block of the output: the system has no memory left"));
    RF_TRY(rf_alloc_raw(out, block_bytes - HEAD_BYTES, 1, "an EXIF block", err));
    memcpy(*out, block + HEAD_BYTES, block_bytes - HEAD_BYTES);
    *bytes = block_bytes - HEAD_BYTES;
done:
    if (block != NULL)
        exif_mem_free(b.memory, block);
    if (b.data != NULL)
        exif_data_unref(b.data);
    if (b.memory != NULL)
        exif_mem_unref(b.memory);
    return status;
}

rf_status rf_metadata_build_exif(const rf_metadata *metadata, uint8_t **out, size_t *bytes, rf_error *err)
{
    rf_exif_extra extra;
    rf_status status = rf_exif_extra_read(metadata, &extra, err);
    *out = NULL;
    *bytes = 0;
    if (status != RF_OK)
        return status;
    (void)snprintf(extra.software, sizeof extra.software, "%s", rf_software_of(metadata));
    return rf_exif_build(metadata, &extra, out, bytes, err);
}

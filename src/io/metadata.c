/* metadata.c - the metadata struct, and the few EXIF values railfold reads. Tags: CIPA DC-008 (Exif 2.32), by libexif.
 */
#include "exif_memory.h"
#include "io_codec.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

#include <libexif/exif-data.h>

#include "railfold/memory.h"

static const uint8_t exif_head[6] = {'E', 'x', 'i', 'f', 0, 0};
enum { MOST_EXIF_BYTES = 1 << 20 }; /* a JPEG segment holds 64 KiB; more than this is no EXIF block */

void rf_metadata_init(rf_metadata *metadata)
{
    *metadata = (rf_metadata){.orientation = 1, .capture_time_ms = INT64_MIN};
}

void rf_metadata_free(rf_metadata *metadata)
{
    rf_free(metadata->icc);
    rf_free(metadata->exif);
    rf_metadata_init(metadata);
}

rf_status rf_metadata_set_icc(rf_metadata *metadata, const uint8_t *icc, size_t bytes, rf_error *err)
{
    rf_free(metadata->icc);
    metadata->icc = NULL;
    metadata->icc_bytes = 0;
    if (icc == NULL || bytes == 0)
        return RF_OK;
    rf_status status = rf_alloc_raw(&metadata->icc, bytes, 1, "an ICC profile", err);
    if (status == RF_OK) {
        memcpy(metadata->icc, icc, bytes);
        metadata->icc_bytes = bytes;
    }
    return status;
}

const char *rf_software_of(const rf_metadata *metadata)
{
    return metadata != NULL && metadata->software[0] != '\0' ? metadata->software : RF_SOFTWARE;
}

int rf_is_own_software(const char *software)
{
    return strncmp(software, "railfold", 8) == 0;
}

/* ---- texts and times ---- */

/* Length of the UTF-8 sequence at p, 0 when it is none (RFC 3629, overlong forms and surrogates aside). */
static size_t utf8_length(const uint8_t *p, const uint8_t *end)
{
    size_t length = *p < 0x80                 ? 1
                    : *p >= 0xC2 && *p < 0xE0 ? 2
                    : *p >= 0xE0 && *p < 0xF0 ? 3
                    : *p >= 0xF0 && *p < 0xF5 ? 4
                                              : 0;
    if (length == 0 || (size_t)(end - p) < length)
        return 0;
    for (size_t i = 1; i < length; i++)
        if ((p[i] & 0xC0) != 0x80)
            return 0;
    return length;
}

void rf_exif_text(char *out, size_t out_bytes, const char *text, size_t bytes)
{
    const uint8_t *p = (const uint8_t *)text, *end = p + strnlen(text, bytes);
    while (p < end && isspace(*p))
        p++;
    while (end > p && isspace(end[-1]))
        end--;
    size_t at = 0;
    while (p < end) {
        size_t length = utf8_length(p, end);
        if (at + (length == 0 ? 1 : length) >= out_bytes)
            break;
        if (length == 0 || *p < 0x20)
            out[at++] = '?';
        else
            memcpy(out + at, p, length), at += length;
        p += length == 0 ? 1 : length;
    }
    out[at] = '\0';
}

void rf_camera_text(char *out, size_t out_bytes, const char *make, const char *model)
{
    size_t word = strcspn(make, " ");
    int repeats = word > 0 && strncmp(make, model, word) == 0;
    (void)snprintf(out, out_bytes, "%s%s%s", repeats ? "" : make, repeats || *make == 0 || *model == 0 ? "" : " ",
                   model);
}

/* Days from 1970-01-01 in the Gregorian calendar; months run from March so that the leap day comes last. */
static int64_t days_from_date(int year, int month, int day)
{
    int64_t y = month > 2 ? year : year - 1;
    int64_t day_of_year = (153 * (month > 2 ? month - 3 : month + 9) + 2) / 5 + day - 1;
    return y * 365 + y / 4 - y / 100 + y / 400 + day_of_year - 719468;
}

int64_t rf_exif_time_ms(const char *text, const char *subsecond)
{
    static const int month_days[] = {31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    int year, month, day, hour, minute, second, length = 0;
    if (sscanf(text, "%4d:%2d:%2d %2d:%2d:%2d%n", &year, &month, &day, &hour, &minute, &second, &length) != 6 ||
        length != 19)
        return INT64_MIN;
    if (year < 1 || month < 1 || month > 12 || day < 1 || day > month_days[month - 1] || hour < 0 || hour > 23 ||
        minute < 0 || minute > 59 || second < 0 || second > 60)
        return INT64_MIN;
    int64_t ms = 0;
    int weight = 100;
    for (const char *p = subsecond; p != NULL && *p >= '0' && *p <= '9' && weight > 0; p++, weight /= 10)
        ms += (*p - '0') * weight;
    return ((days_from_date(year, month, day) * 24 + hour) * 60 + minute) * 60000 + (int64_t)second * 1000 + ms;
}

/* ---- reading a block ---- */

static const ExifEntry *entry_of(const ExifData *data, ExifIfd ifd, int tag)
{
    return exif_content_get_entry(data->ifd[ifd], (ExifTag)tag);
}

/* First value as a number; 0 when absent, of another type, or not a positive finite number. */
static double number_of(const ExifData *data, ExifIfd ifd, int tag)
{
    const ExifEntry *entry = entry_of(data, ifd, tag);
    double value = 0;
    if (entry == NULL || entry->data == NULL || entry->components < 1)
        return 0;
    ExifByteOrder order = exif_data_get_byte_order((ExifData *)data);
    if (entry->format == EXIF_FORMAT_RATIONAL && entry->size >= 8) {
        ExifRational ratio = exif_get_rational(entry->data, order);
        value = ratio.denominator == 0 ? 0 : (double)ratio.numerator / (double)ratio.denominator;
    } else if (entry->format == EXIF_FORMAT_SHORT && entry->size >= 2) {
        value = exif_get_short(entry->data, order);
    } else if (entry->format == EXIF_FORMAT_LONG && entry->size >= 4) {
        value = exif_get_long(entry->data, order);
    }
    return isfinite(value) && value > 0 ? value : 0;
}

static void text_of(const ExifData *data, ExifIfd ifd, int tag, char *out, size_t out_bytes)
{
    const ExifEntry *entry = entry_of(data, ifd, tag);
    out[0] = '\0';
    if (entry != NULL && entry->data != NULL && entry->format == EXIF_FORMAT_ASCII)
        rf_exif_text(out, out_bytes, (const char *)entry->data, entry->size);
}

static int looks_like_exif(const uint8_t *exif, size_t bytes)
{
    return bytes >= 14 && bytes <= MOST_EXIF_BYTES && (memcmp(exif, "II*\0", 4) == 0 || memcmp(exif, "MM\0*", 4) == 0);
}

/* NULL when there is no memory, or nothing in the block that can be read. */
static ExifData *parse(const uint8_t *exif, size_t bytes, rf_status *status, rf_error *err)
{
    uint8_t *block = NULL;
    *status = rf_alloc_raw(&block, bytes + sizeof exif_head, 1, "an EXIF block", err);
    if (*status != RF_OK)
        return NULL;
    memcpy(block, exif_head, sizeof exif_head); /* libexif wants the head of a JPEG segment */
    memcpy(block + sizeof exif_head, exif, bytes);
    ExifMem *memory = rf_exif_memory_new();
    ExifData *data = memory == NULL ? NULL : exif_data_new_mem(memory);
    if (data != NULL) {
        exif_data_unset_option(data, EXIF_DATA_OPTION_FOLLOW_SPECIFICATION); /* else it invents missing values */
        exif_data_load_data(data, block, (unsigned)(bytes + sizeof exif_head));
        if (rf_exif_memory_ran_out() || (data->ifd[EXIF_IFD_0]->count == 0 && data->ifd[EXIF_IFD_EXIF]->count == 0)) {
            exif_data_unref(data);
            data = NULL;
        }
    }
    rf_free(block);
    if (memory != NULL)
        exif_mem_unref(memory); /* the data holds it */
    if (rf_exif_memory_ran_out())
        *status = rf_fail(err, RF_ERR_MEMORY, "an EXIF block of %zu bytes: the system has no memory left", bytes);
    return data;
}

static void take_values(const ExifData *data, rf_metadata *metadata)
{
    char time[32], subsecond[16], make[64], model[128];
    double orientation = number_of(data, EXIF_IFD_0, EXIF_TAG_ORIENTATION);
    if (orientation >= 1 && orientation <= 8)
        metadata->orientation = (int)orientation;
    metadata->exposure_s = number_of(data, EXIF_IFD_EXIF, EXIF_TAG_EXPOSURE_TIME);
    metadata->f_number = number_of(data, EXIF_IFD_EXIF, EXIF_TAG_FNUMBER);
    metadata->iso = number_of(data, EXIF_IFD_EXIF, EXIF_TAG_ISO_SPEED_RATINGS);
    metadata->focal_length_mm = number_of(data, EXIF_IFD_EXIF, EXIF_TAG_FOCAL_LENGTH);
    text_of(data, EXIF_IFD_EXIF, EXIF_TAG_DATE_TIME_ORIGINAL, time, sizeof time);
    text_of(data, EXIF_IFD_EXIF, EXIF_TAG_SUB_SEC_TIME_ORIGINAL, subsecond, sizeof subsecond);
    metadata->capture_time_ms = rf_exif_time_ms(time, subsecond);
    text_of(data, EXIF_IFD_0, EXIF_TAG_MAKE, make, sizeof make);
    text_of(data, EXIF_IFD_0, EXIF_TAG_MODEL, model, sizeof model);
    rf_camera_text(metadata->camera, sizeof metadata->camera, make, model);
}

rf_status rf_metadata_set_exif(rf_metadata *metadata, const uint8_t *exif, size_t bytes, rf_error *err)
{
    rf_status status;
    rf_metadata fresh;
    ExifData *data = NULL;
    rf_metadata_init(&fresh);
    if (exif != NULL && bytes >= sizeof exif_head && memcmp(exif, exif_head, sizeof exif_head) == 0) {
        exif += sizeof exif_head;
        bytes -= sizeof exif_head;
    }
    status = RF_OK;
    if (exif != NULL && looks_like_exif(exif, bytes)) {
        data = parse(exif, bytes, &status, err);
        RF_TRY(status);
    }
    if (data != NULL) {
        RF_TRY(rf_alloc_raw(&fresh.exif, bytes, 1, "an EXIF block", err));
        memcpy(fresh.exif, exif, bytes);
        fresh.exif_bytes = bytes;
        take_values(data, &fresh);
    }
    fresh.icc = metadata->icc;
    fresh.icc_bytes = metadata->icc_bytes;
    rf_free(metadata->exif);
    *metadata = fresh;
done:
    if (data != NULL)
        exif_data_unref(data);
    return status;
}

rf_status rf_exif_extra_read(const rf_metadata *metadata, rf_exif_extra *extra, rf_error *err)
{
    rf_status status = RF_OK;
    *extra = (rf_exif_extra){0};
    ExifData *data = metadata->exif == NULL ? NULL : parse(metadata->exif, metadata->exif_bytes, &status, err);
    if (data == NULL)
        return status;
    text_of(data, EXIF_IFD_0, EXIF_TAG_MAKE, extra->make, sizeof extra->make);
    text_of(data, EXIF_IFD_0, EXIF_TAG_MODEL, extra->model, sizeof extra->model);
    text_of(data, EXIF_IFD_0, EXIF_TAG_SOFTWARE, extra->software, sizeof extra->software);
    text_of(data, EXIF_IFD_INTEROPERABILITY, EXIF_TAG_INTEROPERABILITY_INDEX, extra->interop, sizeof extra->interop);
    extra->color_space = (int)number_of(data, EXIF_IFD_EXIF, EXIF_TAG_COLOR_SPACE);
    exif_data_unref(data);
    return RF_OK;
}

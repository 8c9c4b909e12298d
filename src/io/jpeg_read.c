/* jpeg_read.c - JPEG frames through libjpeg-turbo, straight into the picture's rows.
 *
 * libjpeg reports a truncated scan as a warning and makes up the rest; here such a frame is an error. */
#include "io_codec.h"

#include <setjmp.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>
#include <jerror.h>

#include "railfold/memory.h"

enum {
    ROWS_AT_ONCE = 16,
    MOST_SCANS = 200,           /* a progressive file has about ten; thousands are an attack on time */
    MOST_PX_PER_BYTE = 512,     /* a Huffman-coded block of 8 x 8 pixels takes one bit at the very least */
    HARMLESS_PADDING_BYTES = 16 /* some cameras pad before the end marker */
};

typedef struct jpeg_reader {
    struct jpeg_decompress_struct lib;
    struct jpeg_error_mgr errors;
    struct jpeg_progress_mgr progress;
    jmp_buf escape; /* set anew by each function that calls libjpeg */
    int created, out_of_memory, damaged;
    char message[JMSG_LENGTH_MAX];
    JOCTET *icc;  /* from libjpeg's malloc */
    uint8_t *row; /* one grey row */
} jpeg_reader;

static void keep_message(j_common_ptr lib)
{
    jpeg_reader *reader = lib->client_data;
    if (reader->message[0] == '\0')
        lib->err->format_message(lib, reader->message);
}

_Noreturn static void on_error(j_common_ptr lib)
{
    jpeg_reader *reader = lib->client_data;
    reader->out_of_memory = lib->err->msg_code == JERR_OUT_OF_MEMORY;
    if (!reader->damaged)
        reader->message[0] = '\0';
    keep_message(lib);
    longjmp(reader->escape, 1);
}

/* Warnings that mean lost or made-up pixels. Oddities of the header are none. */
static int is_damage(const struct jpeg_error_mgr *errors)
{
    switch (errors->msg_code) {
    case JWRN_HIT_MARKER:
    case JWRN_JPEG_EOF:
    case JWRN_HUFF_BAD_CODE:
    case JWRN_ARITH_BAD_CODE:
    case JWRN_MUST_RESYNC:
    case JWRN_BOGUS_PROGRESSION:
        return 1;
    case JWRN_EXTRANEOUS_DATA:
        return errors->msg_parm.i[0] > HARMLESS_PADDING_BYTES;
    default:
        return 0;
    }
}

static void on_message(j_common_ptr lib, int level)
{
    jpeg_reader *reader = lib->client_data;
    if (level < 0 && is_damage(lib->err)) {
        reader->damaged = 1;
        keep_message(lib);
    }
}

static void on_progress(j_common_ptr lib)
{
    jpeg_reader *reader = lib->client_data;
    if (reader->lib.input_scan_number > MOST_SCANS) {
        (void)snprintf(reader->message, sizeof reader->message, "more than %d scans", MOST_SCANS);
        longjmp(reader->escape, 1);
    }
}

static rf_status fail(const rf_decoder *decoder, rf_error *err)
{
    const jpeg_reader *reader = decoder->state;
    if (reader->out_of_memory)
        return rf_fail(err, RF_ERR_MEMORY, "%s: no memory to decode it (%s)", decoder->path, reader->message);
    if (ferror(decoder->file)) /* the picture may be whole */
        return rf_fail(err, RF_ERR_INPUT, "%s: the disk or card failed to read it", decoder->path);
    return rf_fail(err, RF_ERR_INPUT, "%s: damaged or truncated JPEG (%s); a whole picture was expected", decoder->path,
                   reader->message);
}

static int knows_jpeg(const uint8_t *head, size_t bytes)
{
    return bytes >= 3 && head[0] == 0xFF && head[1] == 0xD8 && head[2] == 0xFF;
}

static rf_status take_markers(rf_decoder *decoder, rf_error *err)
{
    rf_status status = RF_OK;
    jpeg_reader *reader = decoder->state;
    unsigned icc_bytes = 0;
    if (jpeg_read_icc_profile(&reader->lib, &reader->icc, &icc_bytes))
        RF_TRY(rf_metadata_set_icc(&decoder->metadata, reader->icc, icc_bytes, err));
    for (jpeg_saved_marker_ptr marker = reader->lib.marker_list; marker != NULL; marker = marker->next) {
        const char *data = (const char *)marker->data;
        if (marker->marker == JPEG_APP0 + 1 && marker->data_length > 6 && memcmp(data, "Exif\0\0", 6) == 0 &&
            decoder->metadata.exif == NULL)
            RF_TRY(rf_metadata_set_exif(&decoder->metadata, marker->data, marker->data_length, err));
        if (marker->marker == JPEG_COM && decoder->description == NULL)
            RF_TRY(rf_text_copy(&decoder->description, data, marker->data_length, err));
    }
    rf_exif_extra extra;
    RF_TRY(rf_exif_extra_read(&decoder->metadata, &extra, err));
    decoder->is_own_output = rf_is_own_software(extra.software);
done:
    return status;
}

static rf_status check_header(rf_decoder *decoder, rf_error *err)
{
    const struct jpeg_decompress_struct *lib = &((jpeg_reader *)decoder->state)->lib;
    int64_t pixels = (int64_t)lib->image_width * lib->image_height;
    switch (lib->jpeg_color_space) {
    case JCS_GRAYSCALE:
        decoder->channels = 1;
        break;
    case JCS_RGB:
    case JCS_YCbCr:
        decoder->channels = 3;
        break;
    case JCS_CMYK:
    case JCS_YCCK:
        return rf_fail(err, RF_ERR_INPUT, "%s: is a CMYK JPEG (%d channels); grey or RGB was expected", decoder->path,
                       lib->num_components);
    default:
        return rf_fail(err, RF_ERR_INPUT, "%s: JPEG of %d channels of unknown meaning; grey or RGB was expected",
                       decoder->path, lib->num_components);
    }
    if (!lib->arith_code && pixels / MOST_PX_PER_BYTE > decoder->file_bytes)
        return rf_fail(err, RF_ERR_INPUT, "%s: claims %u x %u pixels in %lld bytes; at least %lld bytes were expected",
                       decoder->path, lib->image_width, lib->image_height, (long long)decoder->file_bytes,
                       (long long)(pixels / MOST_PX_PER_BYTE));
    decoder->width = (int)lib->image_width;
    decoder->height = (int)lib->image_height;
    decoder->sample = RF_U8;
    return RF_OK;
}

static rf_status open_jpeg(rf_decoder *decoder, rf_error *err)
{
    jpeg_reader *reader = NULL;
    rf_status status = rf_alloc(&reader, 1, sizeof *reader, "the JPEG decoder", err);
    if (status != RF_OK)
        return status;
    decoder->state = reader;
    reader->lib.client_data = reader;
    reader->lib.err = jpeg_std_error(&reader->errors);
    reader->errors.error_exit = on_error;
    reader->errors.emit_message = on_message;
    if (setjmp(reader->escape) != 0)
        return fail(decoder, err);
    jpeg_create_decompress(&reader->lib);
    reader->created = 1;
    reader->progress.progress_monitor = on_progress;
    reader->lib.progress = &reader->progress;
    jpeg_stdio_src(&reader->lib, decoder->file);
    jpeg_save_markers(&reader->lib, JPEG_APP0 + 1, 0xFFFF);
    jpeg_save_markers(&reader->lib, JPEG_APP0 + 2, 0xFFFF);
    jpeg_save_markers(&reader->lib, JPEG_COM, 0xFFFF);
    (void)jpeg_read_header(&reader->lib, TRUE);
    if (reader->damaged)
        return fail(decoder, err);
    status = check_header(decoder, err);
    return status == RF_OK ? take_markers(decoder, err) : status;
}

static rf_status finish(rf_decoder *decoder, rf_error *err)
{
    jpeg_reader *reader = decoder->state;
    if (!reader->damaged)
        (void)jpeg_finish_decompress(&reader->lib); /* reads on to the end marker: finds a cut there too */
    return reader->damaged ? fail(decoder, err) : RF_OK;
}

static rf_status read_jpeg(rf_decoder *decoder, rf_image *image, rf_error *err)
{
    jpeg_reader *reader = decoder->state;
    if (setjmp(reader->escape) != 0)
        return fail(decoder, err);
    reader->lib.out_color_space = decoder->channels == 3 ? JCS_RGB : JCS_GRAYSCALE;
    (void)jpeg_start_decompress(&reader->lib);
    while (reader->lib.output_scanline < reader->lib.output_height && !reader->damaged) {
        JSAMPROW rows[ROWS_AT_ONCE];
        JDIMENSION begin = reader->lib.output_scanline, count = 0;
        while (count < ROWS_AT_ONCE && begin + count < reader->lib.output_height) {
            rows[count] = rf_image_row(image, (int)(begin + count));
            count++;
        }
        (void)jpeg_read_scanlines(&reader->lib, rows, count);
    }
    return finish(decoder, err);
}

static void put_row(const rf_image *luma, int y, const uint8_t *row)
{
    if (luma->sample == RF_F32)
        rf_row_to_f32(rf_image_row_f32(luma, y), row, RF_U8, (size_t)luma->width);
    else if (luma->sample == RF_U8)
        memcpy(rf_image_row(luma, y), row, (size_t)luma->width);
    else
        for (int x = 0; x < luma->width; x++)
            ((uint16_t *)rf_image_row(luma, y))[x] = (uint16_t)(257 * row[x]);
}

/* The scaled inverse DCT turns each block of 8 x 8 coefficients into 8 / reduce pixels a side, which cover the block
 * evenly: pixel x covers the stored pixels reduce * x to reduce * x + reduce - 1. libjpeg rounds the size up; the part
 * pixel at the end is dropped. */
static rf_status read_luma_jpeg(rf_decoder *decoder, int reduce, rf_image *luma, rf_error *err)
{
    jpeg_reader *reader = decoder->state;
    rf_status status = rf_alloc_raw(&reader->row, (size_t)decoder->width + 8, 1, "a row of the JPEG decoder", err);
    if (status != RF_OK)
        return status;
    if (setjmp(reader->escape) != 0)
        return fail(decoder, err);
    reader->lib.out_color_space = JCS_GRAYSCALE;
    reader->lib.scale_num = 8 / (unsigned)reduce;
    reader->lib.scale_denom = 8;
    (void)jpeg_start_decompress(&reader->lib);
    while (reader->lib.output_scanline < reader->lib.output_height && !reader->damaged) {
        int y = (int)reader->lib.output_scanline;
        (void)jpeg_read_scanlines(&reader->lib, &reader->row, 1);
        if (y < luma->height)
            put_row(luma, y, reader->row);
    }
    return finish(decoder, err);
}

static void close_jpeg(rf_decoder *decoder)
{
    jpeg_reader *reader = decoder->state;
    if (reader == NULL)
        return;
    if (reader->created)
        jpeg_destroy_decompress(&reader->lib);
    free(reader->icc);
    rf_free(reader->row);
    rf_free(reader);
    decoder->state = NULL;
}

const rf_read_format rf_read_jpeg = {
    .name = "JPEG",
    .knows = knows_jpeg,
    .open = open_jpeg,
    .read = read_jpeg,
    .read_luma = read_luma_jpeg,
    .close = close_jpeg,
};

/* jpeg_write.c - JPEG pictures: 4:4:4, optimised Huffman tables, with profile, EXIF and comment. */
#include "io_codec.h"

#include <setjmp.h>
#include <string.h>

#include <jpeglib.h>
#include <jerror.h>

#include "railfold/memory.h"

enum { DEFAULT_QUALITY = 95, MOST_SIDE_PX = 65500, SEGMENT_BYTES = 65533, EXIF_HEAD_BYTES = 6 };

typedef struct jpeg_writer {
    struct jpeg_compress_struct lib;
    struct jpeg_error_mgr errors;
    jmp_buf escape; /* set anew by each function that calls libjpeg */
    int created, out_of_memory;
    uint8_t *exif;
    size_t exif_bytes;
    char message[JMSG_LENGTH_MAX];
} jpeg_writer;

_Noreturn static void on_error(j_common_ptr lib)
{
    jpeg_writer *state = lib->client_data;
    state->out_of_memory = lib->err->msg_code == JERR_OUT_OF_MEMORY;
    lib->err->format_message(lib, state->message);
    longjmp(state->escape, 1);
}

static void on_message(j_common_ptr lib, int level)
{
    (void)lib;
    (void)level;
}

static rf_status fail(const rf_writer *writer, rf_error *err)
{
    const jpeg_writer *state = writer->state;
    return rf_fail(err, state->out_of_memory ? RF_ERR_MEMORY : RF_ERR_OUTPUT, "%s: could not be written as JPEG (%s)",
                   writer->out.path, state->message);
}

/* EXIF with the head that a JPEG segment has and other containers lack. */
static rf_status build_exif(rf_writer *writer, rf_error *err)
{
    rf_status status;
    jpeg_writer *state = writer->state;
    static const rf_metadata nothing = {.orientation = 1, .capture_time_ms = INT64_MIN};
    uint8_t *block = NULL;
    size_t bytes = 0;
    RF_TRY(
        rf_metadata_build_exif(writer->spec.metadata != NULL ? writer->spec.metadata : &nothing, &block, &bytes, err));
    RF_TRY(rf_alloc_raw(&state->exif, bytes + EXIF_HEAD_BYTES, 1, "an EXIF block", err));
    memcpy(state->exif, "Exif\0\0", EXIF_HEAD_BYTES);
    memcpy(state->exif + EXIF_HEAD_BYTES, block, bytes);
    state->exif_bytes = bytes + EXIF_HEAD_BYTES;
done:
    rf_free(block);
    return status;
}

static void write_comment(j_compress_ptr lib, const char *text)
{
    size_t left = strlen(text);
    while (left > 0) { /* a long text goes into several segments */
        unsigned bytes = left < SEGMENT_BYTES ? (unsigned)left : SEGMENT_BYTES;
        jpeg_write_marker(lib, JPEG_COM, (const JOCTET *)text, bytes);
        text += bytes;
        left -= bytes;
    }
}

static void write_header(rf_writer *writer)
{
    jpeg_writer *state = writer->state;
    const rf_picture_spec *spec = &writer->spec;
    j_compress_ptr lib = &state->lib;
    jpeg_stdio_dest(lib, writer->out.file);
    lib->image_width = (JDIMENSION)spec->width;
    lib->image_height = (JDIMENSION)spec->height;
    lib->input_components = spec->channels;
    lib->in_color_space = spec->channels == 3 ? JCS_RGB : JCS_GRAYSCALE;
    jpeg_set_defaults(lib);
    jpeg_set_quality(lib, spec->jpeg_quality == 0 ? DEFAULT_QUALITY : spec->jpeg_quality, TRUE);
    lib->optimize_coding = TRUE;
    for (int c = 0; c < spec->channels; c++)
        lib->comp_info[c].h_samp_factor = lib->comp_info[c].v_samp_factor = 1;
    jpeg_start_compress(lib, TRUE);
    if (state->exif != NULL && state->exif_bytes <= SEGMENT_BYTES)
        jpeg_write_marker(lib, JPEG_APP0 + 1, state->exif, (unsigned)state->exif_bytes);
    if (writer->icc != NULL)
        jpeg_write_icc_profile(lib, writer->icc, (unsigned)writer->icc_bytes);
    if (spec->description != NULL)
        write_comment(lib, spec->description);
}

static rf_status open_jpeg(rf_writer *writer, rf_error *err)
{
    jpeg_writer *state = NULL;
    rf_status status = rf_alloc(&state, 1, sizeof *state, "the JPEG writer", err);
    if (status != RF_OK)
        return status;
    writer->state = state;
    if (writer->spec.width > MOST_SIDE_PX || writer->spec.height > MOST_SIDE_PX)
        return rf_fail(err, RF_ERR_OUTPUT, "%s: %d x %d pixels; JPEG holds at most %d on a side, .tif was expected",
                       writer->out.path, writer->spec.width, writer->spec.height, MOST_SIDE_PX);
    status = build_exif(writer, err);
    if (status != RF_OK)
        return status;
    state->lib.client_data = state;
    state->lib.err = jpeg_std_error(&state->errors);
    state->errors.error_exit = on_error;
    state->errors.emit_message = on_message;
    if (setjmp(state->escape) != 0)
        return fail(writer, err);
    jpeg_create_compress(&state->lib);
    state->created = 1;
    write_header(writer);
    return RF_OK;
}

static rf_status write_rows(rf_writer *writer, const void *data, size_t stride_bytes, int rows, rf_error *err)
{
    jpeg_writer *state = writer->state;
    if (setjmp(state->escape) != 0)
        return fail(writer, err);
    for (int y = 0; y < rows; y++) {
        JSAMPROW row =
            (JSAMPROW)(uintptr_t)((const char *)data + (size_t)y * stride_bytes); /* libjpeg does not write to it */
        (void)jpeg_write_scanlines(&state->lib, &row, 1);
    }
    return RF_OK;
}

static rf_status finish_jpeg(rf_writer *writer, rf_error *err)
{
    jpeg_writer *state = writer->state;
    if (setjmp(state->escape) != 0)
        return fail(writer, err);
    jpeg_finish_compress(&state->lib);
    return RF_OK;
}

static void close_jpeg(rf_writer *writer)
{
    jpeg_writer *state = writer->state;
    if (state == NULL)
        return;
    if (state->created)
        jpeg_destroy_compress(&state->lib);
    rf_free(state->exif);
    rf_free(state);
    writer->state = NULL;
}

const rf_write_format rf_write_jpeg = {
    .name = "JPEG",
    .endings = {".jpg", ".jpeg"},
    .sample = RF_U8,
    .open = open_jpeg,
    .rows = write_rows,
    .finish = finish_jpeg,
    .close = close_jpeg,
};

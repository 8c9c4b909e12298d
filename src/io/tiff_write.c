/* tiff_write.c - TIFF pictures: 8 or 16 bits or 32-bit float, deflate, in strips.
 *
 * Predictor 2 (horizontal differences, TIFF 6.0 section 14) for whole numbers. None for float: the one made for it
 * (Adobe Photoshop TIFF Technical Note 3) is not read by scikit-image as it is commonly installed. */
#define _GNU_SOURCE /* sync_file_range */
#include "tiff_io.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>

#include "railfold/memory.h"

static const int64_t classic_most_bytes =
    (int64_t)0xFFFFFFFF - (64 << 20);                       /* offsets of 32 bits, less room for the rest */
static const int64_t library_most_bytes = (int64_t)1 << 30; /* one allocation inside libtiff */

typedef struct tiff_writer {
    TIFF *tiff;
    tiff_messages messages;
    tiff_pack *pack;
    uint32_t strips_done;
    /* The round that is being written beside the packing of the next. */
    struct {
        void *data[RF_TIFF_STRIPS];
        size_t bytes[RF_TIFF_STRIPS];
        int strips, failed;
    } round;
} tiff_writer;

/* The lane that writes; on 0 a JPEG may be coded at the same time. */
enum { WRITING_LANE = 1 };

static rf_status fail(const rf_writer *writer, rf_error *err)
{
    const tiff_writer *state = writer->state;
    return rf_fail(err, RF_ERR_OUTPUT, "%s: could not be written as TIFF (%s)", writer->out.path,
                   state->messages.text[0] != '\0' ? state->messages.text : "the library gives no reason");
}

static int set_layout(const rf_writer *writer)
{
    const tiff_writer *state = writer->state;
    const rf_picture_spec *spec = &writer->spec;
    TIFF *tiff = state->tiff;
    int is_float = spec->sample == RF_F32;
    return TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, (uint32_t)spec->width) &&
           TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, (uint32_t)spec->height) &&
           TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, spec->channels) &&
           TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, 8 * (int)rf_sample_bytes(spec->sample)) &&
           TIFFSetField(tiff, TIFFTAG_SAMPLEFORMAT, is_float ? SAMPLEFORMAT_IEEEFP : SAMPLEFORMAT_UINT) &&
           TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, spec->channels == 3 ? PHOTOMETRIC_RGB : PHOTOMETRIC_MINISBLACK) &&
           TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG) &&
           TIFFSetField(tiff, TIFFTAG_ORIENTATION, ORIENTATION_TOPLEFT) &&
           TIFFSetField(tiff, TIFFTAG_COMPRESSION, COMPRESSION_ADOBE_DEFLATE) &&
           TIFFSetField(tiff, TIFFTAG_PREDICTOR, is_float ? PREDICTOR_NONE : PREDICTOR_HORIZONTAL) &&
           TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, (uint32_t)tiff_pack_rows_per_strip(state->pack));
}

static int set_texts(const rf_writer *writer, const rf_exif_extra *extra, uint64_t exif_offset)
{
    TIFF *tiff = ((tiff_writer *)writer->state)->tiff;
    const rf_picture_spec *spec = &writer->spec;
    int good = TIFFSetField(tiff, TIFFTAG_SOFTWARE, rf_software_of(spec->metadata));
    if (spec->description != NULL)
        good = good && TIFFSetField(tiff, TIFFTAG_IMAGEDESCRIPTION, spec->description);
    if (extra->make[0] != '\0')
        good = good && TIFFSetField(tiff, TIFFTAG_MAKE, extra->make);
    if (extra->model[0] != '\0')
        good = good && TIFFSetField(tiff, TIFFTAG_MODEL, extra->model);
    if (writer->icc != NULL)
        good = good && TIFFSetField(tiff, TIFFTAG_ICCPROFILE, (uint32_t)writer->icc_bytes, writer->icc);
    if (exif_offset != 0)
        good = good && TIFFSetField(tiff, TIFFTAG_EXIFIFD, exif_offset);
    return good;
}

static rf_status open_tiff(rf_writer *writer, rf_error *err)
{
    rf_status status;
    const rf_picture_spec *spec = &writer->spec;
    tiff_writer *state = NULL;
    rf_exif_extra extra = {0};
    uint64_t exif_offset = 0;
    RF_TRY(rf_alloc(&state, 1, sizeof *state, "the TIFF writer", err));
    writer->state = state;
    RF_TRY(tiff_pack_create(&state->pack, spec, err));
    int64_t raw_bytes = (int64_t)spec->width * spec->height * spec->channels * (int64_t)rf_sample_bytes(spec->sample);
    state->tiff = tiff_open(fileno(writer->out.file), writer->out.path, raw_bytes > classic_most_bytes ? "w8" : "w",
                            library_most_bytes, &state->messages);
    if (state->tiff == NULL)
        RF_TRY(fail(writer, err));
    if (spec->metadata != NULL) {
        RF_TRY(rf_exif_extra_read(spec->metadata, &extra, err));
        if (extra.make[0] == '\0' && extra.model[0] == '\0')
            (void)snprintf(extra.model, sizeof extra.model, "%s", spec->metadata->camera);
        if (!tiff_write_exif(state->tiff, spec->metadata, &extra, &exif_offset))
            RF_TRY(fail(writer, err));
    }
    if (!set_layout(writer) || !set_texts(writer, &extra, exif_offset)) {
        status = fail(writer, err);
        state->tiff = NULL; /* out of memory: libtiff 4.5 counts a value it had no room for, and crashes freeing it */
    }
done:
    return status;
}

/* The system begins to carry what is written to the disk, so that little is left to wait for at the end. */
static void begin_to_store(int fd)
{
#ifdef SYNC_FILE_RANGE_WRITE
    (void)sync_file_range(fd, 0, 0, SYNC_FILE_RANGE_WRITE);
#else
    (void)fd;
#endif
}

static void write_round(void *arg)
{
    tiff_writer *state = arg;
    for (int i = 0; i < state->round.strips && !state->round.failed; i++) {
        tmsize_t bytes = (tmsize_t)state->round.bytes[i];
        state->round.failed =
            bytes == 0 || TIFFWriteRawStrip(state->tiff, state->strips_done, state->round.data[i], bytes) != bytes;
        state->strips_done++;
    }
    begin_to_store(TIFFFileno(state->tiff));
}

/* Waits for the round before; what it could not write is told now. */
static rf_status end_round(rf_writer *writer, rf_error *err)
{
    tiff_writer *state = writer->state;
    rf_pool_join_on(writer->spec.pool, WRITING_LANE);
    return state->round.failed ? fail(writer, err) : RF_OK;
}

static rf_status write_strips(rf_writer *writer, rf_error *err)
{
    tiff_writer *state = writer->state;
    int strips = tiff_pack_run(state->pack);
    rf_status status = end_round(writer, err);
    if (status != RF_OK)
        return status;
    for (int i = 0; i < strips; i++)
        state->round.data[i] = tiff_pack_strip(state->pack, i, &state->round.bytes[i]);
    state->round.strips = strips;
    rf_pool_side_on(writer->spec.pool, WRITING_LANE, write_round, state);
    return RF_OK;
}

static rf_status write_rows(rf_writer *writer, const void *data, size_t stride_bytes, int rows, rf_error *err)
{
    rf_status status = RF_OK;
    tiff_writer *state = writer->state;
    for (int y = 0; y < rows; y++) {
        tiff_pack_take(state->pack, (const char *)data + (size_t)y * stride_bytes);
        if (tiff_pack_is_full(state->pack))
            RF_TRY(write_strips(writer, err));
    }
done:
    return status;
}

static rf_status finish_tiff(rf_writer *writer, rf_error *err)
{
    rf_status status;
    tiff_writer *state = writer->state;
    RF_TRY(write_strips(writer, err));
    RF_TRY(end_round(writer, err));
    status = TIFFWriteDirectory(state->tiff) == 1 && state->messages.errors == 0 ? RF_OK : fail(writer, err);
done:
    return status;
}

static void close_tiff(rf_writer *writer)
{
    tiff_writer *state = writer->state;
    if (state == NULL)
        return;
    rf_pool_join_on(writer->spec.pool, WRITING_LANE);
    if (state->tiff != NULL) {
        /* What is to be written is; an unfinished file has nothing to flush, and libtiff crashes over a half-made
         * encoder when it tries. */
        (void)TIFFSetMode(state->tiff, O_RDONLY);
        TIFFCleanup(state->tiff);
    }
    tiff_pack_destroy(&state->pack);
    rf_free(state);
    writer->state = NULL;
}

const rf_write_format rf_write_tiff = {
    .name = "TIFF",
    .endings = {".tif", ".tiff"},
    .sample = RF_U16,
    .holds_u16 = 1,
    .holds_f32 = 1,
    .open = open_tiff,
    .rows = write_rows,
    .finish = finish_tiff,
    .close = close_tiff,
};

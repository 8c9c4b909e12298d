/* tiff_pixels.c - pixels out of strips and tiles, contiguous and planar, into the rows of a picture.
 *
 * Uncompressed strips are read from the file straight into the rows (a raw converter often writes one strip for the
 * whole picture, which libtiff would hold twice). Compressed strips are decoded whole, or by row when they are large.
 */
#include "tiff_io.h"

#include <string.h>
#include <unistd.h>

#include "railfold/memory.h"

enum {
    WHOLE_STRIP_BYTES = 32 << 20, /* larger strips are decoded row by row */
    SMALL_TILE_BYTES = 32 << 20   /* a tile may be larger than the picture, but then not larger than this */
};

/* `count` stored pixels at `from` (one plane, or all samples of contiguous data) into row y from column x on. */
static void place(const tiff_reader *reader, rf_image *image, int plane, uint32_t y, uint32_t x, uint32_t count,
                  const void *from)
{
    size_t in_step = reader->planes > 1 ? 1 : (size_t)reader->samples, channels = (size_t)image->channels;
    size_t at = (size_t)x * channels;
    uint8_t *out8 = rf_image_row(image, (int)y);
    uint16_t *out16 = rf_image_row(image, (int)y);
    float *out32 = rf_image_row(image, (int)y);
    const uint8_t *in8 = from;
    const uint16_t *in16 = from;
    const float *in32 = from;
    if (reader->has_palette) {
        for (size_t i = 0; i < count; i++)
            for (size_t c = 0; c < 3; c++)
                out8[at + 3 * i + c] = reader->palette[c][in8[i]];
        return;
    }
    if (plane >= image->channels)
        return;
    size_t first = (size_t)plane, each = reader->planes > 1 ? 1 : channels;
    unsigned flip = reader->inverted ? 0xFFFF : 0;
    for (size_t i = 0; i < count; i++)
        for (size_t c = 0; c < each; c++) {
            size_t to = at + i * channels + first + c, of = i * in_step + c;
            if (image->sample == RF_U8)
                out8[to] = (uint8_t)(in8[of] ^ (flip & 0xFF));
            else if (image->sample == RF_U16)
                out16[to] = (uint16_t)(in16[of] ^ flip);
            else
                out32[to] = reader->inverted ? 1.0f - in32[of] : in32[of];
        }
}

/* Whether a stored row is the picture's row, byte for byte. */
static int is_direct(const tiff_reader *reader, const rf_image *image)
{
    return reader->planes == 1 && reader->samples == image->channels && !reader->inverted && !reader->has_palette;
}

static rf_status read_at(const rf_decoder *decoder, void *to, size_t bytes, uint64_t offset, rf_error *err)
{
    char *out = to;
    while (bytes > 0) {
        ssize_t got = pread(fileno(decoder->file), out, bytes, (off_t)offset);
        if (got <= 0)
            return rf_fail(err, RF_ERR_INPUT, "%s: truncated TIFF; %zu more bytes were expected at %llu", decoder->path,
                           bytes, (unsigned long long)offset);
        out += got;
        offset += (uint64_t)got;
        bytes -= (size_t)got;
    }
    return RF_OK;
}

static rf_status read_uncompressed(rf_decoder *decoder, rf_image *image, rf_error *err)
{
    rf_status status = RF_OK;
    tiff_reader *reader = decoder->state;
    uint32_t rows_per_strip = reader->rows_per_strip;
    size_t row_samples = (size_t)reader->width * (size_t)(reader->planes > 1 ? 1 : reader->samples);
    size_t row_bytes = row_samples * reader->sample_bytes;
    int swapped = TIFFIsByteSwapped(reader->tiff), direct = is_direct(reader, image);
    for (int plane = 0; plane < reader->planes && plane < image->channels; plane++)
        for (uint32_t y = 0; y < reader->height; y++) {
            uint32_t strip = TIFFComputeStrip(reader->tiff, y, (uint16_t)plane);
            uint64_t in_strip = (uint64_t)(y % rows_per_strip) * row_bytes;
            if (in_strip + row_bytes > TIFFGetStrileByteCount(reader->tiff, strip))
                return rf_fail(err, RF_ERR_INPUT,
                               "%s: row %u lies outside its TIFF strip of %llu bytes; a whole strip was expected",
                               decoder->path, y, (unsigned long long)TIFFGetStrileByteCount(reader->tiff, strip));
            void *row = direct ? rf_image_row(image, (int)y) : reader->block;
            RF_TRY(read_at(decoder, row, row_bytes, TIFFGetStrileOffset(reader->tiff, strip) + in_strip, err));
            if (swapped && reader->sample_bytes == 2)
                TIFFSwabArrayOfShort(row, (tmsize_t)row_samples);
            else if (swapped && reader->sample_bytes == 4)
                TIFFSwabArrayOfLong(row, (tmsize_t)row_samples);
            if (!direct)
                place(reader, image, plane, y, 0, reader->width, row);
        }
done:
    return status;
}

static rf_status read_by_row(rf_decoder *decoder, rf_image *image, rf_error *err)
{
    tiff_reader *reader = decoder->state;
    int direct = is_direct(reader, image);
    for (int plane = 0; plane < reader->planes && plane < image->channels; plane++)
        for (uint32_t y = 0; y < reader->height; y++) {
            void *row = direct ? rf_image_row(image, (int)y) : reader->block;
            if (TIFFReadScanline(reader->tiff, row, y, (uint16_t)plane) != 1)
                return tiff_fail(decoder, err);
            if (!direct)
                place(reader, image, plane, y, 0, reader->width, row);
        }
    return RF_OK;
}

static rf_status read_by_strip(rf_decoder *decoder, rf_image *image, rf_error *err)
{
    tiff_reader *reader = decoder->state;
    uint32_t rows_per_strip = reader->rows_per_strip;
    tmsize_t row_bytes = TIFFScanlineSize(reader->tiff);
    for (int plane = 0; plane < reader->planes && plane < image->channels; plane++)
        for (uint32_t y = 0; y < reader->height;) {
            uint32_t rows = reader->height - y < rows_per_strip ? reader->height - y : rows_per_strip;
            tmsize_t bytes = row_bytes * (tmsize_t)rows;
            uint32_t strip = TIFFComputeStrip(reader->tiff, y, (uint16_t)plane);
            if (TIFFReadEncodedStrip(reader->tiff, strip, reader->block, bytes) != bytes)
                return tiff_fail(decoder, err);
            for (uint32_t i = 0; i < rows; i++, y++) {
                const char *row = (const char *)reader->block + (tmsize_t)i * row_bytes;
                if (is_direct(reader, image))
                    memcpy(rf_image_row(image, (int)y), row, (size_t)row_bytes);
                else
                    place(reader, image, plane, y, 0, reader->width, row);
            }
        }
    return RF_OK;
}

static rf_status read_tiles(rf_decoder *decoder, rf_image *image, rf_error *err)
{
    rf_status status;
    tiff_reader *reader = decoder->state;
    uint32_t tile_width = 0, tile_height = 0;
    (void)TIFFGetField(reader->tiff, TIFFTAG_TILEWIDTH, &tile_width);
    (void)TIFFGetField(reader->tiff, TIFFTAG_TILELENGTH, &tile_height);
    double tile_px = (double)tile_width * tile_height;
    double claimed_bytes = tile_px * (reader->planes > 1 ? 1 : reader->samples) * (double)reader->sample_bytes;
    if (tile_width == 0 || tile_height == 0 ||
        (claimed_bytes > SMALL_TILE_BYTES && tile_px > 2.0 * reader->width * reader->height))
        return rf_fail(err, RF_ERR_INPUT,
                       "%s: TIFF tiles of %u x %u pixels; tiles about as large as the picture were expected at most",
                       decoder->path, tile_width, tile_height);
    tmsize_t tile_bytes = TIFFTileSize(reader->tiff), row_bytes = TIFFTileRowSize(reader->tiff);
    if (tile_bytes <= 0 || row_bytes <= 0)
        return tiff_fail(decoder, err);
    RF_TRY(rf_alloc_raw(&reader->block, (size_t)tile_bytes, 1, "a TIFF tile", err));
    for (int plane = 0; plane < reader->planes && plane < image->channels; plane++)
        for (uint32_t y = 0; y < reader->height; y += tile_height)
            for (uint32_t x = 0; x < reader->width; x += tile_width) {
                if (TIFFReadTile(reader->tiff, reader->block, x, y, 0, (uint16_t)plane) != tile_bytes)
                    return tiff_fail(decoder, err);
                uint32_t rows = reader->height - y < tile_height ? reader->height - y : tile_height;
                uint32_t columns = reader->width - x < tile_width ? reader->width - x : tile_width;
                for (uint32_t i = 0; i < rows; i++)
                    place(reader, image, plane, y + i, x, columns,
                          (const char *)reader->block + (tmsize_t)i * row_bytes);
            }
done:
    return status;
}

static rf_status read_strips(rf_decoder *decoder, rf_image *image, rf_error *err)
{
    rf_status status;
    tiff_reader *reader = decoder->state;
    uint16_t fill_order = FILLORDER_MSB2LSB;
    (void)TIFFGetFieldDefaulted(reader->tiff, TIFFTAG_FILLORDER, &fill_order);
    tmsize_t strip_bytes = TIFFStripSize(reader->tiff), row_bytes = TIFFScanlineSize(reader->tiff);
    (void)TIFFGetFieldDefaulted(reader->tiff, TIFFTAG_ROWSPERSTRIP, &reader->rows_per_strip);
    if (strip_bytes <= 0 || row_bytes <= 0 || reader->rows_per_strip == 0)
        return tiff_fail(decoder, err);
    int plain = reader->compression == COMPRESSION_NONE && fill_order == FILLORDER_MSB2LSB;
    int whole = !plain && strip_bytes <= WHOLE_STRIP_BYTES;
    RF_TRY(rf_alloc_raw(&reader->block, (size_t)(whole ? strip_bytes : row_bytes), 1, "a TIFF strip", err));
    status = plain   ? read_uncompressed(decoder, image, err)
             : whole ? read_by_strip(decoder, image, err)
                     : read_by_row(decoder, image, err);
done:
    return status;
}

rf_status tiff_read_pixels(rf_decoder *decoder, rf_image *image, rf_error *err)
{
    tiff_reader *reader = decoder->state;
    rf_status status = TIFFIsTiled(reader->tiff) ? read_tiles(decoder, image, err) : read_strips(decoder, image, err);
    /* Whatever libtiff complained of on the way has cost pixels. */
    return status == RF_OK && reader->messages.errors > 0 ? tiff_fail(decoder, err) : status;
}

/* tiff_fixture.h - TIFF files of any layout, made with libtiff itself. */
#ifndef RF_TEST_TIFF_FIXTURE_H
#define RF_TEST_TIFF_FIXTURE_H

#include "io_fixture.h"

#include <tiffio.h>

enum { WIDTH = 37, HEIGHT = 29, TILE = 16, ROWS_PER_STRIP = 8 };

typedef struct tiff_kind {
    const char *mode; /* libtiff's: byte order and BigTIFF */
    int bits, samples, compression, predictor, tiled, planar, photometric;
} tiff_kind;

static const tiff_kind rgb8 = {"wl", 8, 3, COMPRESSION_NONE, 0, 0, PLANARCONFIG_CONTIG, PHOTOMETRIC_RGB};
static const tiff_kind rgb16_deflate = {"wl",           16, 3, COMPRESSION_ADOBE_DEFLATE, 2, 0, PLANARCONFIG_CONTIG,
                                        PHOTOMETRIC_RGB};

static inline void put_sample(uint8_t *buffer, size_t at, int bits, uint16_t value)
{
    if (bits == 8)
        buffer[at] = (uint8_t)(value >> 8);
    else
        memcpy(buffer + 2 * at, &value, 2);
}

/* A block of the pattern, clipped to nothing: what lies outside the picture is filler. */
static inline void fill_block(uint8_t *buffer, const tiff_kind *kind, int x0, int y0, int columns, int rows, int plane)
{
    int each = kind->planar == PLANARCONFIG_SEPARATE ? 1 : kind->samples;
    for (int y = 0; y < rows; y++)
        for (int i = 0; i < columns * each; i++)
            put_sample(buffer, (size_t)(y * columns * each + i), kind->bits,
                       pattern_value(x0 + i / each, y0 + y, each == 1 ? plane : i % each));
}

static inline TIFF *tiff_begin(const char *path, const tiff_kind *kind)
{
    TIFF *tiff = TIFFOpen(path, kind->mode);
    assert_non_null(tiff);
    TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, WIDTH);
    TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, HEIGHT);
    TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, kind->bits);
    TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, kind->samples);
    TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, kind->photometric);
    TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, kind->planar);
    TIFFSetField(tiff, TIFFTAG_COMPRESSION, kind->compression);
    if (kind->predictor)
        TIFFSetField(tiff, TIFFTAG_PREDICTOR, kind->predictor);
    if (kind->tiled) {
        TIFFSetField(tiff, TIFFTAG_TILEWIDTH, TILE);
        TIFFSetField(tiff, TIFFTAG_TILELENGTH, TILE);
    } else {
        TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, ROWS_PER_STRIP);
    }
    return tiff;
}

static inline void tiff_pixels(TIFF *tiff, const tiff_kind *kind)
{
    uint8_t buffer[WIDTH * TILE * 4 * 2 * 2];
    int planes = kind->planar == PLANARCONFIG_SEPARATE ? kind->samples : 1;
    for (int plane = 0; plane < planes; plane++) {
        for (int y = 0; kind->tiled && y < HEIGHT; y += TILE)
            for (int x = 0; x < WIDTH; x += TILE) {
                fill_block(buffer, kind, x, y, TILE, TILE, plane);
                assert_true(TIFFWriteTile(tiff, buffer, (uint32_t)x, (uint32_t)y, 0, (uint16_t)plane) > 0);
            }
        for (int y = 0; !kind->tiled && y < HEIGHT; y++) {
            fill_block(buffer, kind, 0, y, WIDTH, 1, plane);
            assert_int_equal(TIFFWriteScanline(tiff, buffer, (uint32_t)y, (uint16_t)plane), 1);
        }
    }
}

static inline void tiff_make(const char *path, const tiff_kind *kind)
{
    TIFF *tiff = tiff_begin(path, kind);
    tiff_pixels(tiff, kind);
    TIFFClose(tiff);
}

#endif

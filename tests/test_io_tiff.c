/* test_io_tiff.c - TIFF frames: byte orders, BigTIFF, layouts, compressions, colours. */
#include "tiff_fixture.h"

static void check_kind(const tiff_kind *kind)
{
    rf_frame_info info;
    const char *path = scratch_path("kind.tif");
    tiff_make(path, kind);
    rf_image image = read_good(path, &info, NULL);
    assert_string_equal(info.format, "TIFF");
    assert_int_equal(image.width, WIDTH);
    assert_int_equal(image.height, HEIGHT);
    assert_int_equal(image.sample, kind->bits == 8 ? RF_U8 : RF_U16);
    assert_int_equal(image.channels, kind->photometric == PHOTOMETRIC_RGB ? 3 : 1);
    unsigned white = kind->bits == 8 ? 255 : 65535;
    for (int y = 0; y < HEIGHT; y++)
        for (int i = 0; i < WIDTH * image.channels; i++) {
            unsigned value = pattern_value(i / image.channels, y, i % image.channels);
            value = kind->bits == 8 ? value >> 8 : value;
            value = kind->photometric == PHOTOMETRIC_MINISWHITE ? white - value : value;
            unsigned got =
                kind->bits == 8 ? ((uint8_t *)rf_image_row(&image, y))[i] : ((uint16_t *)rf_image_row(&image, y))[i];
            if (got != value)
                fail_msg("mode %s, %d bits, %d samples, compression %d, tiled %d, planar %d: (%d, %d) is %u, not %u",
                         kind->mode, kind->bits, kind->samples, kind->compression, kind->tiled, kind->planar,
                         i / image.channels, y, got, value);
        }
    rf_image_free(&image);
}

/* 4 byte orders and sizes x 4 compressions x strips, tiles x contiguous, planar x 8, 16 bits x 5 colours: 640 files. */
static void every_kind_is_read_bit_exactly(void **state)
{
    (void)state;
    static const char *const modes[] = {"wl", "wb", "wl8", "wb8"};
    static const int compressions[] = {COMPRESSION_NONE, COMPRESSION_LZW, COMPRESSION_ADOBE_DEFLATE,
                                       COMPRESSION_PACKBITS};
    static const int colours[][2] = {{PHOTOMETRIC_MINISBLACK, 1},
                                     {PHOTOMETRIC_MINISWHITE, 1},
                                     {PHOTOMETRIC_MINISBLACK, 2},
                                     {PHOTOMETRIC_RGB, 3},
                                     {PHOTOMETRIC_RGB, 4}};
    for (int m = 0; m < 4; m++)
        for (int c = 0; c < 4; c++)
            for (int layout = 0; layout < 4; layout++)
                for (int bits = 8; bits <= 16; bits += 8)
                    for (int k = 0; k < 5; k++) {
                        tiff_kind kind = {modes[m],
                                          bits,
                                          colours[k][1],
                                          compressions[c],
                                          0,
                                          layout & 1,
                                          layout & 2 ? PLANARCONFIG_SEPARATE : PLANARCONFIG_CONTIG,
                                          colours[k][0]};
                        if (c == 1 || c == 2)
                            kind.predictor = m % 2 == 0 ? PREDICTOR_HORIZONTAL : PREDICTOR_NONE;
                        check_kind(&kind);
                    }
}

static void a_palette_gives_colours(void **state)
{
    (void)state;
    tiff_kind kind = rgb8;
    kind.samples = 1;
    kind.photometric = PHOTOMETRIC_PALETTE;
    for (int old = 0; old < 2; old++) { /* some writers fill the map with 8-bit values */
        uint16_t map[3][256];
        for (int i = 0; i < 256; i++) {
            map[0][i] = (uint16_t)((255 - i) * (old ? 1 : 257));
            map[1][i] = (uint16_t)(i * (old ? 1 : 257));
            map[2][i] = (uint16_t)((i ^ 0x33) * (old ? 1 : 257));
        }
        const char *path = scratch_path("palette.tif");
        TIFF *tiff = tiff_begin(path, &kind);
        TIFFSetField(tiff, TIFFTAG_COLORMAP, map[0], map[1], map[2]);
        tiff_pixels(tiff, &kind);
        TIFFClose(tiff);
        rf_image image = read_good(path, NULL, NULL);
        assert_int_equal(image.channels, 3);
        for (int y = 0; y < HEIGHT; y++)
            for (int x = 0; x < WIDTH; x++) {
                int index = pattern_value(x, y, 0) >> 8;
                const uint8_t *pixel = (uint8_t *)rf_image_row(&image, y) + 3 * x;
                assert_int_equal(pixel[0], 255 - index);
                assert_int_equal(pixel[1], index);
                assert_int_equal(pixel[2], index ^ 0x33);
            }
        rf_image_free(&image);
    }
}

/* A strip too large to be decoded whole goes row by row; contiguous and planar. */
static void one_huge_compressed_strip_is_read(void **state)
{
    (void)state;
    enum { SIDE = 3400 };
    for (int planar = PLANARCONFIG_CONTIG; planar <= PLANARCONFIG_SEPARATE; planar++) {
        size_t row_samples = SIDE * (planar == PLANARCONFIG_CONTIG ? 3u : 1u);
        const char *path = scratch_path("huge.tif");
        TIFF *tiff = TIFFOpen(path, "wb");
        TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, SIDE);
        TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, SIDE);
        TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, 16);
        TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, 3);
        TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_RGB);
        TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, planar);
        TIFFSetField(tiff, TIFFTAG_COMPRESSION, COMPRESSION_ADOBE_DEFLATE);
        TIFFSetField(tiff, TIFFTAG_ZIPQUALITY, 1);
        TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, SIDE);
        uint16_t *row = malloc(row_samples * sizeof *row);
        assert_non_null(row);
        for (int plane = 0; plane < (planar == PLANARCONFIG_CONTIG ? 1 : 3); plane++)
            for (int y = 0; y < SIDE; y++) {
                for (size_t i = 0; i < row_samples; i++)
                    row[i] = (uint16_t)(y * 7 + (planar == PLANARCONFIG_CONTIG ? (int)(i % 3) : plane) * 1000);
                assert_int_equal(TIFFWriteScanline(tiff, row, (uint32_t)y, (uint16_t)plane), 1);
            }
        TIFFClose(tiff);
        free(row);
        rf_image image = read_good(path, NULL, NULL);
        for (int y = 0; y < SIDE; y += 113)
            for (int i = 0; i < SIDE * 3; i += 101)
                assert_int_equal(((uint16_t *)rf_image_row(&image, y))[i], (uint16_t)(y * 7 + i % 3 * 1000));
        rf_image_free(&image);
    }
}

static void the_orientation_tag_is_undone(void **state)
{
    (void)state;
    const char *path = scratch_path("turned.tif");
    TIFF *tiff = tiff_begin(path, &rgb16_deflate);
    TIFFSetField(tiff, TIFFTAG_ORIENTATION, ORIENTATION_LEFTBOT); /* 8: column x of the store is row WIDTH - 1 - x */
    tiff_pixels(tiff, &rgb16_deflate);
    TIFFClose(tiff);
    rf_frame_info info;
    rf_image image = read_good(path, &info, NULL);
    assert_int_equal(info.orientation, 8);
    assert_int_equal(image.width, HEIGHT);
    assert_int_equal(image.height, WIDTH);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++)
            assert_int_equal(((uint16_t *)rf_image_row(&image, WIDTH - 1 - x))[3 * y + 1], pattern_value(x, y, 1));
    rf_image_free(&image);
}

static void refused_with(const tiff_kind *kind, int format, const char *word)
{
    const char *path = scratch_path("refused.tif");
    TIFF *tiff = tiff_begin(path, kind);
    if (format != 0)
        TIFFSetField(tiff, TIFFTAG_SAMPLEFORMAT, format);
    uint8_t buffer[WIDTH * 4 * 8] = {0};
    for (int y = 0; y < HEIGHT; y++)
        assert_int_equal(TIFFWriteScanline(tiff, buffer, (uint32_t)y, 0), 1);
    TIFFClose(tiff);
    assert_unreadable(path, word);
    assert_int_equal(rf_frame_is_known(path), 1);
}

static void kinds_that_are_no_frames_are_refused_by_name(void **state)
{
    (void)state;
    tiff_kind kind = rgb8;
    kind.samples = 4;
    kind.photometric = PHOTOMETRIC_SEPARATED;
    refused_with(&kind, 0, "CMYK");
    kind = rgb8;
    kind.bits = 32;
    refused_with(&kind, SAMPLEFORMAT_IEEEFP, "32-bit float");
    kind.bits = 16;
    refused_with(&kind, SAMPLEFORMAT_INT, "16-bit signed");
    kind.bits = 1;
    kind.samples = 1;
    kind.photometric = PHOTOMETRIC_MINISBLACK;
    refused_with(&kind, 0, "1-bit");
    kind = rgb8;
    kind.photometric = PHOTOMETRIC_CIELAB;
    refused_with(&kind, 0, "photometric interpretation 8");
    kind = rgb8;
    kind.compression = COMPRESSION_JPEG;
    refused_with(&kind, 0, "compression 7");
}

/* TIFF containers of camera raw data: a filter array, a DNG version, a preview as first picture (CIPA and Adobe usage).
 */
static void camera_raw_is_not_known(void **state)
{
    (void)state;
    static const uint8_t dng_version[4] = {1, 4, 0, 0};
    for (int how = 0; how < 4; how++) {
        tiff_kind kind = rgb8;
        const char *path = scratch_path("raw.tif");
        if (how == 0) {
            kind.photometric = PHOTOMETRIC_CFA;
            kind.samples = 1;
        }
        TIFF *tiff = tiff_begin(path, &kind);
        if (how == 1)
            TIFFSetField(tiff, TIFFTAG_DNGVERSION, dng_version);
        if (how == 2)
            TIFFSetField(tiff, TIFFTAG_SUBFILETYPE, FILETYPE_REDUCEDIMAGE);
        tiff_pixels(tiff, &kind);
        TIFFClose(tiff);
        if (how == 3) {
            size_t bytes = 0;
            uint8_t *data = file_load(path, &bytes);
            memcpy(data + 8, "CR", 2); /* over the first pixels of this file */
            file_save(path, data, bytes);
            free(data);
        }
        assert_int_equal(rf_frame_is_known(path), 0);
        assert_unreadable(path, "camera raw");
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_kind_is_read_bit_exactly),
        cmocka_unit_test(a_palette_gives_colours),
        cmocka_unit_test(one_huge_compressed_strip_is_read),
        cmocka_unit_test(the_orientation_tag_is_undone),
        cmocka_unit_test(kinds_that_are_no_frames_are_refused_by_name),
        cmocka_unit_test(camera_raw_is_not_known),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

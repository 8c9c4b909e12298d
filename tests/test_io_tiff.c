/* test_io_tiff.c - TIFF frames: byte orders, BigTIFF, layouts, compressions, colours, and every way a file can be bad.
 * Odd files are made with libtiff itself, or byte by byte. */
#include "io_fixture.h"

#include <tiffio.h>

enum { WIDTH = 37, HEIGHT = 29, TILE = 16, ROWS_PER_STRIP = 8 };

typedef struct tiff_kind {
    const char *mode; /* libtiff's: byte order and BigTIFF */
    int bits, samples, compression, predictor, tiled, planar, photometric;
} tiff_kind;

static void put_sample(uint8_t *buffer, size_t at, int bits, uint16_t value)
{
    if (bits == 8)
        buffer[at] = (uint8_t)(value >> 8);
    else
        memcpy(buffer + 2 * at, &value, 2);
}

/* A block of the pattern, clipped to nothing: what lies outside the picture is filler. */
static void fill_block(uint8_t *buffer, const tiff_kind *kind, int x0, int y0, int columns, int rows, int plane)
{
    int each = kind->planar == PLANARCONFIG_SEPARATE ? 1 : kind->samples;
    for (int y = 0; y < rows; y++)
        for (int i = 0; i < columns * each; i++)
            put_sample(buffer, (size_t)(y * columns * each + i), kind->bits,
                       pattern_value(x0 + i / each, y0 + y, each == 1 ? plane : i % each));
}

static TIFF *tiff_begin(const char *path, const tiff_kind *kind)
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

static void tiff_pixels(TIFF *tiff, const tiff_kind *kind)
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

static void tiff_make(const char *path, const tiff_kind *kind)
{
    TIFF *tiff = tiff_begin(path, kind);
    tiff_pixels(tiff, kind);
    TIFFClose(tiff);
}

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

static const tiff_kind rgb8 = {"wl", 8, 3, COMPRESSION_NONE, 0, 0, PLANARCONFIG_CONTIG, PHOTOMETRIC_RGB};
static const tiff_kind rgb16_deflate = {"wl",           16, 3, COMPRESSION_ADOBE_DEFLATE, 2, 0, PLANARCONFIG_CONTIG,
                                        PHOTOMETRIC_RGB};

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
    for (int how = 0; how < 3; how++) {
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
        assert_int_equal(rf_frame_is_known(path), 0);
        assert_unreadable(path, "camera raw");
    }
}

static void cut_files_are_refused(void **state)
{
    (void)state;
    const char *path = scratch_path("whole.tif");
    tiff_make(path, &rgb8);
    assert_cuts_unreadable(path, 97);
    tiff_make(path, &rgb16_deflate);
    assert_cuts_unreadable(path, 97);
}

/* A file whose directory comes first, so that a cut leaves it whole: 8-bit grey in one strip at offset 134. */
static size_t header_first(uint8_t *out, uint32_t width, uint32_t height, uint32_t compression, uint32_t strip_bytes)
{
    const uint32_t tags[][3] = {{256, 4, width},       {257, 4, height}, {258, 3, 8}, {259, 3, compression},
                                {262, 3, 1},           {273, 4, 134},    {277, 3, 1}, {278, 4, height},
                                {279, 4, strip_bytes}, {284, 3, 1}};
    size_t at = 8;
    memcpy(out, "II*\0\x08\0\0\0", 8);
    out[at++] = 10, out[at++] = 0;
    for (int i = 0; i < 10; i++) {
        uint16_t head[2] = {(uint16_t)tags[i][0], (uint16_t)tags[i][1]};
        uint32_t tail[2] = {1, tags[i][2]};
        memcpy(out + at, head, 4); /* the tests run on little-endian machines, as the file is */
        memcpy(out + at + 4, tail, 8);
        at += 12;
    }
    memset(out + at, 0, 4);
    return at + 4;
}

static void a_whole_directory_does_not_excuse_missing_pixels(void **state)
{
    (void)state;
    uint8_t file[134 + 600];
    const char *path = scratch_path("first.tif");
    assert_int_equal(header_first(file, 30, 20, COMPRESSION_NONE, 600), 134);
    memset(file + 134, 77, 600);
    file_save(path, file, sizeof file);
    rf_image image = read_good(path, NULL, NULL);
    assert_int_equal(((uint8_t *)image.data)[0], 77);
    rf_image_free(&image);
    for (size_t cut = 134; cut < sizeof file; cut += 93) {
        file_save(path, file, cut);
        assert_unreadable(path, "expected");
    }
    (void)header_first(file, 30, 20, COMPRESSION_PACKBITS, 600); /* packed data that end early */
    memset(file + 134, 0x80, 600);                               /* nothing but "no operation" */
    file_save(path, file, sizeof file);
    assert_unreadable(path, "damaged");
}

static void a_strip_shorter_than_its_rows_is_refused(void **state)
{
    (void)state;
    static const uint16_t counts[4] = {888, 888, 888, 555}; /* 3 * 37 bytes a row, 8 rows a strip, 5 in the last */
    size_t bytes = 0;
    const char *path = scratch_path("strips.tif");
    tiff_make(path, &rgb8);
    uint8_t *data = file_load(path, &bytes), *table = bytes_find(data, bytes, counts, sizeof counts);
    assert_non_null(table);
    table[2] = 111;
    file_save(path, data, bytes);
    assert_unreadable(path, "strip");
    free(data);
}

static void absurd_sizes_are_refused_before_memory_is_taken(void **state)
{
    (void)state;
    static const int compressions[] = {COMPRESSION_NONE, COMPRESSION_LZW, COMPRESSION_ADOBE_DEFLATE,
                                       COMPRESSION_PACKBITS};
    uint8_t file[134 + 600] = {0};
    const char *path = scratch_path("bomb.tif");
    rf_memory_reset_peak();
    size_t before = rf_memory_peak();
    for (int c = 0; c < 4; c++) {
        (void)header_first(file, 0xFFFFFFFF, 0xFFFFFFFF, (uint32_t)compressions[c], 600);
        file_save(path, file, sizeof file);
        assert_unreadable(path, "expected"); /* mostly libtiff's own overflow check */
        (void)header_first(file, 90000, 4000, (uint32_t)compressions[c], 600);
        file_save(path, file, sizeof file);
        assert_unreadable(path, "90000 x 4000");
    }
    (void)header_first(file, 0, 20, COMPRESSION_NONE, 600);
    file_save(path, file, sizeof file);
    assert_unreadable(path, "expected");
    assert_true(rf_memory_peak() - before < 100000);
}

static void damage_in_deflated_data_is_found(void **state)
{
    (void)state;
    size_t bytes = 0;
    const char *path = scratch_path("flip.tif");
    tiff_make(path, &rgb16_deflate);
    uint8_t *data = file_load(path, &bytes);
    for (size_t at = 100; at < 3000; at += 290) { /* the checksum of each strip finds what inflating does not */
        data[at] ^= 0x10;
        file_save(path, data, bytes);
        assert_unreadable(path, "damaged");
        data[at] ^= 0x10;
    }
    free(data);
}

static void damage_never_crashes(void **state)
{
    (void)state;
    tiff_kind kinds[] = {rgb8, rgb16_deflate, rgb8, rgb8};
    kinds[2].compression = COMPRESSION_LZW;
    kinds[2].tiled = 1;
    kinds[2].mode = "wb8";
    kinds[3].compression = COMPRESSION_PACKBITS;
    kinds[3].planar = PLANARCONFIG_SEPARATE;
    for (int k = 0; k < 4; k++) {
        const char *path = scratch_path("good.tif");
        size_t bytes = 0;
        tiff_make(path, &kinds[k]);
        assert_damage_is_survived(path, 200);
        uint8_t *data = file_load(path, &bytes), *directory = malloc(bytes);
        assert_non_null(directory);
        /* The same again on the last 300 bytes, where libtiff puts the directory: by turning the file's tail into
         * noise. */
        for (uint32_t round = 0, chance = 99; round < 300; round++) {
            memcpy(directory, data, bytes);
            chance = chance * 1664525u + 1013904223u;
            directory[bytes - 1 - (chance >> 8) % 300] = (uint8_t)(chance >> 24);
            file_save(scratch_path("noise.tif"), directory, bytes);
            rf_image image = {0};
            rf_error err = {0};
            rf_frame_limits limits = {.max_pixels = 4000000, .max_side_px = 20000};
            rf_status status = rf_frame_read(scratch_path("noise.tif"), &limits, &image, NULL, NULL, &err);
            assert_int_equal(status == RF_OK, image.data != NULL);
            rf_image_free(&image);
        }
        free(directory);
        free(data);
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
        cmocka_unit_test(cut_files_are_refused),
        cmocka_unit_test(a_whole_directory_does_not_excuse_missing_pixels),
        cmocka_unit_test(a_strip_shorter_than_its_rows_is_refused),
        cmocka_unit_test(absurd_sizes_are_refused_before_memory_is_taken),
        cmocka_unit_test(damage_in_deflated_data_is_found),
        cmocka_unit_test(damage_never_crashes),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

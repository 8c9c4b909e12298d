/* test_io_tiff_faults.c - every way a TIFF frame can be bad: cut, lying about its size, damaged. */
#include "tiff_fixture.h"

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
        cmocka_unit_test(cut_files_are_refused),
        cmocka_unit_test(a_whole_directory_does_not_excuse_missing_pixels),
        cmocka_unit_test(a_strip_shorter_than_its_rows_is_refused),
        cmocka_unit_test(absurd_sizes_are_refused_before_memory_is_taken),
        cmocka_unit_test(damage_in_deflated_data_is_found),
        cmocka_unit_test(damage_never_crashes),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

/* test_metadata.c - EXIF values in, a fresh EXIF block out. Blocks are built by hand after CIPA DC-008 (Exif 2.32). */
#include "failing_memory.h"
#include "io_fixture.h"

#include <math.h>

/* ---- a block, byte by byte ---- */

typedef struct block {
    uint8_t data[1024];
    size_t bytes, value_at; /* values that do not fit an entry go behind the directories */
    int big_endian;
} block;

static void put(block *b, size_t at, uint32_t value, int bytes)
{
    for (int i = 0; i < bytes; i++)
        b->data[at + (size_t)i] = (uint8_t)(value >> (b->big_endian ? 8 * (bytes - 1 - i) : 8 * i));
}

static void entry(block *b, int tag, int type, uint32_t count, const void *text, uint32_t first, uint32_t second)
{
    size_t at = b->bytes, bytes = type == 2 ? count : type == 3 ? 2 * count : type == 5 ? 8 * count : 4 * count;
    put(b, at, (uint32_t)tag, 2);
    put(b, at + 2, (uint32_t)type, 2);
    put(b, at + 4, count, 4);
    size_t to = bytes <= 4 ? at + 8 : b->value_at;
    if (bytes > 4) {
        put(b, at + 8, (uint32_t)to, 4);
        b->value_at += bytes + (bytes & 1);
    }
    if (type == 2)
        memcpy(b->data + to, text, count);
    else
        put(b, to, first, type == 3 ? 2 : 4);
    if (type == 5)
        put(b, to + 4, second, 4);
    b->bytes = at + 12;
}

/* What a camera writes: 5 entries, then the EXIF directory with 7. */
static void camera_block(block *b, int big_endian)
{
    *b = (block){.big_endian = big_endian, .value_at = 300};
    memcpy(b->data, big_endian ? "MM\0*\0\0\0\x08" : "II*\0\x08\0\0\0", 8);
    put(b, 8, 5, 2);
    b->bytes = 10;
    entry(b, 0x010F, 2, 11, "Rail Works", 0, 0);
    entry(b, 0x0110, 2, 10, "Macro III", 0, 0);
    entry(b, 0x0112, 3, 1, NULL, 6, 0);
    entry(b, 0x0131, 2, 9, "Ver 1.02", 0, 0);
    entry(b, 0x8769, 4, 1, NULL, 100, 0);
    put(b, 100, 7, 2);
    b->bytes = 102;
    entry(b, 0x829A, 5, 1, NULL, 10, 1250);
    entry(b, 0x829D, 5, 1, NULL, 28, 10);
    entry(b, 0x8827, 3, 1, NULL, 400, 0);
    entry(b, 0x9003, 2, 20, "2024:02:29 23:59:58", 0, 0);
    entry(b, 0x9291, 2, 3, "25", 0, 0);
    entry(b, 0x920A, 5, 1, NULL, 505, 10);
    entry(b, 0xA001, 3, 1, NULL, 65535, 0);
    b->bytes = b->value_at;
}

static rf_metadata read_block(const uint8_t *data, size_t bytes)
{
    rf_metadata metadata;
    rf_error err = {0};
    rf_metadata_init(&metadata);
    assert_int_equal(rf_metadata_set_exif(&metadata, data, bytes, &err), RF_OK);
    return metadata;
}

static int near(double value, double expected)
{
    return fabs(value - expected) <= 1e-6 * expected; /* the written ratio is good to 1e-7 */
}

static void assert_camera_values(const rf_metadata *metadata)
{
    assert_true(near(metadata->exposure_s, 0.008));
    assert_true(near(metadata->f_number, 2.8));
    assert_true(near(metadata->iso, 400));
    assert_true(near(metadata->focal_length_mm, 50.5));
    /* 2024-02-29T23:59:58.250Z; seconds from `date -u -d 2024-02-29T23:59:58 +%s` */
    assert_true(metadata->capture_time_ms == INT64_C(1709251198250));
    assert_string_equal(metadata->camera, "Rail Works Macro III");
}

static void values_are_read_in_both_byte_orders(void **state)
{
    (void)state;
    block b;
    for (int big_endian = 0; big_endian < 2; big_endian++) {
        camera_block(&b, big_endian);
        rf_metadata metadata = read_block(b.data, b.bytes);
        assert_camera_values(&metadata);
        assert_int_equal(metadata.orientation, 6);
        assert_int_equal(metadata.exif_bytes, b.bytes);
        assert_memory_equal(metadata.exif, b.data, b.bytes);
        rf_metadata_free(&metadata);
        assert_null(metadata.exif);
        assert_int_equal(metadata.orientation, 1);
    }
}

static void the_head_of_a_jpeg_segment_is_taken_off(void **state)
{
    (void)state;
    block b;
    uint8_t segment[1100];
    camera_block(&b, 1);
    memcpy(segment, "Exif\0\0", 6);
    memcpy(segment + 6, b.data, b.bytes);
    rf_metadata metadata = read_block(segment, b.bytes + 6);
    assert_camera_values(&metadata);
    assert_memory_equal(metadata.exif, "MM", 2);
    rf_metadata_free(&metadata);
}

static void a_broken_block_leaves_values_unknown(void **state)
{
    (void)state;
    static const char *const broken[] = {
        "", "II*", "Exif", "PK\3\4................", "II*\0\xFF\xFF\xFF\xFF........", "MM\0*\0\0\0\x08"};
    for (size_t i = 0; i < sizeof broken / sizeof *broken; i++) {
        rf_metadata metadata = read_block((const uint8_t *)broken[i], i < 4 ? strlen(broken[i]) : 8);
        assert_null(metadata.exif);
        assert_int_equal(metadata.orientation, 1);
        assert_true(metadata.exposure_s == 0 && metadata.iso == 0 && metadata.capture_time_ms == INT64_MIN);
        assert_string_equal(metadata.camera, "");
    }
    block b;
    camera_block(&b, 0);
    for (size_t cut = 0; cut < b.bytes; cut++) { /* whatever is left of it: no crash, and values are true or unknown */
        uint8_t *part = malloc(cut + 1);         /* its own size, so that a read past the end is seen */
        assert_non_null(part);
        memcpy(part, b.data, cut);
        rf_metadata metadata = read_block(part, cut);
        assert_true(metadata.exposure_s == 0 || near(metadata.exposure_s, 0.008));
        assert_true(metadata.orientation == 1 || metadata.orientation == 6);
        rf_metadata_free(&metadata);
        free(part);
    }
}

static void senseless_values_are_unknown(void **state)
{
    (void)state;
    block b = {.value_at = 300};
    memcpy(b.data, "II*\0\x08\0\0\0", 8);
    put(&b, 8, 2, 2);
    b.bytes = 10;
    entry(&b, 0x0112, 3, 1, NULL, 9, 0); /* orientations end at 8 */
    entry(&b, 0x8769, 4, 1, NULL, 100, 0);
    put(&b, 100, 4, 2);
    b.bytes = 102;
    entry(&b, 0x829A, 5, 1, NULL, 1, 0); /* division by nothing */
    entry(&b, 0x829D, 5, 1, NULL, 0, 10);
    entry(&b, 0x8827, 2, 4, "abc", 0, 0); /* a text for a number */
    entry(&b, 0x9003, 2, 20, "2023:02:31 25:00:00", 0, 0);
    rf_metadata metadata = read_block(b.data, b.value_at);
    assert_non_null(metadata.exif);
    assert_int_equal(metadata.orientation, 1);
    assert_true(metadata.exposure_s == 0 && metadata.f_number == 0 && metadata.iso == 0);
    assert_true(metadata.capture_time_ms == INT64_MIN);
    rf_metadata_free(&metadata);
}

static rf_metadata rebuild(const rf_metadata *metadata)
{
    rf_error err = {0};
    uint8_t *built = NULL;
    size_t bytes = 0;
    assert_int_equal(rf_metadata_build_exif(metadata, &built, &bytes, &err), RF_OK);
    rf_metadata again = read_block(built, bytes);
    rf_free(built);
    return again;
}

static void a_built_block_says_the_same_and_is_upright(void **state)
{
    (void)state;
    block b;
    camera_block(&b, 1);
    rf_metadata metadata = read_block(b.data, b.bytes), again = rebuild(&metadata);
    assert_camera_values(&again);
    assert_int_equal(again.orientation, 1);
    assert_non_null(bytes_find(again.exif, again.exif_bytes, "railfold " RF_VERSION, sizeof "railfold " RF_VERSION));
    assert_non_null(bytes_find(again.exif, again.exif_bytes, "Rail Works", 11)); /* Make and Model stay apart */
    assert_non_null(bytes_find(again.exif, again.exif_bytes, "\x01\xA0\x03\0\x01\0\0\0\xFF\xFF", 10)); /* ColorSpace */
    assert_null(bytes_find(again.exif, again.exif_bytes, "Ver 1.02", 8));
    rf_metadata third = rebuild(&metadata);
    assert_int_equal(third.exif_bytes, again.exif_bytes);
    assert_memory_equal(third.exif, again.exif, again.exif_bytes);
    rf_metadata_free(&metadata);
    rf_metadata_free(&again);
    rf_metadata_free(&third);
}

static void values_without_a_block_are_built_too(void **state)
{
    (void)state;
    static const double exposures[] = {1.0 / 8000, 1.0 / 3, 0.6, 1.3, 30, 1234.5};
    for (size_t i = 0; i < sizeof exposures / sizeof *exposures; i++) {
        rf_metadata metadata;
        rf_metadata_init(&metadata);
        metadata.exposure_s = exposures[i];
        metadata.capture_time_ms = (int64_t)(i * 987654321987) - 100000000000; /* before 1970 too */
        (void)snprintf(metadata.camera, sizeof metadata.camera, "Bellows");
        rf_metadata again = rebuild(&metadata);
        assert_true(near(again.exposure_s, exposures[i]));
        assert_true(again.f_number == 0 && again.iso == 0 && again.focal_length_mm == 0);
        assert_true(again.capture_time_ms == metadata.capture_time_ms);
        assert_string_equal(again.camera, "Bellows");
        rf_metadata_free(&again);
    }
}

static void a_maker_named_twice_is_said_once(void **state)
{
    (void)state;
    block b = {.value_at = 100};
    memcpy(b.data, "II*\0\x08\0\0\0", 8);
    put(&b, 8, 2, 2);
    b.bytes = 10;
    entry(&b, 0x010F, 2, 16, "RAIL WORKS CORP", 0, 0);
    entry(&b, 0x0110, 2, 12, "RAIL M\xFF 10  ", 0, 0); /* a byte that is no UTF-8; blanks at the end */
    rf_metadata metadata = read_block(b.data, b.value_at);
    assert_string_equal(metadata.camera, "RAIL M? 10");
    rf_metadata_free(&metadata);
}

static void a_profile_is_kept_beside_a_new_block(void **state)
{
    (void)state;
    rf_error err = {0};
    block b;
    rf_metadata metadata;
    rf_metadata_init(&metadata);
    assert_int_equal(rf_metadata_set_icc(&metadata, (const uint8_t *)"profile", 7, &err), RF_OK);
    camera_block(&b, 0);
    assert_int_equal(rf_metadata_set_exif(&metadata, b.data, b.bytes, &err), RF_OK);
    assert_int_equal(metadata.icc_bytes, 7);
    assert_memory_equal(metadata.icc, "profile", 7);
    assert_int_equal(rf_metadata_set_icc(&metadata, NULL, 0, &err), RF_OK);
    assert_null(metadata.icc);
    rf_metadata_free(&metadata);
}

static void memory_that_runs_out_is_said(void **state)
{
    (void)state;
    block b;
    camera_block(&b, 0);
    failing_memory memory = failing_memory_start();
    rf_status status;
    rf_error err;
    do {
        rf_metadata metadata;
        err = (rf_error){0};
        rf_metadata_init(&metadata);
        failing_memory_arm(&memory);
        status = rf_metadata_set_exif(&metadata, b.data, b.bytes, &err);
        assert_int_equal(status == RF_OK, metadata.exif != NULL);
        rf_metadata_free(&metadata);
    } while (failing_memory_goes_on(&memory, status, &err));
    assert_true(memory.failures >= 2);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_are_read_in_both_byte_orders),
        cmocka_unit_test(the_head_of_a_jpeg_segment_is_taken_off),
        cmocka_unit_test(a_broken_block_leaves_values_unknown),
        cmocka_unit_test(senseless_values_are_unknown),
        cmocka_unit_test(a_built_block_says_the_same_and_is_upright),
        cmocka_unit_test(values_without_a_block_are_built_too),
        cmocka_unit_test(a_maker_named_twice_is_said_once),
        cmocka_unit_test(a_profile_is_kept_beside_a_new_block),
        cmocka_unit_test(memory_that_runs_out_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

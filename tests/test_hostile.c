/* test_hostile.c - files made to hurt: what fuzzing has found, one test a fault, and the bombs the readers refuse. */
#include "io_fixture.h"

#include <math.h>

#include <zlib.h>

#include "railfold/depth_draw.h"
#include "railfold/depth_map.h"
#include "railfold/depth_measure.h"
#include "railfold/depth_report.h"
#include "railfold/depth_view.h"

enum { MOST_REFUSED_BYTES = 64 << 20 }; /* what a header alone may cost: libraries' own buffers, never pixels */

/* ---- PNG by hand ---- */

typedef struct bytes {
    uint8_t *at;
    size_t used, room;
} bytes;

static void put(bytes *b, const void *data, size_t count)
{
    if (b->used + count > b->room) {
        b->room = 2 * (b->used + count);
        b->at = realloc(b->at, b->room);
        assert_non_null(b->at);
    }
    memcpy(b->at + b->used, data, count);
    b->used += count;
}

static void put_u32(bytes *b, size_t value)
{
    const uint8_t big[4] = {(uint8_t)(value >> 24), (uint8_t)(value >> 16), (uint8_t)(value >> 8), (uint8_t)value};
    put(b, big, sizeof big);
}

/* A chunk that claims `length` bytes and holds `count`. */
static void put_chunk(bytes *b, const char *kind, const void *data, size_t count, size_t length)
{
    put_u32(b, length);
    size_t begin = b->used;
    put(b, kind, 4);
    put(b, data, count);
    put_u32(b, (size_t)crc32(0, b->at + begin, (uInt)(b->used - begin)));
}

static void put_deflated(bytes *b, const uint8_t *data, size_t count)
{
    uLongf packed_bytes = compressBound((uLong)count);
    uint8_t *packed = malloc(packed_bytes);
    assert_non_null(packed);
    assert_int_equal(compress2(packed, &packed_bytes, data, (uLong)count, 9), Z_OK);
    put(b, packed, packed_bytes);
    free(packed);
}

/* 8 bits, grey. */
static void begin_png(bytes *b, size_t width, size_t height)
{
    bytes head = {0};
    put_u32(&head, width);
    put_u32(&head, height);
    put(&head, "\x08\0\0\0", 5);
    put(b, "\x89PNG\r\n\x1a\n", 8);
    put_chunk(b, "IHDR", head.at, head.used, head.used);
    free(head.at);
}

static void end_png(bytes *b, const char *name, size_t pixels_and_filters)
{
    bytes packed = {0};
    uint8_t *raw = calloc(1, pixels_and_filters);
    assert_non_null(raw);
    put_deflated(&packed, raw, pixels_and_filters);
    put_chunk(b, "IDAT", packed.at, packed.used, packed.used);
    put_chunk(b, "IEND", "", 0, 0);
    FILE *file = fopen(scratch_path(name), "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(b->at, 1, b->used, file), b->used);
    assert_int_equal(fclose(file), 0);
    free(raw);
    free(packed.at);
    free(b->at);
}

static rf_status read_frame(const char *name, rf_image *image, rf_error *err)
{
    rf_memory_reset_peak();
    return rf_frame_read(scratch_path(name), NULL, image, NULL, NULL, err);
}

/* ---- found by fuzzing ---- */

/* libpng gives an eXIf chunk the length its header claims before a byte of it is read: 2 GB for a file of 100 bytes. */
static void an_exif_chunk_that_claims_2_gb_takes_no_memory(void **state)
{
    (void)state;
    rf_error err = {0};
    rf_image image = {0};
    bytes b = {0};
    begin_png(&b, 4, 4);
    put_chunk(&b, "eXIf", "MM\0*", 4, 0x7FFFFFFF);
    end_png(&b, "claim.png", 20);
    assert_int_equal(read_frame("claim.png", &image, &err), RF_ERR_INPUT);
    assert_non_null(strstr(err.text, "claim.png"));
    assert_null(image.data);
    assert_true(rf_memory_peak() < MOST_REFUSED_BYTES);
}

/* Compressed texts: 64 chunks of 8 KB that are 8 MB each, 512 MB in all. The picture is read, without most of them. */
static void texts_that_unpack_to_gigabytes_are_dropped(void **state)
{
    (void)state;
    enum { TEXTS = 64, TEXT_BYTES = 8 << 20, MOST_BYTES = 256 << 20 };
    rf_error err = {0};
    rf_image image = {0};
    bytes b = {0}, text = {0};
    uint8_t *moss = malloc(TEXT_BYTES);
    assert_non_null(moss);
    memset(moss, 'm', TEXT_BYTES);
    put(&text, "Comment\0\0", 9);
    put_deflated(&text, moss, TEXT_BYTES);
    begin_png(&b, 4, 4);
    for (int i = 0; i < TEXTS; i++)
        put_chunk(&b, "zTXt", text.at, text.used, text.used);
    end_png(&b, "texts.png", 20);
    assert_int_equal(read_frame("texts.png", &image, &err), RF_OK);
    assert_int_equal(image.width, 4);
    assert_true(rf_memory_peak() < MOST_BYTES); /* 128 MB for libpng and what one text takes while it is unpacked */
    rf_image_free(&image);
    free(text.at);
    free(moss);
}

static void small_map(rf_depth_map *map, float low, float high)
{
    rf_error err = {0};
    *map = (rf_depth_map){.step_mm = 0.05, .metric = 1, .pixel_mm = 0.002};
    assert_int_equal(rf_image_alloc(&map->depth, 16, 12, 1, RF_F32, "a map", &err), RF_OK);
    for (int y = 0; y < 12; y++)
        for (int x = 0; x < 16; x++)
            rf_image_row_f32(&map->depth, y)[x] = (x + y) % 5 == 0 ? high : low + 0.01f * (float)x;
}

/* Depths of 3e38 made differences that are infinite, and with them array places from NaN. */
static void depths_no_rail_can_have_are_unknown(void **state)
{
    (void)state;
    rf_depth_map from, map;
    const rf_map_facts facts = {.kind = RF_MAP_DEPTH, .scale = 1};
    float low, high;
    small_map(&from, 0, 3e38f);
    rf_image_row_f32(&from.depth, 0)[1] = -INFINITY;
    rf_depth_map_from(&map, &from.depth, &facts, 0, 0);
    assert_true(isnan(rf_image_row_f32(&map.depth, 0)[0]));
    assert_true(isnan(rf_image_row_f32(&map.depth, 0)[1]));
    assert_true(rf_image_row_f32(&map.depth, 0)[2] == 0.02f);
    assert_int_equal(rf_depth_range(&map.depth, 0.01f, &low, &high), 1);
    assert_true(low >= 0 && high <= 0.16f);
    rf_depth_map_free(&map);
}

static void lengths_no_rail_can_have_are_unknown(void **state)
{
    (void)state;
    rf_error err = {0};
    rf_map_facts facts;
    double step_mm, pixel_mm;
    assert_int_equal(rf_map_text_read("railfold map: kind=depth step_mm=1e300 pixel_mm=1e-300", &facts), 1);
    assert_true(facts.step_mm == 0 && facts.pixel_mm == 0);
    assert_int_equal(rf_map_text_read("railfold map: kind=depth step_mm=0.05 pixel_mm=0.0012", &facts), 1);
    assert_true(facts.step_mm == 0.05 && facts.pixel_mm == 0.0012);
    assert_int_equal(
        rf_report_lengths("plan.json", "{\"step_mm\": 1e300, \"pixel_um\": 1.2}", &step_mm, &pixel_mm, &err), RF_OK);
    assert_true(step_mm == 0);
    assert_float_equal(pixel_mm, 0.0012, 1e-12); /* a product of two doubles */
}

/* One depth far from the rest asked for a canvas of 7200 x 7200 pixels, 0.6 GB, whatever the size of the map. */
static void one_wild_depth_does_not_blow_up_the_draped_view(void **state)
{
    (void)state;
    enum {
        MOST_BYTES = 4 << 20
    }; /* 6 times the map's longer side, drawn double: 2 x 2 x 144 x 144 x 7 bytes and rows */
    rf_error err = {0};
    rf_depth_map map;
    rf_image skin = {0}, rgb = {0};
    const rf_drape_view view = {.turn_deg = 20, .lean_deg = 40, .pixels_per_unit = 500};
    small_map(&map, 0, 1e8f); /* so far off that its place on the canvas is no int */
    assert_int_equal(rf_image_alloc(&skin, 16, 12, 3, RF_U8, "a skin", &err), RF_OK);
    rf_memory_reset_peak();
    assert_int_equal(rf_depth_drape(&map, &skin, &view, &rgb, &err), RF_OK);
    assert_true(rf_memory_peak() < MOST_BYTES);
    assert_true(rgb.width <= 6 * 16 + 48 && rgb.height <= 6 * 16 + 48);
    rf_image_free(&rgb);
    rf_image_free(&skin);
    rf_depth_map_free(&map);
}

/* Depths about 1e-30 made 1e17 marks on the axis of a profile's plot: the run never ended. */
static void the_plot_of_tiny_depths_ends(void **state)
{
    (void)state;
    enum { MOST_SECONDS = 60, MOST_TEXT_BYTES = 1 << 16 };
    const double line[4] = {0, 0, 15, 0};
    rf_error err = {0};
    rf_depth_map map;
    rf_profile profile = {0};
    char *text = NULL;
    size_t count = 0;
    small_map(&map, 0, 0);
    for (int x = 0; x < 16; x++)
        rf_image_row_f32(&map.depth, 0)[x] = 1e-30f * (float)(x + 1);
    (void)alarm(MOST_SECONDS);
    assert_int_equal(rf_profile_take(&map, line, &profile, &err), RF_OK);
    assert_int_equal(rf_profile_svg(&map, &profile, &text, &count, &err), RF_OK);
    (void)alarm(0);
    assert_true(count > 0 && count < MOST_TEXT_BYTES);
    assert_non_null(strstr(text, "</svg>"));
    rf_free(text);
    rf_profile_free(&profile);
    rf_depth_map_free(&map);
}

/* ---- limits ---- */

/* 20000 x 20000 pixels in 400 KB of deflated noughts would be 400 MB: the header is enough to refuse it when the limit
 * is lower, and the limit can be raised. */
static void a_picture_above_the_limit_is_refused_by_its_header(void **state)
{
    (void)state;
    rf_error err = {0};
    rf_frame_info info;
    rf_image image = {0};
    bytes b = {0};
    const rf_frame_limits low = rf_frame_limits_pixels(100 * 99), high = rf_frame_limits_pixels(100 * 100),
                          usual = rf_frame_limits_pixels(0);
    assert_int_equal(usual.max_pixels, RF_MAX_PIXELS);
    begin_png(&b, 100, 100);
    end_png(&b, "hundred.png", 101 * 100);
    rf_memory_reset_peak();
    assert_int_equal(rf_frame_read(scratch_path("hundred.png"), &low, &image, NULL, NULL, &err), RF_ERR_INPUT);
    assert_non_null(strstr(err.text, "100 x 100 pixels, 10000 in all; at most 9900 are allowed"));
    assert_true(rf_memory_peak() < MOST_REFUSED_BYTES);
    err = (rf_error){0};
    assert_int_equal(rf_frame_read(scratch_path("hundred.png"), &high, &image, &info, NULL, &err), RF_OK);
    assert_int_equal(info.width, 100);
    rf_image_free(&image);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_exif_chunk_that_claims_2_gb_takes_no_memory),
        cmocka_unit_test(texts_that_unpack_to_gigabytes_are_dropped),
        cmocka_unit_test(depths_no_rail_can_have_are_unknown),
        cmocka_unit_test(lengths_no_rail_can_have_are_unknown),
        cmocka_unit_test(one_wild_depth_does_not_blow_up_the_draped_view),
        cmocka_unit_test(the_plot_of_tiny_depths_ends),
        cmocka_unit_test(a_picture_above_the_limit_is_refused_by_its_header),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

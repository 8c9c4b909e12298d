/* test_io_png.c - PNG frames: every colour type and depth, interlaced or not, and every way a file can be bad. Odd
 * files are made with libpng itself. */
#include "io_fixture.h"

#include <png.h>
#include <zlib.h>

enum { WIDTH = 37, HEIGHT = 21 };

/* One sample as stored: `depth` bits of the pattern. */
static unsigned stored_sample(int x, int y, int channel, int depth)
{
    return (unsigned)pattern_value(x, y, channel) >> (16 - depth);
}

static void pack_row(uint8_t *row, int y, int channels, int depth)
{
    memset(row, 0, (size_t)WIDTH * (size_t)channels * 2);
    for (int i = 0; i < WIDTH * channels; i++) {
        unsigned value = stored_sample(i / channels, y, i % channels, depth);
        if (depth == 16)
            row[2 * i] = (uint8_t)(value >> 8), row[2 * i + 1] = (uint8_t)value;
        else
            row[i * depth / 8] |= (uint8_t)(value << (8 - depth - i * depth % 8));
    }
}

static png_color palette_color(unsigned index)
{
    return (png_color){(png_byte)(index * 3), (png_byte)(255 - index), (png_byte)(index ^ 0x5A)};
}

static void png_make(const char *path, int color, int depth, int interlace, int transparency)
{
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, NULL, NULL);
    png_infop info = png_create_info_struct(png);
    png_init_io(png, file);
    png_set_IHDR(png, info, WIDTH, HEIGHT, depth, color, interlace, PNG_COMPRESSION_TYPE_DEFAULT,
                 PNG_FILTER_TYPE_DEFAULT);
    png_color palette[256];
    png_byte alpha[256] = {1, 2, 3};
    png_color_16 clear = {.gray = 1, .red = 1};
    for (unsigned i = 0; i < 256; i++)
        palette[i] = palette_color(i);
    if (color == PNG_COLOR_TYPE_PALETTE)
        png_set_PLTE(png, info, palette, 1 << depth);
    if (transparency)
        png_set_tRNS(png, info, alpha, color == PNG_COLOR_TYPE_PALETTE ? 1 << depth : 0, &clear);
    png_write_info(png, info);
    int channels = color == PNG_COLOR_TYPE_RGB    ? 3
                   : color == PNG_COLOR_TYPE_RGBA ? 4
                   : color == PNG_COLOR_TYPE_GA   ? 2
                                                  : 1;
    uint8_t row[WIDTH * 8];
    int passes = png_set_interlace_handling(png);
    for (int pass = 0; pass < passes; pass++)
        for (int y = 0; y < HEIGHT; y++) {
            pack_row(row, y, channels, depth);
            png_write_row(png, row);
        }
    png_write_end(png, info);
    png_destroy_write_struct(&png, &info);
    fclose(file);
}

static unsigned expected_sample(int color, int depth, int x, int y, int c)
{
    unsigned value = stored_sample(x, y, color == PNG_COLOR_TYPE_PALETTE ? 0 : c, depth);
    if (color == PNG_COLOR_TYPE_PALETTE) {
        png_color entry = palette_color(value);
        return c == 0 ? entry.red : c == 1 ? entry.green : entry.blue;
    }
    return depth < 8 ? value * 255 / ((1u << depth) - 1) : value; /* 1, 2, 4 bits: white stays white */
}

static void check_kind(int color, int depth, int interlace, int transparency)
{
    rf_frame_info info;
    const char *path = scratch_path("kind.png");
    png_make(path, color, depth, interlace, transparency);
    rf_image image = read_good(path, &info, NULL);
    assert_string_equal(info.format, "PNG");
    assert_int_equal(info.width, WIDTH);
    assert_int_equal(info.height, HEIGHT);
    assert_int_equal(info.orientation, 1);
    assert_int_equal(info.channels, color == PNG_COLOR_TYPE_GRAY || color == PNG_COLOR_TYPE_GA ? 1 : 3);
    assert_int_equal(image.sample, depth == 16 ? RF_U16 : RF_U8);
    for (int y = 0; y < HEIGHT; y++)
        for (int i = 0; i < WIDTH * image.channels; i++) {
            unsigned got =
                depth == 16 ? ((uint16_t *)rf_image_row(&image, y))[i] : ((uint8_t *)rf_image_row(&image, y))[i];
            assert_int_equal(got, expected_sample(color, depth, i / image.channels, y, i % image.channels));
        }
    rf_image_free(&image);
}

static void every_kind_is_read_bit_exactly(void **state)
{
    (void)state;
    static const struct {
        int color, depths[6];
    } kinds[] = {
        {PNG_COLOR_TYPE_GRAY, {1, 2, 4, 8, 16}}, {PNG_COLOR_TYPE_PALETTE, {1, 2, 4, 8}}, {PNG_COLOR_TYPE_RGB, {8, 16}},
        {PNG_COLOR_TYPE_RGBA, {8, 16}},          {PNG_COLOR_TYPE_GA, {8, 16}},
    };
    for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++)
        for (int i = 0; kinds[k].depths[i] != 0; i++)
            for (int interlace = 0; interlace < 2; interlace++) {
                check_kind(kinds[k].color, kinds[k].depths[i], interlace, 0);
                if ((kinds[k].color & PNG_COLOR_MASK_ALPHA) == 0)
                    check_kind(kinds[k].color, kinds[k].depths[i], interlace, 1); /* tRNS is dropped as well */
            }
}

static void cut_files_are_refused(void **state)
{
    (void)state;
    for (int interlace = 0; interlace < 2; interlace++) {
        const char *path = scratch_path("whole.png");
        png_make(path, PNG_COLOR_TYPE_RGB, 8, interlace, 0);
        assert_cuts_unreadable(path, 41);
    }
}

static void a_wrong_checksum_is_refused(void **state)
{
    (void)state;
    size_t bytes = 0;
    const char *path = scratch_path("crc.png");
    png_make(path, PNG_COLOR_TYPE_RGB, 16, PNG_INTERLACE_NONE, 0);
    uint8_t *data = file_load(path, &bytes);
    uint8_t *pixels = bytes_find(data, bytes, "IDAT", 4);
    assert_non_null(pixels);
    pixels[700] ^= 1;
    file_save(path, data, bytes);
    assert_unreadable(path, "damaged");
    free(data);
}

static void put_u32(uint8_t *to, uint32_t value)
{
    for (int i = 0; i < 4; i++)
        to[i] = (uint8_t)(value >> (24 - 8 * i));
}

/* New size in the header, with a good checksum: a header that lies. */
static void patch_size(const char *path, uint32_t width, uint32_t height)
{
    size_t bytes = 0;
    uint8_t *data = file_load(path, &bytes);
    put_u32(data + 16, width);
    put_u32(data + 20, height);
    put_u32(data + 29, (uint32_t)crc32(0, data + 12, 17));
    file_save(path, data, bytes);
    free(data);
}

static void absurd_sizes_are_refused_before_memory_is_taken(void **state)
{
    (void)state;
    const char *path = scratch_path("bomb.png");
    png_make(path, PNG_COLOR_TYPE_RGB, 8, PNG_INTERLACE_NONE, 0);
    rf_memory_reset_peak();
    size_t before = rf_memory_peak();
    patch_size(path, 0x7FFFFFFF, 0x7FFFFFFF);
    assert_unreadable(path, "2147483647");
    patch_size(path, 4000, 4000); /* 48 MB from 2 kB: more than deflate can do */
    assert_unreadable(path, "4000 x 4000");
    patch_size(path, 150000, 1);
    assert_unreadable(path, "150000 x 1");
    patch_size(path, 0, 5);
    assert_unreadable(path, "PNG");
    assert_true(rf_memory_peak() - before < 100000);
    patch_size(path, WIDTH, HEIGHT + 1); /* a believable lie */
    assert_unreadable(path, "damaged");
}

static void luma_is_that_of_the_frame(void **state)
{
    (void)state;
    rf_image luma = {0}, expected = {0};
    rf_error err = {0};
    const char *path = scratch_path("luma.png");
    png_make(path, PNG_COLOR_TYPE_RGB, 16, PNG_INTERLACE_NONE, 0);
    rf_image image = read_good(path, NULL, NULL);
    for (int reduce = 1; reduce <= 8; reduce *= 2) {
        assert_int_equal(rf_image_alloc(&expected, WIDTH / reduce, HEIGHT / reduce, 1, RF_F32, "luma", &err), RF_OK);
        rf_image_luma(&image, reduce, &expected, NULL);
        assert_int_equal(rf_frame_read_luma(path, NULL, reduce, &luma, NULL, NULL, &err), RF_OK);
        assert_same_pixels(&luma, &expected);
    }
    assert_int_equal(rf_frame_read_luma(path, NULL, 3, &luma, NULL, NULL, &err), RF_ERR_INTERNAL);
    assert_null(luma.data);
    rf_image_free(&image);
    rf_image_free(&expected);
}

static void a_frame_smaller_than_one_block_has_no_luma(void **state)
{
    (void)state;
    rf_image made = {0}, luma = {0};
    rf_error err = {0};
    image_fill(&made, 7, 20, 1, RF_U8, 0);
    const char *path = scratch_path("small.png");
    assert_int_equal(rf_picture_write(path, &made, NULL, NULL, 1, &err), RF_OK);
    assert_int_equal(rf_frame_read_luma(path, NULL, 8, &luma, NULL, NULL, &err), RF_ERR_INPUT);
    assert_non_null(strstr(err.text, "7 x 20"));
    rf_image_free(&made);
}

static void damage_never_crashes(void **state)
{
    (void)state;
    for (int interlace = 0; interlace < 2; interlace++) {
        const char *path = scratch_path("good.png");
        png_make(path, PNG_COLOR_TYPE_PALETTE, 4, interlace, 1);
        assert_damage_is_survived(path, 300);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_kind_is_read_bit_exactly),
        cmocka_unit_test(cut_files_are_refused),
        cmocka_unit_test(a_wrong_checksum_is_refused),
        cmocka_unit_test(absurd_sizes_are_refused_before_memory_is_taken),
        cmocka_unit_test(luma_is_that_of_the_frame),
        cmocka_unit_test(a_frame_smaller_than_one_block_has_no_luma),
        cmocka_unit_test(damage_never_crashes),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

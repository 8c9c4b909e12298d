/* test_io_jpeg.c - JPEG frames: every layout a camera writes, and every way a file can be bad. */
#include "jpeg_fixture.h"

static void every_layout_is_read(void **state)
{
    (void)state;
    static const jpeg_kind kinds[] = {
        {JCS_RGB, JCS_YCbCr, 1, 1, 0, 0, 100},
        {JCS_RGB, JCS_YCbCr, 2, 1, 0, 0, 100},
        {JCS_RGB, JCS_YCbCr, 2, 2, 0, 0, 100},
        {JCS_RGB, JCS_YCbCr, 1, 2, 0, 0, 100},
        {JCS_RGB, JCS_YCbCr, 2, 2, 1, 0, 100},
        {JCS_RGB, JCS_YCbCr, 2, 1, 0, 1, 100},
        {JCS_RGB, JCS_RGB, 1, 1, 0, 0, 100},
        {JCS_GRAYSCALE, JCS_GRAYSCALE, 1, 1, 0, 0, 100},
        {JCS_GRAYSCALE, JCS_GRAYSCALE, 1, 1, 1, 0, 100},
    };
    for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++) {
        rf_image made = {0};
        rf_frame_info info;
        image_fill(&made, 61, 43, kinds[k].in == JCS_RGB ? 3 : 1, RF_U8, 1);
        const char *path = scratch_path("layout.jpg");
        jpeg_make(path, &made, kinds[k], NULL, 0);
        rf_image got = read_good(path, &info, NULL);
        assert_string_equal(info.format, "JPEG");
        assert_int_equal(info.sample, RF_U8);
        /* Quality 100 rounds coefficients to 1: a level or two; colour is smoothed over 2 px more where it is
         * subsampled, and the slopes here are 1 level a pixel. */
        assert_true(most_difference(&made, &got) <= 4);
        rf_image_free(&made);
        rf_image_free(&got);
    }
}

static void cmyk_is_refused_by_name(void **state)
{
    (void)state;
    rf_image made = {0};
    image_fill(&made, 16, 16, 4, RF_U8, 1);
    const char *path = scratch_path("cmyk.jpg");
    jpeg_make(path, &made, (jpeg_kind){JCS_CMYK, JCS_YCCK, 1, 1, 0, 0, 90}, NULL, 0);
    assert_unreadable(path, "CMYK");
    rf_image_free(&made);
}

static void cut_files_are_refused(void **state)
{
    (void)state;
    rf_image made = {0};
    image_fill(&made, 64, 48, 3, RF_U8, 0);
    for (int progressive = 0; progressive < 2; progressive++) {
        const char *path = scratch_path("whole.jpg");
        jpeg_make(path, &made, (jpeg_kind){JCS_RGB, JCS_YCbCr, 2, 2, progressive, 0, 90}, NULL, 0);
        rf_image got = read_good(path, NULL, NULL);
        rf_image_free(&got);
        assert_cuts_unreadable(path, 37);
    }
    rf_image_free(&made);
}

static void a_hole_in_the_data_is_refused(void **state)
{
    (void)state;
    rf_image made = {0};
    size_t bytes = 0;
    image_fill(&made, 200, 150, 3, RF_U8, 0);
    const char *path = scratch_path("hole.jpg");
    jpeg_make(path, &made, (jpeg_kind){JCS_RGB, JCS_YCbCr, 1, 1, 0, 0, 90}, NULL, 0);
    uint8_t *data = file_load(path, &bytes);
    memmove(data + bytes / 2, data + bytes / 2 + 3000, bytes / 2 - 3000); /* a lost block of the card */
    file_save(path, data, bytes - 3000);
    assert_unreadable(path, "damaged");
    free(data);
    rf_image_free(&made);
}

static void what_follows_the_picture_is_ignored(void **state)
{
    (void)state;
    rf_image made = {0};
    size_t bytes = 0;
    image_fill(&made, 40, 30, 3, RF_U8, 1);
    const char *path = scratch_path("tail.jpg");
    jpeg_make(path, &made, (jpeg_kind){JCS_RGB, JCS_YCbCr, 1, 1, 0, 0, 95}, NULL, 0);
    uint8_t *data = file_load(path, &bytes);
    rf_image before = read_good(path, NULL, NULL);
    data = realloc(data, bytes + 700);
    assert_non_null(data);
    memset(data + bytes, 0xA5, 700); /* cameras keep a second preview there */
    file_save(path, data, bytes + 700);
    rf_image after = read_good(path, NULL, NULL);
    assert_same_pixels(&before, &after);
    free(data);
    rf_image_free(&made);
    rf_image_free(&before);
    rf_image_free(&after);
}

/* Some cameras fill up with zeros before the end marker. Much more than that is lost data. */
static void padding_before_the_end_is_harmless(void **state)
{
    (void)state;
    rf_image made = {0};
    size_t bytes = 0;
    image_fill(&made, 40, 30, 3, RF_U8, 1);
    const char *path = scratch_path("padded.jpg");
    for (size_t padding = 8; padding <= 80; padding += 72) {
        jpeg_make(path, &made, (jpeg_kind){JCS_RGB, JCS_YCbCr, 1, 1, 0, 0, 95}, NULL, 0);
        uint8_t *data = file_load(path, &bytes);
        data = realloc(data, bytes + padding);
        assert_non_null(data);
        memset(data + bytes - 2, 0, padding);
        memcpy(data + bytes - 2 + padding, "\xFF\xD9", 2);
        file_save(path, data, bytes + padding);
        free(data);
        if (padding == 8) {
            rf_image got = read_good(path, NULL, NULL);
            rf_image_free(&got);
        } else {
            assert_unreadable(path, "extraneous");
        }
    }
    rf_image_free(&made);
}

/* Changes the size in the frame header and nothing else. */
static void patch_size(const char *path, int width, int height)
{
    size_t bytes = 0;
    uint8_t *data = file_load(path, &bytes);
    uint8_t *sof = bytes_find(data, bytes, "\xFF\xC0", 2);
    assert_non_null(sof);
    sof[5] = (uint8_t)(height >> 8), sof[6] = (uint8_t)height;
    sof[7] = (uint8_t)(width >> 8), sof[8] = (uint8_t)width;
    file_save(path, data, bytes);
    free(data);
}

static void absurd_sizes_are_refused_before_memory_is_taken(void **state)
{
    (void)state;
    rf_image made = {0};
    image_fill(&made, 16, 16, 3, RF_U8, 1);
    const char *path = scratch_path("bomb.jpg");
    jpeg_make(path, &made, (jpeg_kind){JCS_RGB, JCS_YCbCr, 1, 1, 0, 0, 90}, NULL, 0);
    rf_image_free(&made);
    patch_size(path, 65000, 65000);
    rf_memory_reset_peak();
    size_t before = rf_memory_peak();
    assert_unreadable(path, "65000 x 65000");
    assert_true(rf_memory_peak() - before < 100000);
    patch_size(path, 2000, 2000); /* within the limits, yet more than the bytes can hold */
    assert_unreadable(path, "2000 x 2000");
    assert_true(rf_memory_peak() - before < 100000);
}

static void limits_are_the_callers(void **state)
{
    (void)state;
    rf_image made = {0}, image = {0};
    rf_error err = {0};
    rf_frame_limits limits = rf_frame_limits_default();
    image_fill(&made, 60, 50, 1, RF_U8, 1);
    const char *path = scratch_path("limit.jpg");
    jpeg_make(path, &made, (jpeg_kind){JCS_GRAYSCALE, JCS_GRAYSCALE, 1, 1, 0, 0, 90}, NULL, 0);
    limits.max_pixels = 3000;
    assert_int_equal(rf_frame_read(path, &limits, &image, NULL, NULL, &err), RF_OK);
    limits.max_pixels = 2999;
    assert_int_equal(rf_frame_read(path, &limits, &image, NULL, NULL, &err), RF_ERR_INPUT);
    assert_non_null(strstr(err.text, "2999"));
    assert_null(image.data);
    limits = (rf_frame_limits){.max_pixels = 3000, .max_side_px = 59};
    err = (rf_error){0};
    assert_int_equal(rf_frame_probe(path, &limits, NULL, NULL, &err), RF_ERR_INPUT);
    assert_non_null(strstr(err.text, "59"));
    rf_image_free(&made);
}

/* Pixel x of the reduced luma lies at reduce * x + (reduce - 1) / 2: on a ramp of 1 level a pixel the value says where.
 */
static void reduced_luma_has_the_documented_geometry(void **state)
{
    (void)state;
    rf_image made = {0}, luma = {0};
    rf_error err = {0};
    rf_frame_info info;
    const int width = 139, height = 93;
    assert_int_equal(rf_image_alloc(&made, width, height, 3, RF_U8, "ramp", &err), RF_OK);
    for (int y = 0; y < height; y++)
        for (int i = 0; i < width * 3; i++)
            ((uint8_t *)rf_image_row(&made, y))[i] = (uint8_t)(20 + i / 3 + y);
    for (int h = 1; h <= 2; h++) {
        const char *path = scratch_path("ramp.jpg");
        jpeg_make(path, &made, (jpeg_kind){JCS_RGB, JCS_YCbCr, h, h, 0, 0, 100}, NULL, 0);
        for (int reduce = 1; reduce <= 8; reduce *= 2) {
            assert_int_equal(rf_frame_read_luma(path, NULL, reduce, &luma, &info, NULL, &err), RF_OK);
            assert_int_equal(info.width, width);
            assert_int_equal(luma.width, width / reduce);
            assert_int_equal(luma.height, height / reduce);
            for (int y = 0; y < luma.height; y++)
                for (int x = 0; x < luma.width; x++) {
                    float expected = 20 + (float)(reduce * (x + y)) + (float)(reduce - 1);
                    /* Rounding to 8 bits twice, and at 2 and 4 the low-pass of the reduced transform: 1.5 levels, where
                     * half a reduced pixel would be 1 level at 2 (so the mean below decides) and 4 at 8. The last block
                     * is padded by repeating the edge, which bends the ramp a little. */
                    assert_true(x + 1 == luma.width || y + 1 == luma.height ||
                                (rf_image_row_f32(&luma, y)[x] * 255 - expected < 1.5f &&
                                 rf_image_row_f32(&luma, y)[x] * 255 - expected > -1.5f));
                }
            double mean = 0, wanted = 0;
            for (int y = 0; y < luma.height - 1; y++)
                for (int x = 0; x < luma.width - 1; x++) {
                    mean += (double)rf_image_row_f32(&luma, y)[x] * 255;
                    wanted += 20 + reduce * (x + y) + reduce - 1;
                }
            int count = (luma.height - 1) * (luma.width - 1);
            assert_true(mean / count - wanted / count < 0.1 && mean / count - wanted / count > -0.1);
        }
    }
    rf_image_free(&made);
    rf_image_free(&luma);
}

/* A block of EXIF with nothing but the orientation, as a camera puts it in APP1. */
static size_t orientation_exif(uint8_t *out, int orientation)
{
    static const uint8_t block[] = {'E', 'x',  'i', 'f', 0, 0, 'M', 'M', 0, 42, 0, 0, 0, 8, 0, 1,
                                    1,   0x12, 0,   3,   0, 0, 0,   1,   0, 0,  0, 0, 0, 0, 0, 0};
    memcpy(out, block, sizeof block);
    out[25] = (uint8_t)orientation;
    return sizeof block;
}

/* Stored pixel (x, y) of a w x h picture to its upright place: EXIF 2.32, tag 0x0112, in words (see orient.c). */
static void upright_place(int orientation, int w, int h, int x, int y, int *ux, int *uy)
{
    const int right = w - 1 - x, bottom = h - 1 - y;
    const int table[9][2] = {{0, 0}, {x, y},      {right, y},      {right, bottom}, {x, bottom},
                             {y, x}, {bottom, x}, {bottom, right}, {y, right}};
    *ux = table[orientation][0];
    *uy = table[orientation][1];
}

static void every_orientation_comes_out_upright(void **state)
{
    (void)state;
    rf_image made = {0};
    uint8_t exif[64];
    image_fill(&made, 50, 34, 3, RF_U8, 1);
    const char *plain_path = scratch_path("plain.jpg");
    jpeg_kind kind = {JCS_RGB, JCS_YCbCr, 1, 1, 0, 0, 95};
    jpeg_make(plain_path, &made, kind, NULL, 0);
    rf_image plain = read_good(plain_path, NULL, NULL);
    for (int orientation = 1; orientation <= 8; orientation++) {
        rf_frame_info info;
        rf_metadata metadata;
        rf_metadata_init(&metadata);
        const char *path = scratch_path("turned.jpg");
        jpeg_make(path, &made, kind, exif, orientation_exif(exif, orientation));
        rf_image got = read_good(path, &info, &metadata);
        assert_int_equal(info.orientation, orientation);
        assert_int_equal(metadata.orientation, orientation);
        assert_int_equal(got.width, orientation >= 5 ? 34 : 50);
        assert_int_equal(info.width, got.width);
        assert_int_equal(info.height, got.height);
        for (int y = 0; y < 34; y++)
            for (int x = 0; x < 50; x++) {
                int ux, uy;
                upright_place(orientation, 50, 34, x, y, &ux, &uy);
                assert_memory_equal((uint8_t *)rf_image_row(&plain, y) + 3 * x,
                                    (uint8_t *)rf_image_row(&got, uy) + 3 * ux, 3);
            }
        rf_image_free(&got);
        rf_metadata_free(&metadata);
    }
    rf_image_free(&plain);
    rf_image_free(&made);
}

/* One decode may stand for another: the luma read small is the mean of the luma read large, but for the roundings of
 * both (1.1 levels), and in bytes it is what it is in floats. */
static void luma_read_small_is_the_mean_of_the_large_one(void **state)
{
    (void)state;
    rf_image made = {0}, large = {0}, small = {0}, bytes = {0}, mean = {0};
    rf_error err = {0};
    const char *path = scratch_path("means.jpg");
    image_fill(&made, 96, 64, 3, RF_U8, 5);
    jpeg_make(path, &made, (jpeg_kind){JCS_RGB, JCS_YCbCr, 2, 2, 0, 0, 92}, NULL, 0);
    assert_int_equal(rf_frame_read_luma(path, NULL, 1, &large, NULL, NULL, &err), RF_OK);
    for (int reduce = 2; reduce <= 8; reduce *= 2) {
        assert_int_equal(rf_frame_read_luma(path, NULL, reduce, &small, NULL, NULL, &err), RF_OK);
        assert_int_equal(rf_frame_read_luma_as(path, NULL, reduce, RF_U8, &bytes, NULL, NULL, &err), RF_OK);
        assert_int_equal(rf_image_alloc(&mean, 96 / reduce, 64 / reduce, 1, RF_F32, "luma", &err), RF_OK);
        rf_image_luma(&large, reduce, &mean, NULL);
        for (int y = 0; y < small.height; y++)
            for (int x = 0; x < small.width; x++) {
                float value = 255 * rf_image_row_f32(&small, y)[x], d = value - 255 * rf_image_row_f32(&mean, y)[x];
                assert_true(d < 1.1f && d > -1.1f);
                assert_int_equal((int)(value + 0.5f), ((uint8_t *)rf_image_row(&bytes, y))[x]);
            }
    }
    rf_image_free(&made);
    rf_image_free(&large);
    rf_image_free(&small);
    rf_image_free(&bytes);
    rf_image_free(&mean);
}

/* The luma of a turned frame is that of the upright frame, also where a reduced size leaves a rest (50 = 6 * 8 + 2). */
static void luma_of_a_turned_frame_is_that_of_the_upright_one(void **state)
{
    (void)state;
    rf_image made = {0}, direct = {0}, expected = {0};
    rf_error err = {0};
    uint8_t exif[64];
    image_fill(&made, 50, 34, 3, RF_U8, 1);
    for (int orientation = 1; orientation <= 8; orientation++)
        for (int reduce = 1; reduce <= 8; reduce *= 2) {
            const char *path = scratch_path("turned.jpg");
            jpeg_make(path, &made, (jpeg_kind){JCS_RGB, JCS_YCbCr, 1, 1, 0, 0, 100}, exif,
                      orientation_exif(exif, orientation));
            rf_image upright = read_good(path, NULL, NULL);
            assert_int_equal(
                rf_image_alloc(&expected, upright.width / reduce, upright.height / reduce, 1, RF_F32, "luma", &err),
                RF_OK);
            rf_image_luma(&upright, reduce, &expected, NULL);
            assert_int_equal(rf_frame_read_luma(path, NULL, reduce, &direct, NULL, NULL, &err), RF_OK);
            assert_int_equal(direct.width, expected.width);
            assert_int_equal(direct.height, expected.height);
            for (int y = 0; y < direct.height; y++)
                for (int x = 0; x < direct.width; x++) {
                    float d = rf_image_row_f32(&direct, y)[x] - rf_image_row_f32(&expected, y)[x];
                    /* Two roundings to 8 bits and the low-pass at the edge of the padding: 2.5 levels. A mirrored or
                     * shifted grid of 8 would be off by 4 and more on these slopes. */
                    assert_true(d * 255 < 2.5f && d * 255 > -2.5f);
                }
            rf_image_free(&upright);
        }
    rf_image_free(&made);
    rf_image_free(&direct);
    rf_image_free(&expected);
}

static void a_buffer_of_the_right_shape_is_kept(void **state)
{
    (void)state;
    rf_image made = {0}, image = {0};
    rf_error err = {0};
    image_fill(&made, 60, 50, 3, RF_U8, 1);
    const char *path = scratch_path("kept.jpg");
    jpeg_make(path, &made, (jpeg_kind){JCS_RGB, JCS_YCbCr, 1, 1, 0, 0, 90}, NULL, 0);
    assert_int_equal(rf_frame_read(path, NULL, &image, NULL, NULL, &err), RF_OK);
    void *first = image.data;
    rf_memory_reset_peak();
    size_t held = rf_memory_held();
    assert_int_equal(rf_frame_read(path, NULL, &image, NULL, NULL, &err), RF_OK);
    assert_ptr_equal(image.data, first);
    assert_true(rf_memory_peak() - held < 8192); /* the decoder's own struct, no second picture */
    rf_image_free(&image);
    rf_image_free(&made);
}

static void damage_never_crashes(void **state)
{
    (void)state;
    rf_image made = {0};
    uint8_t exif[64];
    image_fill(&made, 40, 32, 3, RF_U8, 0);
    for (int progressive = 0; progressive < 2; progressive++) {
        const char *path = scratch_path("good.jpg");
        jpeg_make(path, &made, (jpeg_kind){JCS_RGB, JCS_YCbCr, 2, 2, progressive, 0, 80}, exif,
                  orientation_exif(exif, 6));
        assert_damage_is_survived(path, 300);
    }
    rf_image_free(&made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_layout_is_read),
        cmocka_unit_test(cmyk_is_refused_by_name),
        cmocka_unit_test(cut_files_are_refused),
        cmocka_unit_test(a_hole_in_the_data_is_refused),
        cmocka_unit_test(what_follows_the_picture_is_ignored),
        cmocka_unit_test(padding_before_the_end_is_harmless),
        cmocka_unit_test(absurd_sizes_are_refused_before_memory_is_taken),
        cmocka_unit_test(limits_are_the_callers),
        cmocka_unit_test(reduced_luma_has_the_documented_geometry),
        cmocka_unit_test(every_orientation_comes_out_upright),
        cmocka_unit_test(luma_read_small_is_the_mean_of_the_large_one),
        cmocka_unit_test(luma_of_a_turned_frame_is_that_of_the_upright_one),
        cmocka_unit_test(a_buffer_of_the_right_shape_is_kept),
        cmocka_unit_test(damage_never_crashes),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

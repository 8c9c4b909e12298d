/* test_writer.c - pictures out: every format gives back what went in, pixels, texts and metadata. */
#include "failing_memory.h"
#include "io_fixture.h"

enum { WIDTH = 301, HEIGHT = 203 }; /* odd, and several strips in a TIFF of 16 bits */

enum { PROFILE_BYTES = 200 };

/* A head with size, colour space and signature (ICC.1:2010, 7.2), and one tag of 56 bytes that mean nothing. */
static void make_profile(uint8_t profile[PROFILE_BYTES], const char *space)
{
    memset(profile, 0, PROFILE_BYTES);
    profile[3] = PROFILE_BYTES;
    profile[131] = 1;
    memcpy(profile + 132, "rail", 4);
    profile[139] = 144;
    profile[143] = 56;
    for (int i = 144; i < PROFILE_BYTES; i++)
        profile[i] = (uint8_t)(i * i);
    memcpy(profile + 12, "mntr", 4);
    memcpy(profile + 16, space, 4);
    memcpy(profile + 20, "XYZ ", 4);
    memcpy(profile + 36, "acsp", 4);
    profile[8] = 2;
    profile[70] = 0xF6, profile[71] = 0xD6, profile[73] = 1, profile[78] = 0xD3, profile[79] = 0x2D; /* D50 */
}

static void make_metadata(rf_metadata *metadata, const char *space)
{
    uint8_t profile[PROFILE_BYTES];
    rf_error err = {0};
    rf_metadata_init(metadata);
    make_profile(profile, space);
    assert_int_equal(rf_metadata_set_icc(metadata, profile, sizeof profile, &err), RF_OK);
    metadata->exposure_s = 1.0 / 60;
    metadata->f_number = 5.6;
    metadata->iso = 100;
    metadata->focal_length_mm = 50;
    metadata->capture_time_ms = 1709251198250;
    metadata->orientation = 6; /* undone already: must not travel */
    (void)snprintf(metadata->camera, sizeof metadata->camera, "Bellows One");
}

static void write_good(const char *path, const rf_image *image, const rf_metadata *metadata, const char *description)
{
    rf_error err = {0};
    if (rf_picture_write(path, image, metadata, description, 1, &err) != RF_OK)
        fail_msg("%s", err.text);
}

static void lossless_formats_give_back_every_bit(void **state)
{
    (void)state;
    for (int png = 0; png < 2; png++)
        for (int channels = 1; channels <= 3; channels += 2)
            for (int sample = RF_U8; sample <= RF_U16; sample++) {
                rf_image made = {0};
                rf_frame_info info;
                image_fill(&made, WIDTH, HEIGHT, channels, (rf_sample)sample, 0);
                const char *path = scratch_path(png ? "same.png" : "same.tif");
                write_good(path, &made, NULL, NULL);
                rf_image got = read_good(path, &info, NULL);
                assert_string_equal(info.format, png ? "PNG" : "TIFF");
                assert_same_pixels(&made, &got);
                rf_image_free(&made);
                rf_image_free(&got);
            }
}

static void jpeg_is_close_and_without_subsampling(void **state)
{
    (void)state;
    for (int channels = 1; channels <= 3; channels += 2) {
        rf_image made = {0};
        image_fill(&made, WIDTH, HEIGHT, channels, RF_U8, 1);
        const char *path = scratch_path("close.JPG"); /* endings count in any case */
        write_good(path, &made, NULL, NULL);
        rf_image got = read_good(path, NULL, NULL);
        /* Quality 95 quantises the lowest frequencies in steps of 2: 8 levels is generous, except at the fold of the
         * pattern, where neighbours differ by 160 (x or y = 160): those rows and columns are left out by the mean. */
        double sum = 0;
        for (int y = 0; y < HEIGHT; y++)
            for (int i = 0; i < WIDTH * channels; i++)
                sum += abs(((uint8_t *)rf_image_row(&made, y))[i] - ((uint8_t *)rf_image_row(&got, y))[i]);
        assert_true(sum / (WIDTH * HEIGHT * channels) < 1.0);
        size_t bytes = 0;
        uint8_t *data = file_load(path, &bytes), *sof = bytes_find(data, bytes, "\xFF\xC0", 2);
        assert_non_null(sof);
        for (int c = 0; c < channels; c++)
            assert_int_equal(sof[11 + 3 * c], 0x11); /* sampling factors 1 x 1 (ITU-T T.81, B.2.2) */
        free(data);
        rf_image_free(&made);
        rf_image_free(&got);
    }
}

static void float_maps_come_back_with_their_text(void **state)
{
    (void)state;
    rf_image made = {0}, map = {0};
    rf_error err = {0};
    char *text = NULL;
    image_fill(&made, WIDTH, HEIGHT, 1, RF_F32, 0);
    const char *path = scratch_path("map.tif");
    write_good(path, &made, NULL, "depth in mm, größer is farther");
    assert_int_equal(rf_map_read(path, NULL, &map, &text, &err), RF_OK);
    assert_same_pixels(&made, &map);
    assert_string_equal(text, "depth in mm, größer is farther");
    rf_free(text);
    assert_unreadable(path, "32-bit float"); /* a map is no frame */
    rf_image_free(&made);
    rf_image_free(&map);
}

static void whole_number_maps_keep_their_values(void **state)
{
    (void)state;
    static const char *const names[] = {"map.png", "map.tif"};
    static const char *const texts[] = {"step 0.05 mm", "Höhe"}; /* tEXt and iTXt in a PNG */
    for (int n = 0; n < 2; n++)
        for (int t = 0; t < 2; t++) {
            rf_image made = {0}, map = {0};
            rf_error err = {0};
            char *text = NULL;
            image_fill(&made, WIDTH, HEIGHT, 1, RF_U16, 0);
            write_good(scratch_path(names[n]), &made, NULL, texts[t]);
            assert_int_equal(rf_map_read(scratch_path(names[n]), NULL, &map, &text, &err), RF_OK);
            for (int y = 0; y < HEIGHT; y++)
                for (int x = 0; x < WIDTH; x++)
                    assert_true(rf_image_row_f32(&map, y)[x] == (float)((uint16_t *)rf_image_row(&made, y))[x]);
            assert_string_equal(text, texts[t]);
            rf_free(text);
            rf_image_free(&made);
            rf_image_free(&map);
        }
}

static void a_colour_picture_is_no_map(void **state)
{
    (void)state;
    rf_image made = {0}, map = {0};
    rf_error err = {0};
    image_fill(&made, 20, 20, 3, RF_U8, 1);
    write_good(scratch_path("colour.png"), &made, NULL, NULL);
    assert_int_equal(rf_map_read(scratch_path("colour.png"), NULL, &map, NULL, &err), RF_ERR_INPUT);
    assert_non_null(strstr(err.text, "3 channels"));
    assert_null(map.data);
    rf_image_free(&made);
}

static void metadata_travels_in_every_format(void **state)
{
    (void)state;
    static const char *const names[] = {"meta.tif", "meta.png", "meta.jpg"};
    for (int n = 0; n < 3; n++) {
        rf_image made = {0};
        rf_metadata given, got;
        rf_frame_info info;
        image_fill(&made, 64, 40, 3, RF_U8, 1);
        make_metadata(&given, "RGB ");
        rf_metadata_init(&got);
        write_good(scratch_path(names[n]), &made, &given, "merged");
        rf_image image = read_good(scratch_path(names[n]), &info, &got);
        assert_int_equal(info.orientation, 1);
        assert_int_equal(image.width, 64);
        assert_int_equal(got.icc_bytes, given.icc_bytes);
        assert_memory_equal(got.icc, given.icc, given.icc_bytes);
        /* EXIF ratios are good to 1e-7 */
        assert_true(got.exposure_s > 0.99999 / 60 && got.exposure_s < 1.00001 / 60);
        assert_true(got.f_number > 5.5999 && got.f_number < 5.6001);
        assert_true(got.iso == 100 && got.focal_length_mm == 50);
        assert_true(got.capture_time_ms == given.capture_time_ms);
        assert_string_equal(got.camera, "Bellows One");
        assert_int_equal(rf_frame_is_own_output(scratch_path(names[n])), 1);
        rf_image_free(&made);
        rf_image_free(&image);
        rf_metadata_free(&given);
        rf_metadata_free(&got);
    }
}

static void a_profile_of_another_colour_space_is_left_out(void **state)
{
    (void)state;
    static const char *const names[] = {"grey.tif", "grey.png", "grey.jpg"};
    for (int n = 0; n < 3; n++) {
        rf_image made = {0};
        rf_metadata given, got;
        image_fill(&made, 30, 20, 1, RF_U8, 1);
        make_metadata(&given, "RGB ");
        rf_metadata_init(&got);
        write_good(scratch_path(names[n]), &made, &given, NULL);
        rf_image image = read_good(scratch_path(names[n]), NULL, &got);
        assert_null(got.icc);
        rf_image_free(&made);
        rf_image_free(&image);
        rf_metadata_free(&given);
        rf_metadata_free(&got);
    }
}

static void the_same_picture_is_the_same_bytes(void **state)
{
    (void)state;
    static const char *const names[] = {"one.tif", "one.png", "one.jpg"}, *const others[] = {"two.tif", "two.png",
                                                                                             "two.jpg"};
    rf_image made = {0};
    rf_metadata metadata;
    image_fill(&made, WIDTH, HEIGHT, 3, RF_U8, 1);
    make_metadata(&metadata, "RGB ");
    for (int n = 0; n < 3; n++) {
        rf_error err = {0};
        size_t bytes[2];
        write_good(scratch_path(names[n]), &made, &metadata, "text");
        rf_writer *writer = NULL;
        rf_picture_spec spec = {.width = WIDTH,
                                .height = HEIGHT,
                                .channels = 3,
                                .sample = RF_U8,
                                .metadata = &metadata,
                                .description = "text"};
        assert_int_equal(rf_writer_open(&writer, scratch_path(others[n]), &spec, 1, &err), RF_OK);
        for (int y = 0; y < HEIGHT; y += 29) /* in slices */
            assert_int_equal(rf_writer_rows(writer, rf_image_row(&made, y), made.stride_bytes,
                                            HEIGHT - y < 29 ? HEIGHT - y : 29, &err),
                             RF_OK);
        if (n < 2) /* ended before, and by the commit itself */
            assert_int_equal(rf_writer_end_rows(writer, &err), RF_OK);
        assert_int_equal(rf_writer_commit(&writer, &err), RF_OK);
        assert_null(writer);
        uint8_t *a = file_load(scratch_path(names[n]), &bytes[0]), *b = file_load(scratch_path(others[n]), &bytes[1]);
        assert_int_equal(bytes[0], bytes[1]);
        assert_memory_equal(a, b, bytes[0]);
        free(a);
        free(b);
    }
    rf_image_free(&made);
    rf_metadata_free(&metadata);
}

/* Ground that packs well above noise that does not, in more rows than are packed at a time, and a part strip at the
 * end. */
static void packed_and_stored_strips_are_the_same_from_1_or_3_threads(void **state)
{
    (void)state;
    enum { SIDE = 1500, ROWS = 1801, TIMES = 2 };
    static const char *const names[TIMES][2] = {{"alone.tif", "pool.tif"}, {"alone.png", "pool.png"}};
    rf_image made = {0};
    rf_pool *pool = NULL;
    rf_error err = {0};
    uint32_t seed = 1;
    assert_int_equal(rf_pool_create(&pool, 3, &err), RF_OK);
    assert_int_equal(rf_image_alloc(&made, SIDE, ROWS, 3, RF_U16, "the picture", &err), RF_OK);
    for (int y = 0; y < ROWS; y++) {
        uint16_t *row = rf_image_row(&made, y);
        for (int x = 0; x < 3 * SIDE; x++) {
            seed = seed * 1664525u + 1013904223u;
            row[x] = (uint16_t)(y < ROWS / 2 ? (uint32_t)(100 * y) : seed >> 16);
        }
    }
    for (int n = 0; n < TIMES; n++) {
        size_t bytes[2];
        uint8_t *file[2];
        for (int i = 0; i < 2; i++) {
            rf_writer *writer = NULL;
            rf_picture_spec spec = {
                .width = SIDE, .height = ROWS, .channels = 3, .sample = RF_U16, .pool = i == 0 ? NULL : pool};
            assert_int_equal(rf_writer_open(&writer, scratch_path(names[n][i]), &spec, 1, &err), RF_OK);
            assert_int_equal(rf_writer_rows(writer, made.data, made.stride_bytes, ROWS, &err), RF_OK);
            assert_int_equal(rf_writer_commit(&writer, &err), RF_OK);
            file[i] = file_load(scratch_path(names[n][i]), &bytes[i]);
        }
        assert_int_equal(bytes[0], bytes[1]);
        assert_memory_equal(file[0], file[1], bytes[0]);
        /* the noise is half of the picture and cannot shrink; the ground all but vanishes */
        assert_in_range(bytes[0], (size_t)SIDE * ROWS * 3, (size_t)SIDE * ROWS * 3 * 11 / 10);
        rf_image back = read_good(scratch_path(names[n][1]), NULL, NULL);
        for (int y = 0; y < ROWS; y++)
            assert_memory_equal(rf_image_row(&back, y), rf_image_row(&made, y), (size_t)SIDE * 6);
        rf_image_free(&back);
        free(file[0]);
        free(file[1]);
    }
    rf_image_free(&made);
    rf_pool_destroy(&pool);
}

/* 9.6 GB of pixels: only the head is written here. "II", 43 (BigTIFF), against 42. */
static void a_picture_past_4_gib_is_a_bigtiff(void **state)
{
    (void)state;
    for (int big = 0; big < 2; big++) {
        rf_error err = {0};
        rf_writer *writer = NULL;
        rf_picture_spec spec = {.width = 40000, .height = big ? 40000 : 10, .channels = 3, .sample = RF_U16};
        assert_int_equal(rf_writer_open(&writer, scratch_path("big.tif"), &spec, 0, &err), RF_OK);
        DIR *folder = opendir(scratch_folder);
        uint8_t head[4] = {0};
        for (struct dirent *entry; (entry = readdir(folder)) != NULL;)
            if (strncmp(entry->d_name, ".railfold-", 10) == 0) {
                FILE *file = fopen(scratch_path(entry->d_name), "rb");
                assert_non_null(file);
                assert_int_equal(fread(head, 1, 4, file), 4);
                fclose(file);
            }
        closedir(folder);
        rf_writer_abort(&writer);
        assert_memory_equal(head, big ? "II+\0" : "II*\0", 4);
    }
}

static void memory_that_runs_out_leaves_nothing(void **state)
{
    (void)state;
    static const char *const names[] = {"lean.tif", "lean.png", "lean.jpg"};
    rf_image made = {0};
    rf_metadata metadata;
    image_fill(&made, 30, 20, 3, RF_U8, 1);
    make_metadata(&metadata, "RGB ");
    for (int n = 0; n < 3; n++) {
        failing_memory memory = failing_memory_start();
        rf_status status;
        rf_error err;
        do {
            err = (rf_error){0};
            failing_memory_arm(&memory);
            status = rf_picture_write(scratch_path(names[n]), &made, &metadata, NULL, 0, &err);
            assert_int_equal(scratch_count(".railfold"), 0);
        } while (failing_memory_goes_on(&memory, status, &err));
        assert_true(memory.failures >= 3 && memory.failures < 39);
    }
    rf_image_free(&made);
    rf_metadata_free(&metadata);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lossless_formats_give_back_every_bit),
        cmocka_unit_test(jpeg_is_close_and_without_subsampling),
        cmocka_unit_test(float_maps_come_back_with_their_text),
        cmocka_unit_test(whole_number_maps_keep_their_values),
        cmocka_unit_test(a_colour_picture_is_no_map),
        cmocka_unit_test(metadata_travels_in_every_format),
        cmocka_unit_test(a_profile_of_another_colour_space_is_left_out),
        cmocka_unit_test(the_same_picture_is_the_same_bytes),
        cmocka_unit_test(packed_and_stored_strips_are_the_same_from_1_or_3_threads),
        cmocka_unit_test(a_picture_past_4_gib_is_a_bigtiff),
        cmocka_unit_test(memory_that_runs_out_leaves_nothing),
    };
    return cmocka_run_group_tests(tests, scratch_make, scratch_remove);
}

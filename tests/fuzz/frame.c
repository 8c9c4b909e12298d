/* frame.c - is it a frame, whose is it, how large; then whole and as luma, as merge, check and takes read it. */
#include "frame.h"

#include <math.h>
#include <string.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"

/* The pixel limit keeps an input cheap, so that many can be tried; --max-pixels sets the same field. The largest
 * reading is a turned 16-bit RGB frame of which luma is taken, 2 x 6 + 4 bytes a pixel; rows are padded to 64 bytes,
 * and a TIFF strip or tile lies beside it. */
enum { MOST_PIXELS = 1 << 18, MOST_SIDE_PX = 1 << 14, ROW_PAD_BYTES = 64, SPARE_BYTES = 96 << 20 };
enum { MOST_HELD_BYTES = MOST_PIXELS * 16 + 3 * ROW_PAD_BYTES * MOST_SIDE_PX + SPARE_BYTES };

static int is_format(const char *format, const uint8_t *data, size_t bytes)
{
    static const struct {
        const char *name;
        size_t bytes;
        const char *head;
    } heads[] = {{"JPEG", 3, "\xFF\xD8\xFF"}, {"PNG", 8, "\x89PNG\r\n\x1a\n"}, {"TIFF", 2, "II"}, {"TIFF", 2, "MM"}};
    for (size_t i = 0; i < sizeof heads / sizeof *heads; i++)
        if (strcmp(heads[i].name, format) == 0 && bytes >= heads[i].bytes &&
            memcmp(data, heads[i].head, heads[i].bytes) == 0)
            return 1;
    return 0;
}

static void check_luma(const rf_image *luma)
{
    for (int y = 0; y < luma->height; y++)
        for (int x = 0; x < luma->width; x++) {
            float value = rf_image_row_f32(luma, y)[x];
            FUZZ_LAW(value >= 0 && value <= 1.0001f);
        }
}

static void read_luma(const char *path, const rf_frame_limits *limits, const rf_frame_info *info, int whole_reads)
{
    rf_image luma = {0};
    for (int reduce = 1; reduce <= 8; reduce *= 2) {
        rf_error err = {0};
        rf_status status = rf_frame_read_luma(path, limits, reduce, &luma, NULL, NULL, &err);
        fuzz_check_failure(status, &err);
        if (status != RF_OK) {
            FUZZ_LAW(luma.data == NULL);
            /* Whatever can be read whole can be read reduced, unless it is too small for that. */
            FUZZ_LAW(!whole_reads || info->width < reduce || info->height < reduce);
            continue;
        }
        FUZZ_LAW(luma.width == info->width / reduce && luma.height == info->height / reduce);
        check_luma(&luma);
    }
    rf_image_free(&luma);
}

void fuzz_frame(const char *format, const uint8_t *data, size_t bytes)
{
    const rf_frame_limits limits = {.max_pixels = MOST_PIXELS, .max_side_px = MOST_SIDE_PX};
    rf_error err = {0}, read_err = {0};
    rf_frame_info info = {0}, read_info = {0};
    rf_metadata metadata;
    rf_image image = {0};
    if (!is_format(format, data, bytes))
        return;
    const char *path = fuzz_file(0, data, bytes);
    rf_metadata_init(&metadata);
    (void)rf_frame_is_own_output(path);
    int known = rf_frame_is_known(path);
    rf_status status = rf_frame_probe(path, &limits, &info, &metadata, &err);
    fuzz_check_failure(status, &err);
    /* A refused header costs no pixel memory: profiles and texts at the most. */
    FUZZ_LAW(status == RF_OK || rf_memory_peak() <= 2 * bytes + (64 << 20));
    FUZZ_LAW(status != RF_OK || (known == 1 && strcmp(info.format, format) == 0));
    FUZZ_LAW(status != RF_OK || (metadata.orientation >= 1 && metadata.orientation <= 8));
    FUZZ_LAW(!(metadata.exposure_s < 0) && isfinite(metadata.exposure_s) && isfinite(metadata.f_number));
    rf_metadata_free(&metadata);
    rf_status read_status = rf_frame_read(path, &limits, &image, &read_info, NULL, &read_err);
    fuzz_check_failure(read_status, &read_err);
    FUZZ_LAW(status == RF_OK || read_status == status);
    if (read_status != RF_OK)
        FUZZ_LAW(image.data == NULL);
    else
        FUZZ_LAW(image.width == info.width && image.height == info.height && image.channels == info.channels);
    rf_image_free(&image);
    if (status == RF_OK)
        read_luma(path, &limits, &info, read_status == RF_OK);
    fuzz_check_memory(MOST_HELD_BYTES);
}

/* fuzz_metadata.c - EXIF and ICC blocks as the decoders hand them on, and out again into a picture of each format. The
 * first two bytes of an input are the length of the EXIF block; the rest is the profile. */
#include "fuzz.h"

#include <math.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"

enum { SIDE_PX = 8, PATH_BYTES = 64, MOST_HELD_BYTES = 16 << 20 };

static void check_values(const rf_metadata *metadata)
{
    FUZZ_LAW(metadata->orientation >= 1 && metadata->orientation <= 8);
    FUZZ_LAW(isfinite(metadata->exposure_s) && metadata->exposure_s >= 0);
    FUZZ_LAW(isfinite(metadata->f_number) && metadata->f_number >= 0);
    FUZZ_LAW(isfinite(metadata->iso) && metadata->iso >= 0);
    FUZZ_LAW(isfinite(metadata->focal_length_mm) && metadata->focal_length_mm >= 0);
    FUZZ_LAW(memchr(metadata->camera, '\0', sizeof metadata->camera) != NULL);
}

/* What is kept of a number: EXIF holds it as a ratio of two 32-bit numbers, within 1e-7 (ratio_of in exif_build.c);
 * numbers outside 1e-6..1e9 are not written. */
static void check_same(double was, double is)
{
    FUZZ_LAW(!(was > 1e-6 && was < 1e9) || fabs(is - was) <= 2e-6 * was + 1e-9);
}

/* Through the block an output carries: what was read is read again, upright. */
static void check_built(const rf_metadata *metadata)
{
    rf_error err = {0};
    rf_metadata again;
    uint8_t *block = NULL;
    size_t bytes = 0;
    rf_metadata_init(&again);
    FUZZ_LAW(rf_metadata_build_exif(metadata, &block, &bytes, &err) == RF_OK);
    FUZZ_LAW(rf_metadata_set_exif(&again, block, bytes, &err) == RF_OK);
    FUZZ_LAW(again.exif != NULL && again.orientation == 1);
    check_values(&again);
    check_same(metadata->exposure_s, again.exposure_s);
    check_same(metadata->f_number, again.f_number);
    check_same(metadata->focal_length_mm, again.focal_length_mm);
    FUZZ_LAW(metadata->capture_time_ms == again.capture_time_ms);
    rf_free(block);
    rf_metadata_free(&again);
}

static const char *scratch(const char *ending)
{
    static char path[PATH_BYTES];
    const char *folder = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";
    (void)snprintf(path, sizeof path, "%s/railfold-fuzz-%ld%s", folder, (long)getpid(), ending);
    return path;
}

static void check_written(const rf_metadata *metadata, const char *ending, rf_sample sample)
{
    rf_error err = {0};
    rf_image image = {0};
    rf_metadata again;
    const char *path = scratch(ending);
    rf_metadata_init(&again);
    FUZZ_LAW(rf_image_alloc(&image, SIDE_PX, SIDE_PX, 3, sample, "a picture", &err) == RF_OK);
    fuzz_check_failure(rf_picture_write(path, &image, metadata, "a pebble", 1, &err), &err);
    FUZZ_LAW(err.code == RF_OK); /* metadata never makes a frame unusable, nor a picture */
    fuzz_check_failure(rf_frame_read(path, NULL, &image, NULL, &again, &err), &err);
    FUZZ_LAW(err.code == RF_OK && again.orientation == 1);
    FUZZ_LAW(metadata->capture_time_ms == again.capture_time_ms);
    FUZZ_LAW(rf_frame_is_own_output(path) == 1);
    rf_metadata_free(&again);
    rf_image_free(&image);
    FUZZ_LAW(unlink(path) == 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes)
{
    rf_error err = {0};
    rf_metadata metadata;
    if (bytes < 2)
        return 0;
    size_t exif_bytes = (size_t)data[0] << 8 | (size_t)data[1], rest = bytes - 2;
    if (exif_bytes > rest)
        exif_bytes = rest;
    rf_metadata_init(&metadata);
    FUZZ_LAW(rf_metadata_set_icc(&metadata, data + 2 + exif_bytes, rest - exif_bytes, &err) == RF_OK);
    FUZZ_LAW(rf_metadata_set_exif(&metadata, data + 2, exif_bytes, &err) == RF_OK);
    check_values(&metadata);
    check_built(&metadata);
    check_written(&metadata, ".tif", RF_U16);
    check_written(&metadata, ".png", RF_U16);
    check_written(&metadata, ".jpg", RF_U8);
    rf_metadata_free(&metadata);
    fuzz_check_memory(MOST_HELD_BYTES);
    return 0;
}

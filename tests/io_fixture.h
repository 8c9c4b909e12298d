/* io_fixture.h - what the tests of src/io share: a scratch folder, pictures made by formula, files cut and patched. */
#ifndef RF_TEST_IO_FIXTURE_H
#define RF_TEST_IO_FIXTURE_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include <dirent.h>
#include <sys/stat.h>
#include <unistd.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"

static char scratch_folder[256];

static inline int scratch_make(void **state)
{
    (void)state;
    const char *base = getenv("TMPDIR");
    (void)snprintf(scratch_folder, sizeof scratch_folder, "%s/railfold-test-XXXXXX", base != NULL ? base : "/tmp");
    return mkdtemp(scratch_folder) == NULL ? -1 : 0;
}

/* "NAME" in the scratch folder; good until the 16th call from now. */
static inline const char *scratch_path(const char *name)
{
    static char paths[16][sizeof scratch_folder + 260];
    static int next;
    char *path = paths[next++ % 16];
    (void)snprintf(path, sizeof paths[0], "%s/%s", scratch_folder, name);
    return path;
}

static inline int scratch_remove(void **state)
{
    (void)state;
    DIR *folder = opendir(scratch_folder);
    for (struct dirent *entry; folder != NULL && (entry = readdir(folder)) != NULL;)
        if (strcmp(entry->d_name, ".") != 0 && strcmp(entry->d_name, "..") != 0)
            (void)remove(scratch_path(entry->d_name));
    if (folder != NULL)
        closedir(folder);
    return rmdir(scratch_folder);
}

/* How many names the scratch folder holds whose beginning is `prefix`. */
static inline int scratch_count(const char *prefix)
{
    int count = 0;
    DIR *folder = opendir(scratch_folder);
    assert_non_null(folder);
    for (struct dirent *entry; (entry = readdir(folder)) != NULL;)
        count += entry->d_name[0] != '.' || strlen(entry->d_name) > 2
                     ? strncmp(entry->d_name, prefix, strlen(prefix)) == 0
                     : 0;
    closedir(folder);
    return count;
}

/* ---- bytes ---- */

static inline uint8_t *file_load(const char *path, size_t *bytes)
{
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    assert_int_equal(fseek(file, 0, SEEK_END), 0);
    *bytes = (size_t)ftell(file);
    rewind(file);
    uint8_t *data = malloc(*bytes + 1);
    assert_non_null(data);
    assert_int_equal(fread(data, 1, *bytes, file), *bytes);
    fclose(file);
    return data;
}

static inline void file_save(const char *path, const void *data, size_t bytes)
{
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(data, 1, bytes, file), bytes);
    assert_int_equal(fclose(file), 0);
}

static inline uint8_t *bytes_find(uint8_t *data, size_t bytes, const void *what, size_t what_bytes)
{
    for (size_t i = 0; i + what_bytes <= bytes; i++)
        if (memcmp(data + i, what, what_bytes) == 0)
            return data + i;
    return NULL;
}

/* ---- pictures by formula ---- */

/* Without any repeat a codec could get right by chance; 16 bits. */
static inline uint16_t pattern_value(int x, int y, int channel)
{
    uint32_t h = (uint32_t)x * 2654435761u ^ (uint32_t)y * 2246822519u ^ (uint32_t)channel * 3266489917u;
    h ^= h >> 15;
    h *= 2246822519u;
    return (uint16_t)(h >> 13);
}

/* Smooth, for codecs with loss: 8 bits, each channel its own slope. */
static inline uint8_t smooth_value(int x, int y, int channel)
{
    return (uint8_t)(40 + (channel == 0 ? x : channel == 1 ? y : (x + y) / 2) % 160);
}

static inline void image_fill(rf_image *image, int width, int height, int channels, rf_sample sample, int smooth)
{
    rf_error err = {0};
    assert_int_equal(rf_image_alloc(image, width, height, channels, sample, "test picture", &err), RF_OK);
    for (int y = 0; y < height; y++)
        for (int i = 0; i < width * channels; i++) {
            int x = i / channels, c = i % channels;
            uint16_t value = smooth ? (uint16_t)(smooth_value(x, y, c) * 257) : pattern_value(x, y, c);
            if (sample == RF_U8)
                ((uint8_t *)rf_image_row(image, y))[i] = (uint8_t)(value >> 8);
            else if (sample == RF_U16)
                ((uint16_t *)rf_image_row(image, y))[i] = value;
            else
                ((float *)rf_image_row(image, y))[i] = (float)value / 7.0f - 1000.0f;
        }
}

static inline void assert_same_pixels(const rf_image *a, const rf_image *b)
{
    assert_int_equal(a->width, b->width);
    assert_int_equal(a->height, b->height);
    assert_int_equal(a->channels, b->channels);
    assert_int_equal(a->sample, b->sample);
    size_t row_bytes = (size_t)a->width * (size_t)a->channels * rf_sample_bytes(a->sample);
    for (int y = 0; y < a->height; y++)
        assert_memory_equal(rf_image_row(a, y), rf_image_row(b, y), row_bytes);
}

/* Largest difference of two 8-bit pictures of one shape. */
static inline int most_difference(const rf_image *a, const rf_image *b)
{
    int most = 0;
    assert_int_equal(a->width, b->width);
    assert_int_equal(a->height, b->height);
    assert_int_equal(a->channels, b->channels);
    for (int y = 0; y < a->height; y++)
        for (int i = 0; i < a->width * a->channels; i++) {
            int d = abs(((uint8_t *)rf_image_row(a, y))[i] - ((uint8_t *)rf_image_row(b, y))[i]);
            most = d > most ? d : most;
        }
    return most;
}

/* ---- reading ---- */

static inline rf_image read_good(const char *path, rf_frame_info *info, rf_metadata *metadata)
{
    rf_error err = {0};
    rf_image image = {0};
    rf_status status = rf_frame_read(path, NULL, &image, info, metadata, &err);
    if (status != RF_OK)
        fail_msg("%s", err.text);
    return image;
}

/* Reading fails as RF_ERR_INPUT, leaves no picture, and says one sentence with the file's name and `word` in it. */
static inline void assert_unreadable(const char *path, const char *word)
{
    rf_error err = {0};
    rf_image image = {0};
    rf_status status = rf_frame_read(path, NULL, &image, NULL, NULL, &err);
    if (status != RF_ERR_INPUT)
        fail_msg("%s: status %d (%s)", path, status, err.text);
    assert_null(image.data);
    assert_non_null(strstr(err.text, path));
    assert_null(strchr(err.text, '\n'));
    if (strstr(err.text, word) == NULL)
        fail_msg("'%s' lacks '%s'", err.text, word);
}

/* Every cut of a good file is refused: the whole file is the only prefix that is a picture. */
static inline void assert_cuts_unreadable(const char *path, size_t step)
{
    size_t bytes = 0;
    uint8_t *data = file_load(path, &bytes);
    for (size_t cut = 0; cut < bytes; cut += cut < 64 || cut + 64 >= bytes ? 1 : step) {
        const char *part = scratch_path("cut");
        file_save(part, data, cut);
        assert_unreadable(part, "expected");
    }
    free(data);
}

/* Changed bytes give a picture, an error, or too little memory; never a crash, and never both a picture and an error.
 */
static inline void assert_damage_is_survived(const char *path, int rounds)
{
    size_t bytes = 0;
    uint8_t *data = file_load(path, &bytes);
    uint8_t *bad = malloc(bytes + 1);
    uint32_t chance = 12345;
    rf_frame_limits limits = {.max_pixels = 4000000, .max_side_px = 20000};
    assert_non_null(bad);
    for (int round = 0; round < rounds; round++) {
        memcpy(bad, data, bytes);
        for (int i = 0; i < 1 + round % 4; i++) {
            chance = chance * 1664525u + 1013904223u;
            size_t at = (chance >> 8) % (round % 2 == 0 && bytes > 300 ? 300 : bytes);
            chance = chance * 1664525u + 1013904223u;
            bad[at] = (uint8_t)(chance >> 24);
        }
        const char *part = scratch_path("damaged");
        file_save(part, bad, bytes);
        rf_error err = {0};
        rf_image image = {0};
        rf_metadata metadata;
        rf_metadata_init(&metadata);
        rf_status status = rf_frame_read(part, &limits, &image, NULL, &metadata, &err);
        assert_true(status == RF_OK || status == RF_ERR_INPUT || status == RF_ERR_MEMORY);
        assert_int_equal(status == RF_OK, image.data != NULL);
        assert_int_equal(status == RF_OK, err.text[0] == '\0');
        rf_image_free(&image);
        rf_metadata_free(&metadata);
    }
    free(bad);
    free(data);
}

#endif

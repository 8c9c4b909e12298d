/* sequence_place.h - a folder of its own for each test of the sequence. */
#ifndef RF_TEST_SEQUENCE_PLACE_H
#define RF_TEST_SEQUENCE_PLACE_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "railfold/sequence.h"

typedef struct place {
    char folder[512];
    rf_sequence sequence;
    rf_error err;
} place;

static inline int enter_place(void **state)
{
    static place here;
    memset(&here, 0, sizeof here);
    const char *scratch = getenv("TMPDIR");
    (void)snprintf(here.folder, sizeof here.folder, "%s/railfold-test-XXXXXX", scratch != NULL ? scratch : "/tmp");
    if (mkdtemp(here.folder) == NULL || chdir(here.folder) != 0)
        return -1;
    rf_sequence_init(&here.sequence);
    *state = &here;
    return 0;
}

static inline int leave_place(void **state)
{
    place *here = *state;
    char command[640];
    rf_sequence_free(&here->sequence);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", here->folder);
    return chdir("/") != 0 || system(command) != 0;
}

static inline void write_bytes(const char *path, const void *bytes, size_t count)
{
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, count, file), count);
    assert_int_equal(fclose(file), 0);
}

static inline void write_text(const char *path, const char *text)
{
    write_bytes(path, text, strlen(text));
}

/* The first bytes of a JPEG file (ITU-T T.81: SOI, then a marker), enough to be taken for one. */
static inline void write_jpeg_head(const char *path)
{
    static const unsigned char head[32] = {0xff, 0xd8, 0xff, 0xe0, 0x00, 0x10, 'J', 'F', 'I', 'F'};
    write_bytes(path, head, sizeof head);
}

/* A JPEG of 8 x 8 pixels with an EXIF capture time, "YYYY:MM:DD HH:MM:SS". */
static inline void write_timed(const char *path, const char *time)
{
    /* "II*\0", IFD 0 at 8 with one entry (Exif pointer), Exif IFD at 26 with DateTimeOriginal, its text at 44. */
    unsigned char exif[64] = {'I', 'I', 42, 0, 8, 0, 0, 0, 1,    0,    0x69, 0x87, 4,  0, 1, 0, 0,  0, 26, 0,
                              0,   0,   0,  0, 0, 0, 1, 0, 0x03, 0x90, 2,    0,    20, 0, 0, 0, 44, 0, 0,  0};
    memcpy(exif + 44, time, 20);
    rf_metadata metadata;
    rf_image image = {0};
    rf_error err = {0};
    rf_metadata_init(&metadata);
    assert_int_equal(rf_metadata_set_exif(&metadata, exif, sizeof exif, &err), RF_OK);
    assert_true(metadata.capture_time_ms != INT64_MIN);
    assert_int_equal(rf_image_alloc(&image, 8, 8, 3, RF_U8, "a test picture", &err), RF_OK);
    assert_int_equal(rf_picture_write(path, &image, &metadata, NULL, 1, &err), RF_OK);
    rf_image_free(&image);
    rf_metadata_free(&metadata);
}

static inline void assert_paths(const rf_sequence *sequence, const char *const *paths)
{
    int count = 0;
    while (paths[count] != NULL)
        count++;
    assert_int_equal(sequence->count, count);
    for (int i = 0; i < count; i++)
        assert_string_equal(sequence->paths[i], paths[i]);
}
#define ASSERT_PATHS(sequence, ...) assert_paths(sequence, (const char *const[]){__VA_ARGS__, NULL})

static const char *why_left_out(const rf_sequence *sequence, const char *path)
{
    for (int i = 0; i < sequence->left_out_count; i++)
        if (strcmp(sequence->left_out[i].path, path) == 0)
            return sequence->left_out[i].why;
    return "not left out";
}

static inline void assert_says(const place *here, const char *part)
{
    if (strstr(here->err.text, part) == NULL)
        fail_msg("'%s' is not in '%s'", part, here->err.text);
}

#endif

/* check_take.h - takes drawn with a fault of one kind, written as files and looked at. */
#ifndef RF_TEST_CHECK_TAKE_H
#define RF_TEST_CHECK_TAKE_H

#include <dirent.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "railfold/check.h"
#include "railfold/frame_io.h"
#include "railfold/memory.h"

enum { WIDTH = 320, HEIGHT = 224, FRAMES = 12, LEVELS = 24, MARGIN = 40 };

typedef struct drawn_take {
    char folder[64];
    char paths[FRAMES][96];
    const char *list[FRAMES];
} drawn_take;

/* What spoils a take: applied while it is drawn. */
typedef struct spoil {
    int bump_at, bump_px;    /* from this frame on everything lies so far to the right */
    int same_from, same_to;  /* frame same_to is focused where same_from is */
    int skip_at;             /* from this frame on focus is a step farther */
    int soft_at;             /* this frame is blurred all over */
    int smear_at;            /* this frame is smeared from left to right over 7 px */
    double dim_from, dim_to; /* light of the first and of the last frame */
} spoil;

static const spoil none = {
    .bump_at = -1, .same_to = -1, .skip_at = -1, .soft_at = -1, .smear_at = -1, .dim_from = 1, .dim_to = 1};

/* levels[i]: the surface blurred i times over. */
static inline float *draw_levels(void)
{
    size_t width = WIDTH + 2 * MARGIN, plane = width * HEIGHT;
    float *levels = malloc(LEVELS * plane * sizeof *levels);
    uint32_t seed = 12345;
    assert_non_null(levels);
    for (size_t i = 0; i < plane; i++) {
        seed = seed * 1664525u + 1013904223u;
        levels[i] = (float)(seed >> 8) / (float)(1 << 24);
    }
    for (int level = 1; level < LEVELS; level++) {
        const float *in = levels + (size_t)(level - 1) * plane;
        float *out = levels + (size_t)level * plane;
        for (size_t y = 0; y < HEIGHT; y++)
            for (size_t x = 0; x < width; x++) {
                size_t l = x > 0 ? x - 1 : 0, r = x + 1 < width ? x + 1 : x, u = y > 0 ? y - 1 : 0,
                       d = y + 1 < HEIGHT ? y + 1 : y;
                out[y * width + x] = 0.2f * (in[y * width + x] + in[y * width + l] + in[y * width + r] +
                                             in[u * width + x] + in[d * width + x]);
            }
    }
    return levels;
}

static inline void draw_frame(const float *levels, rf_image *image, double focus, int shift, double light, int extra)
{
    size_t width = WIDTH + 2 * MARGIN, plane = width * HEIGHT;
    uint32_t seed = 99u + (uint32_t)(focus * 1000) + (uint32_t)shift;
    for (int y = 0; y < HEIGHT; y++) {
        unsigned char *row = rf_image_row(image, y);
        for (int x = 0; x < WIDTH; x++) {
            double depth = 1 + (double)(x - shift) / WIDTH * (FRAMES - 3);
            int level = 1 + (int)fmin(LEVELS - 2, 0.9 * (depth - focus) * (depth - focus)) + extra;
            level = level < LEVELS ? level : LEVELS - 1;
            seed = seed * 1664525u + 1013904223u;
            double noise = ((double)(seed >> 8) / (1 << 24) - 0.5) * 0.01;
            double value =
                0.5 +
                0.8 * ((double)levels[(size_t)level * plane + (size_t)y * width + (size_t)(x - shift + MARGIN)] - 0.5) +
                noise;
            row[x] = (unsigned char)(255 * fmin(fmax(value * light, 0), 1) + 0.5);
        }
    }
}

/* Each pixel the mean of the seven around it in its row; the ends of a row stay. */
static inline void smear_rows(rf_image *image)
{
    for (int y = 0; y < HEIGHT; y++) {
        unsigned char *row = rf_image_row(image, y), sharp[WIDTH];
        memcpy(sharp, row, WIDTH);
        for (int x = 3; x < WIDTH - 3; x++) {
            int sum = 3;
            for (int i = -3; i <= 3; i++)
                sum += sharp[x + i];
            row[x] = (unsigned char)(sum / 7);
        }
    }
}

static inline void name_frame(char *path, size_t bytes, const char *folder, int k)
{
    (void)snprintf(path, bytes, "%s/f%02d.png", folder, k);
}

static inline void draw(drawn_take *take, const spoil *spoiled)
{
    float *levels = draw_levels();
    rf_image image = {0};
    rf_error err = {0};
    char folder[] = "/tmp/railfold-check-XXXXXX";
    assert_non_null(mkdtemp(folder));
    memcpy(take->folder, folder, sizeof folder);
    assert_int_equal(rf_image_alloc(&image, WIDTH, HEIGHT, 1, RF_U8, "a test frame", &err), RF_OK);
    for (int k = 0; k < FRAMES; k++) {
        double focus = k == spoiled->same_to ? spoiled->same_from : k, share = (double)k / (FRAMES - 1);
        if (spoiled->skip_at >= 0 && k >= spoiled->skip_at)
            focus += 1;
        int jitter = (k * 7) % 3 - 1,
            shift = jitter + (spoiled->bump_at >= 0 && k >= spoiled->bump_at ? spoiled->bump_px : 0);
        double light = spoiled->dim_from + share * (spoiled->dim_to - spoiled->dim_from);
        draw_frame(levels, &image, focus, shift, light, k == spoiled->soft_at ? 3 : 0);
        if (k == spoiled->smear_at)
            smear_rows(&image);
        name_frame(take->paths[k], sizeof take->paths[k], folder, k);
        take->list[k] = take->paths[k];
        assert_int_equal(rf_picture_write(take->paths[k], &image, NULL, NULL, 1, &err), RF_OK);
    }
    rf_image_free(&image);
    free(levels);
}

static inline void wipe(drawn_take *take)
{
    for (int k = 0; k < FRAMES; k++)
        (void)unlink(take->paths[k]);
    assert_int_equal(rmdir(take->folder), 0);
}

/* threads: 0 = one per processor */
static inline rf_check_options options_for(const drawn_take *take, int threads)
{
    rf_check_options options = rf_check_options_default();
    options.frames = take->list;
    options.frame_count = FRAMES;
    options.threads = threads;
    return options;
}

static inline void look_at(const drawn_take *take, int threads, rf_check_result *result)
{
    rf_check_options options = options_for(take, threads);
    rf_error err = {0};
    rf_check_result_init(result);
    if (rf_check_take(&options, result, &err) != RF_OK)
        fail_msg("%s", err.text);
}

static const rf_check_finding *find(const rf_check_result *result, rf_check_kind kind)
{
    for (int i = 0; i < result->finding_count; i++)
        if (result->findings[i].kind == kind)
            return &result->findings[i];
    return NULL;
}

/* The one finding of that kind names that frame, and no other kind is found but `allowed`. */
static inline void assert_found(const spoil *spoiled, rf_check_kind kind, int frame, rf_check_kind allowed)
{
    drawn_take take;
    rf_check_result result;
    draw(&take, spoiled);
    look_at(&take, 1, &result);
    const rf_check_finding *f = find(&result, kind);
    if (f == NULL)
        fail_msg("%s was not found", rf_check_kind_name(kind));
    if (frame >= 0) {
        assert_true(f->frame_count >= 1);
        assert_int_equal(f->frames[0], frame);
        assert_non_null(strstr(f->text, strrchr(take.paths[frame], '/') + 1));
        assert_non_null(strstr(result.frames[frame].note, rf_check_kind_name(kind)));
    }
    for (int i = 0; i < result.finding_count; i++)
        if (result.findings[i].kind != kind && result.findings[i].kind != allowed)
            fail_msg("besides: %s", result.findings[i].text);
    rf_check_result_free(&result);
    wipe(&take);
}

#endif

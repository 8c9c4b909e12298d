/* merge_scene.h - a merge of pictures made by a test: settings, depth, covers and what is read of each frame. */
#ifndef RF_TEST_MERGE_SCENE_H
#define RF_TEST_MERGE_SCENE_H

#include <string.h>

#include "test_picture.h"

enum { W = 150, H = 110 };

enum { MOST_FRAMES = 12 };

typedef struct scene {
    rf_merge_settings settings;
    rf_merge *merge;
    rf_pool *pool;
    rf_image depth;
    rf_merge_cover covers[MOST_FRAMES];
    int spans[H][2]; /* of the next frame */
} scene;

static inline void start(scene *s, int channels, int threads, int veil, int frames)
{
    memset(s, 0, sizeof *s);
    s->settings = (rf_merge_settings){.width = W,
                                      .height = H,
                                      .channels = channels,
                                      .frame_count = frames,
                                      .blur_px_per_step = 1.5f,
                                      .noise = 0.004f,
                                      .veil = veil};
    assert_int_equal(rf_pool_create(&s->pool, threads, NULL), RF_OK);
    s->depth = make(W, H, 1);
    fill_spans(s->spans, H, 0, W);
    for (int k = 0; k < frames; k++)
        s->covers[k] = (rf_merge_cover){0, 0, W, H};
}

/* Begins with a copy of `model`. */
static inline void begin(scene *s, const rf_image *model)
{
    rf_image copy = make(W, H, model->channels);
    for (int y = 0; y < H; y++)
        memcpy(rf_image_row(&copy, y), rf_image_row(model, y), model->stride_bytes);
    assert_int_equal(rf_merge_create(&s->merge, &s->settings, s->covers, &s->depth, &copy, s->pool, NULL), RF_OK);
    assert_null(copy.data); /* taken over */
}

static inline void add(scene *s, int k, const rf_image *frame)
{
    rf_source source = rf_source_of_image(frame, (const int(*)[2])s->spans);
    rf_merge_add(s->merge, k, &source);
}

static inline void stop(scene *s)
{
    rf_merge_destroy(&s->merge);
    rf_pool_destroy(&s->pool);
    rf_image_free(&s->depth);
}

#endif

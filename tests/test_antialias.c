/* test_antialias.c - pixels across an outline show both surfaces, and nothing else changes. */
#include <math.h>

#include "merge/antialias.h"
#include "test_picture.h"

enum { W = 61, H = 47 };

static const double FOOTPRINT_PX = 0.55;

typedef struct scene {
    rf_image picture, depth, weight, mixed, marks;
} scene;

static rf_image room(int channels, rf_sample sample)
{
    rf_image image = {0};
    assert_int_equal(rf_image_alloc(&image, W, H, channels, sample, "a test picture", NULL), RF_OK);
    return image;
}

static void start(scene *s, int channels)
{
    *s = (scene){room(channels, RF_F32), room(1, RF_F32), room(1, RF_F32), room(channels, RF_U16), room(1, RF_U8)};
    fill_noise(&s->picture, 3, 0, 1);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
            rf_image_row_f32(&s->depth, y)[x] = 4;
            rf_image_row_f32(&s->weight, y)[x] = 2;
        }
}

static void run(scene *s, rf_pool *pool)
{
    rf_antialias_edges(&s->picture, &s->depth, &s->weight, &s->mixed, &s->marks, pool);
}

static void end(scene *s)
{
    rf_image_free(&s->picture);
    rf_image_free(&s->depth);
    rf_image_free(&s->weight);
    rf_image_free(&s->mixed);
    rf_image_free(&s->marks);
}

static rf_image copy_of(const rf_image *image)
{
    rf_image copy = room(image->channels, image->sample);
    for (int y = 0; y < H; y++)
        memcpy(rf_image_row(&copy, y), rf_image_row(image, y), (size_t)W * (size_t)image->channels * sizeof(float));
    return copy;
}

/* A slope of one step a pixel is one surface. */
static void one_surface_stays_as_it_is(void **state)
{
    (void)state;
    scene s;
    start(&s, 3);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            rf_image_row_f32(&s.depth, y)[x] = 0.9f * (float)x + 0.5f * (float)y;
    rf_image before = copy_of(&s.picture);
    run(&s, NULL);
    assert_true(worst(&before, &s.picture) == 0);
    rf_image_free(&before);
    end(&s);
}

/* Distance of a pixel's centre from a straight outline through the middle, px. */
static double off_outline(double angle, double offset, int x, int y)
{
    return cos(angle) * (x - W / 2) + sin(angle) * (y - H / 2) - offset;
}

/* Mean square beside the exact picture of a straight outline under a Gaussian footprint, 1/2 erfc (Gupta & Sproull 1981
 * for the footprint; the integral over a half plane is elementary). */
static double error_to_exact(const rf_image *picture, double angle, double offset, float near, float far)
{
    double sum = 0;
    int n = 0;
    for (int y = 2; y < H - 2; y++)
        for (int x = 2; x < W - 2; x++) {
            double d = off_outline(angle, offset, x, y);
            if (fabs(d) > 2)
                continue;
            double share = 0.5 * erfc(d / (sqrt(2) * FOOTPRINT_PX));
            double e = (double)rf_image_row_f32(picture, y)[x] - (share * (double)near + (1 - share) * (double)far);
            sum += e * e;
            n++;
        }
    return sum / n;
}

static void an_outline_comes_out_as_a_footprint_sees_it(void **state)
{
    (void)state;
    double hard = 0, soft = 0;
    for (int a = 0; a < 12; a++) {
        double angle = 0.1 + a * 0.5236, offset = 0.083 * a - 0.5;
        scene s;
        start(&s, 1);
        for (int y = 0; y < H; y++)
            for (int x = 0; x < W; x++) {
                int near = off_outline(angle, offset, x, y) < 0;
                rf_image_row_f32(&s.depth, y)[x] = near ? 4 : 9;
                rf_image_row_f32(&s.picture, y)[x] = near ? 0.8f : 0.2f;
            }
        hard += error_to_exact(&s.picture, angle, offset, 0.8f, 0.2f);
        run(&s, NULL);
        soft += error_to_exact(&s.picture, angle, offset, 0.8f, 0.2f);
        end(&s);
    }
    print_message("mean square beside the exact outline: %.2e, was %.2e\n", soft / 12, hard / 12);
    assert_true(soft < 0.25 * hard);
}

/* Texture of the pixel's own surface is not smoothed: at an outline only what the other side gives is new. */
static void a_pixel_keeps_its_own_value_for_its_own_surface(void **state)
{
    (void)state;
    scene s;
    start(&s, 3);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
            rf_image_row_f32(&s.depth, y)[x] = x < 30 ? 4 : 9;
            for (int c = 0; c < 3 && x >= 30; c++)
                rf_image_row_f32(&s.picture, y)[3 * x + c] = 0.5f;
        }
    rf_image before = copy_of(&s.picture);
    run(&s, NULL);
    double line = exp(-0.5 / (FOOTPRINT_PX * FOOTPRINT_PX)), other = line / (1 + 2 * line);
    for (int y = 1; y < H - 1; y++)
        for (int c = 0; c < 3; c++) {
            double own = (double)rf_image_row_f32(&before, y)[3 * 29 + c];
            assert_near((double)rf_image_row_f32(&s.picture, y)[3 * 29 + c], (1 - other) * own + other * 0.5, 3e-5);
            assert_true(rf_image_row_f32(&s.picture, y)[3 * 28 + c] == rf_image_row_f32(&before, y)[3 * 28 + c]);
        }
    rf_image_free(&before);
    end(&s);
}

static void what_no_frame_covers_neither_gives_nor_takes(void **state)
{
    (void)state;
    scene s;
    start(&s, 1);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
            rf_image_row_f32(&s.depth, y)[x] = x < 30 ? 4 : 9;
            rf_image_row_f32(&s.weight, y)[x] = x < 30 ? 1 : 0;
            rf_image_row_f32(&s.picture, y)[x] = x < 30 ? 0.7f : 0;
        }
    rf_image before = copy_of(&s.picture);
    run(&s, NULL);
    assert_near(worst(&before, &s.picture), 0, 1e-5); /* 16 bits */
    rf_image_free(&before);
    end(&s);
}

static void any_number_of_threads_gives_the_same_picture(void **state)
{
    (void)state;
    rf_image out[2];
    for (int t = 0; t < 2; t++) {
        scene s;
        rf_pool *pool = NULL;
        assert_int_equal(rf_pool_create(&pool, t == 0 ? 1 : 5, NULL), RF_OK);
        start(&s, 3);
        for (int y = 0; y < H; y++)
            for (int x = 0; x < W; x++)
                rf_image_row_f32(&s.depth, y)[x] = noise_at((unsigned)x, (unsigned)y, 1, 8) < 0.3f ? 3 : 7;
        run(&s, pool);
        out[t] = copy_of(&s.picture);
        end(&s);
        rf_pool_destroy(&pool);
    }
    for (int y = 0; y < H; y++)
        assert_memory_equal(rf_image_row(&out[0], y), rf_image_row(&out[1], y), W * 3 * sizeof(float));
    rf_image_free(&out[0]);
    rf_image_free(&out[1]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_surface_stays_as_it_is),
        cmocka_unit_test(an_outline_comes_out_as_a_footprint_sees_it),
        cmocka_unit_test(a_pixel_keeps_its_own_value_for_its_own_surface),
        cmocka_unit_test(what_no_frame_covers_neither_gives_nor_takes),
        cmocka_unit_test(any_number_of_threads_gives_the_same_picture),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* align-take.c - developer tool: registers a take of raw luma dumps and prints the poses as JSON.
 *
 * align-take REDUCE FULL_WIDTH FULL_HEIGHT REFERENCE THREADS FILE...   each FILE: (width / reduce) x (height / reduce)
 * floats */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "railfold/align.h"
#include "railfold/memory.h"

static double cpu_seconds(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static int read_luma(rf_image *luma, const char *path)
{
    FILE *file = fopen(path, "rb");
    int good = file != NULL;
    for (int y = 0; good && y < luma->height; y++)
        good = fread(rf_image_row(luma, y), sizeof(float), (size_t)luma->width, file) == (size_t)luma->width;
    if (file != NULL)
        fclose(file);
    return good;
}

static void print(const rf_pose *poses, const rf_align_result *r, int count, int reference, double seconds)
{
    printf("{\"ref\": %d, \"scale_per_step\": %.9f, \"working_distance_steps\": %.4f, \"odd_steps\": %d,\n", reference,
           r->scale_per_step, r->working_distance_steps, r->odd_steps);
    printf(" \"pairs\": [%d, %d], \"residual_px\": %.5f, \"cpu_seconds_per_frame\": %.4f, \"peak_bytes\": %zu,\n",
           r->pairs_measured, r->pairs_kept, r->residual_px, seconds / count, rf_memory_peak());
    printf(" \"frames\": [\n");
    for (int k = 0; k < count; k++) {
        const rf_pose *p = &poses[k];
        const rf_align_frame *f = &r->frames[k];
        printf(
            "  {\"index\": %d, \"matrix\": [%.10f, %.10f, %.6f, %.10f, %.10f, %.6f], \"gain\": %.6f, \"usable\": %d, "
            "\"measured\": %d, \"bumped\": %d, \"blank\": %d, \"bump_px\": %.3f, \"residual_px\": %.4f, \"pairs\": "
            "%d}%s\n",
            k, p->a, p->b, p->tx, p->c, p->d, p->ty, p->gain[0], p->usable, f->measured, f->bumped, f->blank,
            f->bump_px, f->residual_px, f->pair_count, k + 1 < count ? "," : "");
    }
    printf(" ]}\n");
}

int main(int argc, char **argv)
{
    rf_error err = {0};
    rf_pool *pool = NULL;
    rf_align *align = NULL;
    rf_image luma = {0};
    rf_align_result result;
    if (argc < 7) {
        fprintf(stderr, "usage: align-take REDUCE FULL_WIDTH FULL_HEIGHT REFERENCE THREADS FILE...\n");
        return 2;
    }
    int count = argc - 6;
    rf_align_options options = rf_align_options_default();
    options.reduce = atoi(argv[1]);
    options.full_width = atoi(argv[2]);
    options.full_height = atoi(argv[3]);
    options.reference = atoi(argv[4]);
    options.frame_count = count;
    rf_pose *poses = calloc((size_t)count, sizeof *poses);
    int failed = poses == NULL || rf_pool_create(&pool, atoi(argv[5]), &err) != RF_OK ||
                 rf_align_create(&align, &options, pool, &err) != RF_OK ||
                 rf_image_alloc(&luma, options.full_width / options.reduce, options.full_height / options.reduce, 1,
                                RF_F32, "the luma", &err) != RF_OK;
    double seconds = 0;
    for (int k = 0; k < count && !failed; k++) {
        int skipped = strcmp(argv[6 + k], "-") == 0;
        failed = !skipped && !read_luma(&luma, argv[6 + k]);
        double start = cpu_seconds();
        failed = failed || rf_align_add_frame(align, skipped ? NULL : &luma, &err) != RF_OK;
        seconds += cpu_seconds() - start;
    }
    failed = failed || rf_align_solve(align, poses, &result, &err) != RF_OK;
    if (failed)
        fprintf(stderr, "align-take: %s\n", err.code != RF_OK ? err.text : "a file cannot be read");
    else
        print(poses, &result, count, options.reference, seconds);
    rf_align_destroy(&align);
    rf_image_free(&luma);
    rf_pool_destroy(&pool);
    free(poses);
    return failed;
}

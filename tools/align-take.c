/* align-take.c - developer tool: registers a take and prints the poses, their quality and the cost as JSON.
 *
 * align-take REDUCE REFERENCE THREADS FRAME...   REDUCE 1, 2 or 4; a FRAME of - is left out. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "railfold/align.h"
#include "railfold/frame_io.h"
#include "railfold/memory.h"

static double cpu_seconds(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
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
    rf_frame_info info;
    rf_frame_limits limits = rf_frame_limits_default();
    rf_status status;
    if (argc < 5) {
        fprintf(stderr, "usage: align-take REDUCE REFERENCE THREADS FRAME...   (a FRAME of - is left out)\n");
        return 2;
    }
    int count = argc - 4;
    char **files = argv + 4;
    rf_align_options options = rf_align_options_default();
    options.reduce = atoi(argv[1]);
    options.reference = atoi(argv[2]);
    options.frame_count = count;
    rf_pose *poses = NULL;
    double seconds = 0;
    RF_TRY(rf_alloc(&poses, (size_t)count, sizeof *poses, "the poses", &err));
    RF_TRY(rf_frame_probe(files[options.reference < count ? options.reference : 0], &limits, &info, NULL, &err));
    options.full_width = info.width;
    options.full_height = info.height;
    RF_TRY(rf_pool_create(&pool, atoi(argv[3]), &err));
    RF_TRY(rf_align_create(&align, &options, pool, &err));
    for (int k = 0; k < count; k++) {
        int left_out = strcmp(files[k], "-") == 0;
        if (!left_out)
            RF_TRY(rf_frame_read_luma(files[k], &limits, options.reduce, &luma, NULL, NULL, &err));
        double start = cpu_seconds();
        RF_TRY(rf_align_add_frame(align, left_out ? NULL : &luma, &err));
        seconds += cpu_seconds() - start;
    }
    double start = cpu_seconds();
    RF_TRY(rf_align_solve(align, poses, &result, &err));
    print(poses, &result, count, options.reference, seconds + cpu_seconds() - start);
done:
    if (status != RF_OK)
        fprintf(stderr, "align-take: %s\n", err.text);
    rf_align_destroy(&align);
    rf_image_free(&luma);
    rf_pool_destroy(&pool);
    rf_free(poses);
    return status != RF_OK;
}

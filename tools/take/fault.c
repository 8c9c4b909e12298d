/* fault.c - see fault.h. */
#include "fault.h"

#include <math.h>

#include "numeric.h"
#include "railfold/memory.h"
#include "random.h"

enum { MIN_FRAMES = 3, MAX_FRAMES = 2000 };

void fault_set_steps(rail *plan, const take_fault *fault)
{
    double factor = 1;
    if (fault->kind == FAULT_COARSE)
        factor = fault->strength;
    if (fault->kind == FAULT_FINE)
        factor = 1 / fault->strength;
    int count = (int)floor((plan->count - 1) / factor + 0.5) + 1;
    if (factor != 1)
        plan->count = count < MIN_FRAMES ? MIN_FRAMES : count > MAX_FRAMES ? MAX_FRAMES : count;
    plan->blur_px_per_step *= factor;
    plan->view.distance /= factor;
    plan->light = fault->kind == FAULT_CLIPPED ? fault->strength : 1;
}

int fault_frame(const rail *plan, const take_fault *fault)
{
    int frame = fault->frame >= 0 ? fault->frame : 2 * plan->count / 3;
    return frame < plan->count ? frame : plan->count - 1;
}

double fault_position(const rail *plan, const take_fault *fault, int k)
{
    int at = fault_frame(plan, fault);
    int often = (int)floor(fault->strength + 0.5);
    switch (fault->kind) {
    case FAULT_MISSING_STEP:
        return k < at ? k : k + fault->strength;
    case FAULT_DOUBLE:
        return k <= at ? k : k <= at + often ? at : k - often;
    case FAULT_BACK:
        return k < at ? k : k - fault->strength - 1;
    default:
        return k;
    }
}

void fault_disturb(rail *plan, const take_fault *fault, uint64_t seed)
{
    take_random random = take_random_start(seed, "fault");
    double angle = 2 * TAKE_PI * take_random_uniform(&random);
    double x = fault->strength * take_cos(angle), y = fault->strength * take_sin(angle);
    int at = fault_frame(plan, fault), last = plan->count > 1 ? plan->count - 1 : 1;
    for (int k = 0; k < plan->count; k++) {
        rail_frame *frame = &plan->frames[k];
        if (fault->kind == FAULT_LAMP)
            frame->gain *= fmax(1 - fault->strength * k / last, 0.02);
        if (k < at)
            continue;
        if (fault->kind == FAULT_BUMP) {
            frame->shift_x += x;
            frame->shift_y += y;
        } else if (fault->kind == FAULT_SETTINGS) {
            frame->exposure_s *= fault->strength;
            frame->gain *= fault->strength;
        } else if (fault->kind == FAULT_MOVED) {
            frame->moved_px = fault->strength;
        } else if (fault->kind == FAULT_SHAKE && k == at) {
            frame->shake_x = x;
            frame->shake_y = y;
        }
    }
}

void fault_uncover(rail *plan, const take_fault *fault, int retreat)
{
    int start = fault->kind == FAULT_UNCOVERED_START, end = fault->kind == FAULT_UNCOVERED_END;
    if ((start && !retreat) || (end && retreat))
        plan->subject_begin = plan->nearest - fault->strength;
    else if (start || end)
        plan->subject_end = plan->farthest + fault->strength;
}

typedef struct smear_job {
    const float *in;
    float *out;
    int width, height;
    float x, y;
} smear_job;

static void smear_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    (void)block;
    (void)thread;
    const smear_job *job = arg;
    int parts = 2 * (int)ceilf(sqrtf(job->x * job->x + job->y * job->y)) + 1;
    for (int y = row_begin; y < row_end; y++)
        for (int x = 0; x < job->width; x++) {
            float sum[3] = {0, 0, 0};
            for (int i = 0; i < parts; i++) {
                float along = ((float)i + 0.5f) / (float)parts - 0.5f;
                float sx = clampf((float)x + along * job->x, 0, (float)(job->width - 1));
                float sy = clampf((float)y + along * job->y, 0, (float)(job->height - 1));
                int ix = (int)sx, iy = (int)sy, nx = ix + 1 < job->width ? ix + 1 : ix,
                    ny = iy + 1 < job->height ? iy + 1 : iy;
                float u = sx - (float)ix, v = sy - (float)iy;
                const float *a = job->in + (size_t)iy * (size_t)job->width * 3,
                            *b = job->in + (size_t)ny * (size_t)job->width * 3;
                for (int c = 0; c < 3; c++)
                    sum[c] += mixf(mixf(a[3 * ix + c], a[3 * nx + c], u), mixf(b[3 * ix + c], b[3 * nx + c], u), v);
            }
            for (int c = 0; c < 3; c++)
                job->out[((size_t)y * (size_t)job->width + (size_t)x) * 3 + (size_t)c] = sum[c] / (float)parts;
        }
}

rf_status fault_smear(const rail_frame *frame, float *rgb, int width, int height, rf_pool *pool, rf_error *err)
{
    rf_status status = RF_OK;
    size_t samples = (size_t)width * (size_t)height * 3;
    float *copy = NULL;
    if (frame->shake_x == 0 && frame->shake_y == 0)
        return RF_OK;
    RF_TRY(rf_alloc_raw(&copy, samples, sizeof *copy, "a smeared frame", err));
    memcpy(copy, rgb, samples * sizeof *copy);
    smear_job job = {.in = copy,
                     .out = rgb,
                     .width = width,
                     .height = height,
                     .x = (float)frame->shake_x,
                     .y = (float)frame->shake_y};
    rf_pool_rows(pool, height, 16, smear_rows, &job);
done:
    rf_free(copy);
    return status;
}

/* find_light.c - settings changed on the way (EXIF), a lamp that drifts, a lamp that flickers. Brightness is taken from
 * the gains between frames: coded values of a tone curve near the power 1 / 2.2, hence the exponent (IEC 61966-2-1). */
#include <math.h>
#include <stdio.h>

#include "check/look.h"
#include "railfold/memory.h"

#define CODED_POWER 2.2
#define SETTING_SHARE 0.05 /* third stops differ by 0.26; EXIF rounds by less than this */
#define DRIFT_SHARE 0.12   /* over the take, in linear light */
#define GRAVE_SHARE 0.60
#define FLICKER_SHARE 0.030 /* rms from frame to frame, the worst frame left out */
#define JUMP_SHARE 0.10     /* one frame off its neighbours */

static int differ(double a, double b)
{
    return a > 0 && b > 0 && fabs(log(a / b)) > SETTING_SHARE;
}

static void describe(char *out, size_t bytes, const rf_metadata *m)
{
    char shutter[32];
    if (m->exposure_s >= 0.4)
        (void)snprintf(shutter, sizeof shutter, "%.3g s", m->exposure_s);
    else
        (void)snprintf(shutter, sizeof shutter, "1/%.0f s", m->exposure_s > 0 ? 1 / m->exposure_s : 0);
    (void)snprintf(out, bytes, "%s, f/%.3g, ISO %.0f", m->exposure_s > 0 ? shutter : "? s", m->f_number, m->iso);
}

static int settings_differ(const rf_metadata *a, const rf_metadata *b)
{
    return differ(a->exposure_s, b->exposure_s) || differ(a->f_number, b->f_number) || differ(a->iso, b->iso) ||
           differ(a->focal_length_mm, b->focal_length_mm);
}

static rf_status find_settings(const rf_check_known *known, rf_check_result *result, rf_error *err)
{
    rf_status status = RF_OK;
    const rf_metadata *m = known->metadata;
    for (int k = 1; k < known->frame_count && status == RF_OK; k++) {
        char before[64], after[64];
        if (!settings_differ(&m[k], &m[k - 1]))
            continue;
        int aperture =
            differ(m[k].f_number, m[k - 1].f_number) || differ(m[k].focal_length_mm, m[k - 1].focal_length_mm);
        describe(before, sizeof before, &m[k - 1]);
        describe(after, sizeof after, &m[k]);
        const rf_check_finding f = {.kind = RF_CHECK_SETTINGS,
                                    .severity = aperture ? RF_CHECK_FAULT : RF_CHECK_WARNING};
        status = rf_check_add(result, &f, &k, 1, err, "%s: the camera's settings change from %s to %s%s",
                              rf_check_base_name(known->files[k]), before, after,
                              aperture ? "; another lens setting has another depth of field" : "");
    }
    return status;
}

/* ln of the lamp's light in each frame, the settings taken off; within a run of equal settings its median is 0 where
 * settings are unknown to change the coded values exactly. */
static void lamp_curve(const rf_check_known *known, double *light, double *sorted)
{
    int begin = 0, changes = 0;
    for (int k = 0; k < known->frame_count; k++)
        light[k] = -CODED_POWER * log(known->poses[k].gain[0]);
    for (int k = 1; known->metadata != NULL && k <= known->frame_count; k++) {
        if (k < known->frame_count && !settings_differ(&known->metadata[k], &known->metadata[k - 1]))
            continue;
        changes += k < known->frame_count;
        for (int i = begin; i < k; i++)
            sorted[i - begin] = light[i];
        double middle = rf_median(sorted, k - begin);
        for (int i = begin; i < k && changes > 0; i++)
            light[i] -= middle;
        begin = k;
    }
}

/* From the mean of the first third to that of the last, stretched to the whole take. */
static double drift_of(const double *light, int count, double *sorted)
{
    int third = count / 3;
    for (int i = 0; i < third; i++)
        sorted[i] = light[i];
    double first = rf_median(sorted, third);
    for (int i = 0; i < third; i++)
        sorted[i] = light[count - third + i];
    return (rf_median(sorted, third) - first) * (count - 1) / (count - third);
}

/* Each frame against the middle of the five around it. */
static void ripple_of(const double *light, int count, double *ripple)
{
    for (int k = 0; k < count; k++) {
        double near[5];
        int n = 0, begin = k - 2 < 0 ? 0 : k + 2 >= count ? count - 5 : k - 2;
        for (int i = begin; i < begin + 5; i++)
            near[n++] = light[i];
        ripple[k] = light[k] - rf_median(near, n);
    }
}

static double rms_but_worst(const double *values, int count)
{
    double sum = 0, worst = 0;
    for (int k = 0; k < count; k++) {
        sum += values[k] * values[k];
        worst = fmax(worst, values[k] * values[k]);
    }
    return sqrt(fmax(sum - worst, 0) / (count - 1));
}

static rf_status find_lamp(const rf_check_known *known, rf_check_result *result, double *room, rf_error *err)
{
    rf_status status = RF_OK;
    int count = known->frame_count;
    double *light = room, *ripple = room + count, *sorted = room + 2 * count;
    lamp_curve(known, light, sorted);
    double drift = drift_of(light, count, sorted);
    ripple_of(light, count, ripple);
    double flicker = rms_but_worst(ripple, count);
    rf_check_finding f = {.kind = RF_CHECK_LAMP, .severity = RF_CHECK_WARNING};
    if (fabs(drift) > DRIFT_SHARE) {
        f.severity = fabs(drift) > GRAVE_SHARE ? RF_CHECK_FAULT : RF_CHECK_WARNING;
        RF_TRY(rf_check_add(result, &f, NULL, 0, err,
                            "the light %s by %.0f %% over the take: let the lamps warm up, keep daylight out",
                            drift < 0 ? "fades" : "grows", 100 * fabs(exp(drift) - 1)));
    }
    f.severity = RF_CHECK_WARNING;
    if (flicker > FLICKER_SHARE)
        RF_TRY(
            rf_check_add(result, &f, NULL, 0, err, "the light flickers by %.1f %% from frame to frame", 100 * flicker));
    for (int k = 0; k < count && flicker <= FLICKER_SHARE; k++)
        if (known->align_frames[k].measured && fabs(ripple[k]) > fmax(JUMP_SHARE, 6 * flicker))
            RF_TRY(rf_check_add(result, &f, &k, 1, err, "%s is %.0f %% %s than the frames around it",
                                rf_check_base_name(known->files[k]), 100 * fabs(exp(ripple[k]) - 1),
                                ripple[k] < 0 ? "darker" : "brighter"));
done:
    return status;
}

static rf_status find_blank(const rf_check_known *known, rf_check_result *result, rf_error *err)
{
    const rf_check_finding f = {.kind = RF_CHECK_LAMP, .severity = RF_CHECK_FAULT};
    rf_status status = RF_OK;
    for (int k = 0; k < known->frame_count && status == RF_OK; k++)
        if (known->align_frames[k].blank)
            status =
                rf_check_add(result, &f, &k, 1, err, "%s shows next to nothing: lamp off, lens covered or all white",
                             rf_check_base_name(known->files[k]));
    return status;
}

rf_status rf_find_light(const rf_check_known *known, rf_check_result *result, rf_error *err)
{
    rf_status status = RF_OK;
    double *room = NULL;
    if (known->metadata != NULL)
        RF_TRY(find_settings(known, result, err));
    if (known->align_frames != NULL)
        RF_TRY(find_blank(known, result, err));
    if (known->poses == NULL || known->align_frames == NULL || known->frame_count < 5)
        return RF_OK;
    RF_TRY(rf_alloc(&room, 3 * (size_t)known->frame_count, sizeof *room, "the light", err));
    RF_TRY(find_lamp(known, result, room, err));
done:
    rf_free(room);
    return status;
}

/* findings.c - the list of findings, its order, and the verdict that follows from it. */
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "check/look.h"
#include "railfold/memory.h"

static const char *const kind_names[RF_CHECK_KINDS] = {
    "unreadable", "size",  "order",           "missing-step",  "duplicate",   "bump",
    "blur",       "moved", "uncovered-start", "uncovered-end", "coarse-step", "fine-step",
    "settings",   "lamp",  "clipped",         "backdrop",      "sensor",      "plan"};

const char *rf_check_kind_name(rf_check_kind kind)
{
    return kind_names[kind];
}

const char *rf_check_severity_name(rf_check_severity severity)
{
    return severity == RF_CHECK_NOTE ? "note" : severity == RF_CHECK_WARNING ? "warning" : "fault";
}

const char *rf_check_verdict_name(rf_check_verdict verdict)
{
    return verdict == RF_CHECK_GOOD ? "good" : verdict == RF_CHECK_USABLE ? "usable" : "retake";
}

void rf_check_result_init(rf_check_result *result)
{
    memset(result, 0, sizeof *result);
}

void rf_check_result_free(rf_check_result *result)
{
    for (int i = 0; i < result->finding_count; i++)
        rf_free(result->findings[i].frames);
    rf_free(result->findings);
    rf_free(result->spots);
    for (int i = 0; i < result->picture_count; i++)
        rf_free(result->pictures[i].bytes);
    rf_free(result->pictures);
    for (int k = 0; k < result->frame_count && result->frames != NULL; k++)
        rf_free(result->frames[k].file);
    rf_free(result->frames);
    rf_check_result_init(result);
}

const char *rf_check_base_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash != NULL && slash[1] != '\0' ? slash + 1 : path;
}

rf_status rf_check_add(rf_check_result *result, const rf_check_finding *what, const int *frames, int frame_count,
                       rf_error *err, const char *format, ...)
{
    rf_status status;
    va_list args;
    rf_check_finding *larger = NULL, finding = *what;
    size_t count = (size_t)result->finding_count;
    finding.frames = NULL;
    finding.frame_count = frame_count;
    va_start(args, format);
    (void)vsnprintf(finding.text, sizeof finding.text, format, args);
    va_end(args);
    RF_TRY(rf_alloc(&finding.frames, (size_t)frame_count, sizeof *frames, "the findings", err));
    if (frame_count > 0)
        memcpy(finding.frames, frames, (size_t)frame_count * sizeof *frames);
    RF_TRY(rf_alloc(&larger, count + 1, sizeof *larger, "the findings", err));
    if (count > 0)
        memcpy(larger, result->findings, count * sizeof *larger);
    larger[count] = finding;
    rf_free(result->findings);
    result->findings = larger;
    result->finding_count++;
    return RF_OK;
done:
    rf_free(finding.frames);
    return status;
}

int rf_check_found(const rf_check_result *result, rf_check_kind kind)
{
    for (int i = 0; i < result->finding_count; i++)
        if (result->findings[i].kind == kind)
            return 1;
    return 0;
}

int rf_check_found_at(const rf_check_result *result, rf_check_kind kind, int frame)
{
    for (int i = 0; i < result->finding_count; i++)
        for (int j = 0; result->findings[i].kind == kind && j < result->findings[i].frame_count; j++)
            if (result->findings[i].frames[j] == frame)
                return 1;
    return 0;
}

static int compare_findings(const void *a, const void *b)
{
    const rf_check_finding *x = a, *y = b;
    int first_x = x->frame_count > 0 ? x->frames[0] : -1, first_y = y->frame_count > 0 ? y->frames[0] : -1;
    if (x->severity != y->severity)
        return (int)y->severity - (int)x->severity;
    return x->kind != y->kind ? (int)x->kind - (int)y->kind : first_x - first_y;
}

static void add_note(rf_check_frame *frame, const char *word)
{
    size_t used = strlen(frame->note);
    if (strstr(frame->note, word) == NULL)
        (void)snprintf(frame->note + used, sizeof frame->note - used, "%s%s", used > 0 ? ", " : "", word);
}

void rf_check_settle(rf_check_result *result)
{
    if (result->finding_count > 0)
        qsort(result->findings, (size_t)result->finding_count, sizeof *result->findings, compare_findings);
    result->verdict = RF_CHECK_GOOD;
    for (int i = 0; i < result->finding_count; i++) {
        const rf_check_finding *f = &result->findings[i];
        if ((int)f->severity > (int)result->verdict)
            result->verdict = (rf_check_verdict)f->severity;
        for (int j = 0; j < f->frame_count && result->frames != NULL && f->frame_count < result->frame_count; j++)
            add_note(&result->frames[f->frames[j]], kind_names[f->kind]);
    }
}

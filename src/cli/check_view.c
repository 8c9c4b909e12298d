/* check_view.c - the verdict in one line, why, and a row a frame. */
#include "cli/check_view.h"

#include <stdio.h>
#include <string.h>

#include "cli/talk.h"

static const char *base_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash != NULL && slash[1] != '\0' ? slash + 1 : path;
}

static void print_verdict(const rf_check_result *result)
{
    char count[32], more[48] = "";
    if (result->finding_count == 0) {
        rf_talk(stdout, "good: nothing found in %s", rf_talk_count(count, sizeof count, result->frame_count, "frame"));
        return;
    }
    if (result->finding_count > 1)
        (void)snprintf(more, sizeof more, " (and %d more)", result->finding_count - 1);
    rf_talk(stdout, "%s: %s%s", rf_check_verdict_name(result->verdict), result->findings[0].text, more);
}

static void print_findings(const rf_check_result *result)
{
    for (int i = 0; i < result->finding_count; i++) {
        const rf_check_finding *f = &result->findings[i];
        rf_talk(stdout, "%-8s %-15s %s", rf_check_severity_name(f->severity), rf_check_kind_name(f->kind), f->text);
    }
}

static void print_frames(const rf_check_result *result)
{
    int wide = 5;
    for (int k = 0; k < result->frame_count; k++) {
        int bytes = (int)strlen(base_name(result->frames[k].file));
        wide = bytes > wide ? bytes : wide;
    }
    wide = wide > 32 ? 32 : wide;
    rf_talk(stdout, "%-*s  %8s %8s  %8s  %6s  %7s  %5s  %s", wide, "frame", "right px", "down px", "scale", "gain",
            "sharp %", "step", "note");
    for (int k = 0; k < result->frame_count; k++) {
        const rf_check_frame *f = &result->frames[k];
        char step[16] = "-";
        if (f->step > 0)
            (void)snprintf(step, sizeof step, "%.1f", f->step);
        if (f->used)
            rf_talk(stdout, "%-*s  %8.1f %8.1f  %8.5f  %6.3f  %7.1f  %5s  %s", wide, base_name(f->file), f->shift_x_px,
                    f->shift_y_px, f->scale, f->gain, 100 * f->sharp_fraction, step, f->note);
        else
            rf_talk(stdout, "%-*s  %8s %8s  %8s  %6s  %7s  %5s  %s", wide, base_name(f->file), "-", "-", "-", "-", "-",
                    "-", f->note);
    }
}

void rf_check_view_print(const rf_check_result *result)
{
    print_verdict(result);
    if (result->finding_count > 0) {
        (void)putchar('\n');
        print_findings(result);
    }
    (void)putchar('\n');
    print_frames(result);
}

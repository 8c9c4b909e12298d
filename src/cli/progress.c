/* progress.c - the progress line. It is erased with blanks, so that it needs nothing but a carriage return. */
#include "cli/progress.h"

#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "cli/stop.h"
#include "cli/talk.h"

/* Six a second: steady to the eye, and nothing to a slow terminal over a network. */
static const double draw_every_s = 1.0 / 6;

static double steady_clock_s(void)
{
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static int is_live_terminal(FILE *out)
{
    const char *term = getenv("TERM");
    return isatty(fileno(out)) && (term == NULL || strcmp(term, "dumb") != 0);
}

void rf_progress_init(rf_progress *progress, FILE *out, rf_progress_when when, int quiet)
{
    *progress = (rf_progress){.out = out, .now_s = steady_clock_s};
    progress->silent = quiet || when == RF_PROGRESS_NEVER;
    progress->live = !progress->silent && (when == RF_PROGRESS_ALWAYS || is_live_terminal(out));
}

static void erase(rf_progress *progress)
{
    if (progress->drawn_columns > 0)
        fprintf(progress->out, "\r%*s\r", progress->drawn_columns, "");
    progress->drawn_columns = 0;
}

static void draw(rf_progress *progress, double now_s)
{
    char left[32], line[96];
    double elapsed_s = now_s - progress->stage_start_s;
    int written;
    if (progress->done > 0 && elapsed_s >= 1) { /* earlier a guess would only jump about */
        double left_s = elapsed_s / progress->done * (progress->total - progress->done);
        written = snprintf(line, sizeof line, "%s %d/%d, %s left", progress->stage, progress->done, progress->total,
                           rf_talk_duration(left, sizeof left, left_s));
    } else {
        written = snprintf(line, sizeof line, "%s %d/%d", progress->stage, progress->done, progress->total);
    }
    int blanks = progress->drawn_columns > written ? progress->drawn_columns - written : 0;
    fprintf(progress->out, "\r%s%*s", line, blanks, "");
    fflush(progress->out);
    progress->drawn_columns = written + blanks;
    progress->drawn_s = now_s;
}

/* The one line a stage leaves where lines stay. */
static void close_stage(rf_progress *progress, double now_s)
{
    char took[32];
    if (progress->stage[0] == '\0')
        return;
    if (!progress->live && !progress->silent)
        fprintf(progress->out, "%s %d/%d in %s\n", progress->stage, progress->done, progress->total,
                rf_talk_duration(took, sizeof took, now_s - progress->stage_start_s));
    progress->stage[0] = '\0';
}

int rf_progress_step(void *arg, const char *stage, int done, int total)
{
    rf_progress *progress = arg;
    if (progress->silent)
        return rf_stop_asked();
    double now_s = progress->now_s();
    int new_stage = strncmp(progress->stage, stage, sizeof progress->stage - 1) != 0;
    if (new_stage) {
        close_stage(progress, now_s);
        (void)snprintf(progress->stage, sizeof progress->stage, "%s", stage);
        progress->stage_start_s = now_s;
    }
    progress->done = done;
    progress->total = total;
    if (progress->live && (now_s - progress->drawn_s >= draw_every_s || progress->drawn_columns == 0))
        draw(progress, now_s);
    return rf_stop_asked();
}

void rf_progress_end(rf_progress *progress)
{
    if (progress->silent)
        return;
    erase(progress);
    if (progress->done >= progress->total) /* a stage that was cut short leaves no line: the error follows */
        close_stage(progress, progress->now_s());
    fflush(progress->out);
}

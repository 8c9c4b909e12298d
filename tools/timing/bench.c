/* bench.c - developer tool: how long a merge takes, stage by stage, beside the floor of the machine it runs on.
 *
 *   bench [--threads N] [--runs N] [--json FILE] [--old FILE] FOLDER OUT.tif DEPTH.tif
 *
 * Runs the merge in this process N times (the fastest run counts) and prints per stage seconds, megapixels of frames a
 * second and processors kept busy, then memory, and two floors measured in the same minute (floor.h). --json writes the
 * figures, one a line; --old reads such a file, prints the change and makes the exit code 1 when CPU seconds or memory
 * grew past the noise. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "floor.h"
#include "railfold/memory.h"
#include "railfold/pool.h"
#include "railfold/sequence.h"
#include "railfold/stack.h"

enum { STAGES = 5, FIGURES_MAX = 32, NAME_BYTES = 40 };
static const char *const STAGE[STAGES] = {"sensor", "align", "depth", "merge", "write"};

typedef struct watch {
    int stage;    /* at work, -1 before the first */
    clocks since; /* when it began */
    clocks spent[STAGES];
} watch;

typedef struct figure {
    char name[NAME_BYTES];
    double value;
} figure;

typedef struct figures {
    figure list[FIGURES_MAX];
    int count;
} figures;

static void leave_stage(watch *w)
{
    if (w->stage >= 0)
        clocks_add_since(&w->spent[w->stage], w->since);
    w->since = clocks_now();
}

static int on_progress(void *arg, const char *stage, int done, int total)
{
    watch *w = arg;
    (void)done;
    (void)total;
    for (int i = 0; i < STAGES; i++)
        if (strcmp(stage, STAGE[i]) == 0 && i != w->stage) {
            leave_stage(w);
            w->stage = i;
        }
    return 0;
}

static void put(figures *f, const char *name, const char *unit, double value)
{
    if (f->count == FIGURES_MAX)
        return;
    (void)snprintf(f->list[f->count].name, NAME_BYTES, "%.20s%.16s", name, unit);
    f->list[f->count++].value = value;
}

static double get(const figures *f, const char *name, const char *unit)
{
    char whole[NAME_BYTES];
    (void)snprintf(whole, sizeof whole, "%.20s%.16s", name, unit);
    for (int i = 0; i < f->count; i++)
        if (strcmp(f->list[i].name, whole) == 0)
            return f->list[i].value;
    return 0;
}

/* ---- the merge ---- */

static rf_status run_once(const rf_merge_options *options, rf_run_report *report, watch *w, rf_error *err)
{
    rf_merge_options watched = *options;
    *w = (watch){.stage = -1};
    watched.progress = on_progress;
    watched.progress_arg = w;
    rf_status status = rf_stack_merge(&watched, report, err);
    leave_stage(w);
    return status;
}

static void note_run(figures *f, const watch *w, const rf_run_report *report)
{
    double mpx = 1e-6 * report->width * report->height, cpu = 0, wall = 0;
    for (int i = 0; i < STAGES; i++) {
        put(f, STAGE[i], "_s", w->spent[i].wall_s);
        put(f, STAGE[i], "_cpu_s", w->spent[i].cpu_s);
        wall += w->spent[i].wall_s;
        cpu += w->spent[i].cpu_s;
    }
    put(f, "total", "_s", wall);
    put(f, "total", "_cpu_s", cpu);
    put(f, "frames", "", report->frame_count);
    put(f, "frame", "_mpx", mpx);
    put(f, "threads", "", report->threads);
    put(f, "peak", "_mb", (double)report->peak_memory_bytes * 1e-6);
    put(f, "peak_bytes", "_per_px", (double)report->peak_memory_bytes / (mpx * 1e6));
}

static void note_floor(figures *f, const char *name, clocks spent)
{
    put(f, name, "_s", spent.wall_s);
    put(f, name, "_cpu_s", spent.cpu_s);
}

/* ---- telling ---- */

static void print_figures(const figures *f)
{
    double all_mpx = get(f, "frames", "") * get(f, "frame", "_mpx"), total = get(f, "total", "_s"),
           cpu = get(f, "total", "_cpu_s");
    printf("%.0f frames of %.1f Mpx, %.0f threads\n", get(f, "frames", ""), get(f, "frame", "_mpx"),
           get(f, "threads", ""));
    printf("%-8s %9s %9s %9s %9s\n", "stage", "seconds", "Mpx/s", "CPU s", "busy");
    for (int i = 0; i <= STAGES; i++) {
        const char *stage = i < STAGES ? STAGE[i] : "total";
        double wall = get(f, stage, "_s"), stage_cpu = get(f, stage, "_cpu_s");
        printf("%-8s %9.2f %9.1f %9.2f %9.2f\n", stage, wall, wall > 0 ? all_mpx / wall : 0, stage_cpu,
               wall > 0 ? stage_cpu / wall : 0);
    }
    printf("memory   %9.0f MB at the most, %.1f bytes a pixel\n", get(f, "peak", "_mb"),
           get(f, "peak_bytes", "_per_px"));
    double decode = get(f, "floor_decode", "_s"), traffic = get(f, "floor_traffic", "_s"),
           pyramid = get(f, "floor_pyramid", "_s"), finish = get(f, "floor_finish", "_s");
    double decode_cpu = get(f, "floor_decode", "_cpu_s"), plain = decode + pyramid + finish;
    printf("floors   %9.2f s: each frame decoded once %.2f, one pass over an accumulator %.2f\n", decode + traffic,
           decode, traffic);
    printf("         %9.2f s: each frame decoded once %.2f, a plain pyramid merge %.2f, its picture written %.2f\n",
           plain, decode, pyramid, finish);
    printf("the merge takes %.1f times the first, %.1f times the second; %.1f and %.1f times their CPU seconds\n",
           total / (decode + traffic), total / plain, cpu / (decode_cpu + get(f, "floor_traffic", "_cpu_s")),
           cpu / (decode_cpu + get(f, "floor_pyramid", "_cpu_s") + get(f, "floor_finish", "_cpu_s")));
}

static int write_json(const figures *f, const char *path)
{
    FILE *file = fopen(path, "w");
    if (file == NULL)
        return 0;
    fputs("{\n", file);
    for (int i = 0; i < f->count; i++)
        fprintf(file, "  \"%s\": %.6g%s\n", f->list[i].name, f->list[i].value, i + 1 < f->count ? "," : "");
    fputs("}\n", file);
    return fclose(file) == 0;
}

static int ends_in(const char *text, const char *end)
{
    size_t n = strlen(text), m = strlen(end);
    return n >= m && strcmp(text + n - m, end) == 0;
}

/* CPU seconds of the same code differ by a tenth from run to run on a busy machine, memory not at all. The floor is the
 * machine's, not ours. */
static int is_worse(const char *name, double old, double value)
{
    if (strncmp(name, "floor", 5) == 0)
        return 0;
    if (ends_in(name, "_cpu_s"))
        return value > 1.15 * old && value > old + 0.1;
    return ends_in(name, "_mb") && value > 1.02 * old;
}

/* Returns 0 when the file cannot be read; *worse counts figures that got worse beyond the noise. */
static int compare(const figures *f, const char *path, int *worse)
{
    char line[256], name[NAME_BYTES];
    double old;
    FILE *file = fopen(path, "r");
    if (file == NULL)
        return 0;
    printf("\n%-24s %10s %10s %8s\n", "against the old figures", "old", "new", "change");
    while (fgets(line, sizeof line, file) != NULL)
        if (sscanf(line, " \"%39[a-z_]\": %lf", name, &old) == 2) {
            double value = get(f, name, "");
            int bad = is_worse(name, old, value);
            *worse += bad;
            printf("%-24s %10.2f %10.2f %+7.1f%%%s\n", name, old, value, old != 0 ? 100 * (value / old - 1) : 0,
                   bad ? "  WORSE" : "");
        }
    return fclose(file) == 0;
}

typedef struct request {
    int threads, runs;
    const char *json, *old, *folder, *output, *depth;
} request;

static int parse(request *r, int argc, char **argv)
{
    const char **place[3] = {&r->folder, &r->output, &r->depth};
    int given = 0;
    for (int i = 1; i < argc; i++) {
        const char *next = i + 1 < argc ? argv[i + 1] : NULL;
        if (strncmp(argv[i], "--", 2) != 0) {
            if (given == 3)
                return 0;
            *place[given++] = argv[i];
            continue;
        }
        if (next == NULL)
            return 0;
        if (strcmp(argv[i], "--threads") == 0)
            r->threads = atoi(next);
        else if (strcmp(argv[i], "--runs") == 0)
            r->runs = atoi(next);
        else if (strcmp(argv[i], "--json") == 0)
            r->json = next;
        else if (strcmp(argv[i], "--old") == 0)
            r->old = next;
        else
            return 0;
        i++;
    }
    return given == 3 && r->runs >= 1;
}

static rf_status bench(const request *r, int *worse, rf_error *err)
{
    rf_status status;
    rf_sequence take;
    rf_pool *pool = NULL;
    figures best = {.count = 0};
    floors least;
    rf_sequence_init(&take);
    RF_TRY(rf_sequence_from_folder(&take, r->folder, err));
    rf_merge_options options = rf_merge_options_default();
    options.frames = (const char *const *)take.paths;
    options.frame_count = take.count;
    options.output = r->output;
    options.depth = r->depth;
    options.force = 1;
    options.threads = r->threads;
    for (int i = 0; i < r->runs; i++) {
        rf_run_report report;
        watch w;
        figures f = {.count = 0};
        rf_run_report_init(&report);
        status = run_once(&options, &report, &w, err);
        if (status == RF_OK)
            note_run(&f, &w, &report);
        rf_run_report_free(&report);
        if (status != RF_OK)
            goto done;
        if (i == 0 || get(&f, "total", "_s") < get(&best, "total", "_s"))
            best = f;
    }
    RF_TRY(rf_pool_create(&pool, r->threads, err));
    RF_TRY(floors_measure(&take, r->output, pool, &least, err));
    note_floor(&best, "floor_decode", least.decode);
    note_floor(&best, "floor_traffic", least.traffic);
    note_floor(&best, "floor_pyramid", least.pyramid);
    note_floor(&best, "floor_finish", least.finish);
    print_figures(&best);
    if (r->json != NULL && !write_json(&best, r->json))
        RF_TRY(rf_fail(err, RF_ERR_OUTPUT, "%s cannot be written", r->json));
    if (r->old != NULL && !compare(&best, r->old, worse))
        RF_TRY(rf_fail(err, RF_ERR_INPUT, "%s cannot be read", r->old));
done:
    rf_pool_destroy(&pool);
    rf_sequence_free(&take);
    return status;
}

int main(int argc, char **argv)
{
    request r = {.runs = 1};
    rf_error err = {0};
    if (!parse(&r, argc, argv)) {
        fprintf(stderr, "usage: bench [--threads N] [--runs N] [--json FILE] [--old FILE] FOLDER OUT.tif DEPTH.tif\n");
        return 2;
    }
    int worse = 0;
    if (bench(&r, &worse, &err) != RF_OK) {
        fprintf(stderr, "bench: %s\n", err.text);
        return 1;
    }
    return worse > 0 ? 1 : 0;
}

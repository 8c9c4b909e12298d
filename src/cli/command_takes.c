/* command_takes.c - railfold takes: a card full of frames, split into takes. */
#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "railfold/sequence.h"
#include "railfold/takes.h"
#include "cli/commands.h"
#include "cli/confine.h"
#include "cli/destination.h"
#include "cli/progress.h"
#include "cli/talk.h"

typedef struct takes_settings {
    rf_common common;
    double gap_s, max_megapixels;
    const char *lists;
    int no_look;
} takes_settings;

static const takes_settings defaults = {.gap_s = 0};

enum { FOLDER_DEPTH_MOST = 8, LIST_NAME_BYTES = 32 };

#define FIELD(field) .offset = offsetof(takes_settings, field)

/* clang-format off */
static const rf_option options[] = {
    {.name = "gap", .kind = RF_OPTION_DURATION, FIELD(gap_s), .value = "TIME",
     .help = "a longer pause begins a new take; default 30s or four times the usual interval"},
    {.name = "lists", .kind = RF_OPTION_PATH, FIELD(lists), .value = "FOLDER",
     .help = "write take-001.txt, take-002.txt ... there, for merge --list"},
    {.name = "no-look", .kind = RF_OPTION_FLAG, FIELD(no_look),
     .help = "go by times, settings and sizes alone, without a look at the pictures"},
    RF_ROW_MAX_MEGAPIXELS(takes_settings),
    RF_ROW_PROGRESS,
    {.name = NULL},
};
/* clang-format on */

/* ---- frames of a folder and those below it ---- */

typedef struct path_list {
    char **paths; /* owned */
    int count, room;
} path_list;

static rf_status add_path(path_list *list, const char *path, rf_error *err)
{
    rf_status status;
    char **larger = NULL;
    if (list->count == list->room) {
        int room = list->room > 0 ? 2 * list->room : 256;
        RF_TRY(rf_alloc(&larger, (size_t)room, sizeof *larger, "the list of frames", err));
        if (list->count > 0)
            memcpy(larger, list->paths, (size_t)list->count * sizeof *larger);
        rf_free(list->paths);
        list->paths = larger;
        list->room = room;
    }
    RF_TRY(rf_alloc(&list->paths[list->count], strlen(path) + 1, 1, "the list of frames", err));
    memcpy(list->paths[list->count++], path, strlen(path));
done:
    return status;
}

static void free_paths(path_list *list)
{
    for (int i = 0; i < list->count; i++)
        rf_free(list->paths[i]);
    rf_free(list->paths);
    *list = (path_list){0};
}

/* Links are not followed: no circles. What went away meanwhile is no folder. */
static rf_status look_for_folder(const char *path, int *found, rf_error *err)
{
    struct stat what;
    int seen = lstat(path, &what) == 0;
    if (!seen && errno != ENOENT)
        return rf_fail(err, RF_ERR_INPUT, "%s cannot be looked at: %s", path, strerror(errno));
    *found = seen && S_ISDIR(what.st_mode);
    return RF_OK;
}

static int compare_paths(const void *a, const void *b)
{
    return rf_natural_compare(*(char *const *)a, *(char *const *)b);
}

static rf_status add_frames(path_list *frames, const char *folder, rf_error *err)
{
    rf_sequence here;
    rf_error none = {0};
    rf_sequence_init(&here);
    rf_status status = rf_sequence_from_folder(&here, folder, &none);
    if (status == RF_ERR_INPUT && here.listed) /* no frame lies in this one itself */
        status = RF_OK;
    else if (status != RF_OK)
        status = rf_fail(err, status, "%s", none.text);
    for (int i = 0; i < here.count && status == RF_OK; i++)
        status = add_path(frames, here.paths[i], err);
    rf_sequence_free(&here);
    return status;
}

static rf_status walk_folder(path_list *frames, const char *folder, int depth, rf_error *err)
{
    rf_status status;
    path_list below = {0};
    char *path = NULL;
    struct dirent *entry;
    int is_folder = 0;
    DIR *dir = opendir(folder);
    if (dir == NULL)
        return rf_fail(err, RF_ERR_INPUT, "%s: the folder cannot be read: %s", folder, strerror(errno));
    RF_TRY(add_frames(frames, folder, err));
    for (;;) {
        errno = 0;
        if ((entry = readdir(dir)) == NULL) {
            if (errno != 0)
                RF_TRY(rf_fail(err, RF_ERR_INPUT, "%s: the folder cannot be listed: %s", folder, strerror(errno)));
            break;
        }
        if (entry->d_name[0] == '.')
            continue;
        size_t bytes = strlen(folder) + strlen(entry->d_name) + 2;
        RF_TRY(rf_alloc(&path, bytes, 1, "the list of folders", err));
        (void)snprintf(path, bytes, "%s/%s", folder, entry->d_name);
        RF_TRY(look_for_folder(path, &is_folder, err));
        if (is_folder && depth < FOLDER_DEPTH_MOST)
            RF_TRY(add_path(&below, path, err));
        rf_free(path);
        path = NULL;
    }
    if (below.count > 0)
        qsort(below.paths, (size_t)below.count, sizeof *below.paths, compare_paths);
    for (int i = 0; i < below.count; i++)
        RF_TRY(walk_folder(frames, below.paths[i], depth + 1, err));
done:
    rf_free(path);
    free_paths(&below);
    (void)closedir(dir);
    return status;
}

/* ---- what is written ---- */

static void list_name(char name[LIST_NAME_BYTES], int index)
{
    (void)snprintf(name, LIST_NAME_BYTES, "take-%03d.txt", index + 1);
}

/* Whole paths, so that the list can be used from anywhere; *text from rf_alloc. */
static rf_status list_text(const rf_takes *takes, const rf_take_group *g, char **text, size_t *bytes, rf_error *err)
{
    rf_status status;
    size_t used = 0, room = 1;
    char *real = NULL;
    for (int i = 0; i < g->count; i++)
        room += strlen(takes->frames[g->first + i].path) + 4096;
    RF_TRY(rf_alloc(text, room, 1, "a list of frames", err));
    for (int i = 0; i < g->count; i++) {
        const char *path = takes->frames[g->first + i].path;
        free(real);
        real = realpath(path, NULL);
        if (real == NULL || strchr(real, '\n') != NULL)
            RF_TRY(rf_fail(err, RF_ERR_OUTPUT, "%s cannot be named in a list: %s", path,
                           real == NULL ? strerror(errno) : "its path holds a line break"));
        used += (size_t)snprintf(*text + used, room - used, "%s\n", real);
    }
    *bytes = used;
done:
    free(real);
    return status;
}

static rf_status write_lists(const takes_settings *set, const rf_takes *takes, rf_error *err)
{
    rf_status status = RF_OK;
    char *text = NULL, *path = NULL, name[LIST_NAME_BYTES];
    size_t bytes, room = strlen(set->lists) + LIST_NAME_BYTES + 2;
    if (mkdir(set->lists, 0777) != 0 && errno != EEXIST)
        return rf_fail(err, RF_ERR_OUTPUT, "%s: the folder cannot be made: %s", set->lists, strerror(errno));
    RF_TRY(rf_alloc(&path, room, 1, "a path", err));
    for (int i = 0; i < takes->group_count; i++) {
        list_name(name, i);
        (void)snprintf(path, room, "%s/%s", set->lists, name);
        RF_TRY(list_text(takes, &takes->groups[i], &text, &bytes, err));
        RF_TRY(rf_text_write(path, text, bytes, set->common.force, err));
        rf_free(text);
        text = NULL;
    }
done:
    rf_free(text);
    rf_free(path);
    return status;
}

static void print_time(char *out, size_t bytes, int64_t ms)
{
    time_t seconds = (time_t)(ms / 1000);
    struct tm parts;
    if (ms == INT64_MIN || gmtime_r(&seconds, &parts) == NULL || strftime(out, bytes, "%Y-%m-%d %H:%M:%S", &parts) == 0)
        (void)snprintf(out, bytes, "-");
}

static const char *base_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash != NULL && slash[1] != '\0' ? slash + 1 : path;
}

static void print_table(const rf_takes *takes)
{
    rf_talk(stdout, "%-4s  %6s  %-19s  %-9s  %s", "take", "frames", "begins", "because", "first and last frame");
    for (int i = 0; i < takes->group_count; i++) {
        const rf_take_group *g = &takes->groups[i];
        const rf_takes_frame *first = &takes->frames[g->first], *last = &takes->frames[g->first + g->count - 1];
        char begins[32];
        print_time(begins, sizeof begins, first->capture_time_ms);
        rf_talk(stdout, "%-4d  %6d  %-19s  %-9s  %s  %s", i + 1, g->count, begins, rf_takes_reason_name(g->reason),
                base_name(first->path), base_name(last->path));
    }
}

static rf_status write_report(const takes_settings *set, const rf_takes *takes, rf_error *err)
{
    char *text = NULL;
    size_t bytes = 0;
    rf_status status;
    RF_TRY(rf_takes_json(takes, &text, &bytes, err));
    if (strcmp(set->common.report, "-") == 0)
        (void)fwrite(text, 1, bytes, stdout); /* main looks at the stream's state */
    else
        RF_TRY(rf_text_write(set->common.report, text, bytes, set->common.force, err));
done:
    rf_free(text);
    return status;
}

static rf_status prepare(const takes_settings *set, const rf_arguments *arguments, path_list *frames, rf_error *err)
{
    rf_status status;
    const rf_destination report = {"--report", set->common.report, NULL};
    if (arguments->operand_count == 0)
        return rf_fail(err, RF_ERR_USAGE, "no folder was named: the folder of a card was expected");
    for (int i = 0; i < arguments->operand_count; i++) {
        struct stat what;
        if (stat(arguments->operands[i], &what) != 0 || !S_ISDIR(what.st_mode))
            return rf_fail(err, RF_ERR_INPUT, "%s: there is no such folder", arguments->operands[i]);
        RF_TRY(walk_folder(frames, arguments->operands[i], 0, err));
    }
    if (frames->count == 0)
        return rf_fail(err, RF_ERR_INPUT, "%s: no frame was found in the folder or below it", arguments->operands[0]);
    RF_TRY(
        rf_destinations_check(&report, 1, (const char *const *)frames->paths, frames->count, set->common.force, err));
    const rf_destination outputs[] = {report, {"--lists", set->lists, NULL}};
    (void)rf_confine(outputs, 2);
done:
    return status;
}

static rf_status run_takes(rf_invocation *call, rf_error *err)
{
    const takes_settings *set = call->settings;
    path_list frames = {0};
    rf_takes takes;
    char count[32];
    rf_progress progress;
    rf_status status;
    rf_takes_init(&takes);
    RF_TRY(prepare(set, &call->arguments, &frames, err));
    rf_progress_init(&progress, stderr, (rf_progress_when)set->common.progress, set->common.quiet);
    rf_takes_options split = {.paths = (const char *const *)frames.paths,
                              .count = frames.count,
                              .gap_s = set->gap_s,
                              .max_pixels = (int64_t)(set->max_megapixels * 1e6),
                              .no_look = set->no_look,
                              .progress = rf_progress_step,
                              .progress_arg = &progress};
    status = rf_takes_split(&split, &takes, err);
    rf_progress_end(&progress);
    if (status != RF_OK)
        goto done;
    if (set->lists != NULL)
        RF_TRY(write_lists(set, &takes, err));
    if (set->common.report != NULL)
        RF_TRY(write_report(set, &takes, err));
    if (set->common.report == NULL || strcmp(set->common.report, "-") != 0)
        print_table(&takes);
    if (takes.unreadable_count > 0)
        rf_talk(stderr, "warning: %s of the card cannot be read, the first: %s",
                rf_talk_count(count, sizeof count, takes.unreadable_count, "frame"), takes.unreadable.text);
    call->warnings = takes.unreadable_count > 0;
done:
    rf_takes_free(&takes);
    free_paths(&frames);
    return status;
}

const rf_command command_takes = {
    .name = "takes",
    .summary = "split a card full of frames into takes",
    .operands = "FOLDER...",
    .about = "Looks through folders and those below them and tells where one take ends and the next\n"
             "begins: at a pause, at other camera settings, at another picture. Nothing is moved.\n"
             "\n"
             "  railfold takes card                        prints a table\n"
             "  railfold takes --lists lists card          and writes lists/take-001.txt ...\n"
             "  railfold merge --list lists/take-001.txt -o one.tif\n",
    .options = options,
    .defaults = &defaults,
    .settings_bytes = sizeof defaults,
    .run = run_takes,
};

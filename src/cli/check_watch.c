/* check_watch.c - the watch over a folder: sleeps in inotify(7), waits until the files are whole, checks the newest
 * frames.
 *
 * Only a window of the newest frames is read again, so that the word on a bump comes before the next frame however long
 * the take is. */
#include <errno.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/inotify.h>
#include <unistd.h>

#include "railfold/memory.h"
#include "cli/check_view.h"
#include "cli/stop.h"
#include "cli/talk.h"

enum { WINDOW_FRAMES = 14, WAKE_MS = 1000, QUIET_MS = 700, LEAST_FRAMES = 3, TOLD_MOST = 4096 };

/* What was told already: a kind at a file, or of the take as a whole. */
typedef struct told_list {
    uint64_t *marks; /* owned, TOLD_MOST */
    int count;
} told_list;

static uint64_t mark_of(const rf_check_finding *finding, const rf_check_result *result)
{
    uint64_t hash = 1469598103934665603u ^ (uint64_t)finding->kind; /* FNV-1a */
    const char *file = finding->frame_count > 0 ? result->frames[finding->frames[0]].file : "";
    for (; *file != '\0'; file++)
        hash = (hash ^ (uint64_t)(unsigned char)*file) * 1099511628211u;
    return (hash ^ (uint64_t)finding->kind) * 1099511628211u;
}

static int is_new(told_list *told, uint64_t mark)
{
    for (int i = 0; i < told->count; i++)
        if (told->marks[i] == mark)
            return 0;
    if (told->count < TOLD_MOST)
        told->marks[told->count++] = mark;
    return 1;
}

/* Lines go out at once: someone stands at the rail. */
static void tell(told_list *told, const rf_check_result *result, int frames_in_all)
{
    const rf_check_frame *newest = &result->frames[result->frame_count - 1];
    int said = 0;
    for (int i = 0; i < result->finding_count; i++) {
        const rf_check_finding *f = &result->findings[i];
        if (!is_new(told, mark_of(f, result)))
            continue;
        rf_talk(stdout, "%d: %s %s: %s", frames_in_all, rf_check_severity_name(f->severity),
                rf_check_kind_name(f->kind), f->text);
        said = 1;
    }
    if (!said)
        rf_talk(stdout, "%d: %s is fine", frames_in_all, newest->file);
    (void)fflush(stdout);
}

static rf_status check_newest(const char *folder, const rf_frame_options *frames, const rf_check_options *options,
                              told_list *told, int *known, rf_error *err)
{
    rf_sequence take;
    rf_check_result result;
    rf_error none = {0};
    const char *ignored;
    rf_arguments arguments = {.operands = &folder, .operand_count = 1};
    rf_sequence_init(&take);
    rf_check_result_init(&result);
    rf_status status = rf_frames_gather(frames, &arguments, &take, &ignored, &none);
    if (status == RF_ERR_INPUT) { /* no frame yet */
        status = RF_OK;
        goto done;
    }
    if (status != RF_OK) {
        status = rf_fail(err, status, "%s", none.text);
        goto done;
    }
    if (take.count == *known || take.count < LEAST_FRAMES)
        goto done;
    *known = take.count;
    rf_check_options window = *options;
    int begin = take.count > WINDOW_FRAMES ? take.count - WINDOW_FRAMES : 0;
    window.frames = (const char *const *)take.paths + begin;
    window.frame_count = take.count - begin;
    window.unfinished = 1;
    window.begun_before = begin > 0;
    RF_TRY(rf_check_take(&window, &result, err));
    tell(told, &result, take.count);
done:
    rf_check_result_free(&result);
    rf_sequence_free(&take);
    return status;
}

/* Sleeps until something happened in the folder and it has been quiet for a while. 0: asked to stop. */
static int wait_for_files(int notify)
{
    struct pollfd ready = {.fd = notify, .events = POLLIN};
    char events[4096];
    int seen = 0;
    while (!rf_stop_asked()) {
        int some = poll(&ready, 1, seen ? QUIET_MS : WAKE_MS);
        if (some > 0)
            seen = read(notify, events, sizeof events) > 0;
        else if (some == 0 && seen)
            return 1;
        else if (some < 0 && errno != EINTR)
            return 0;
    }
    return 0;
}

rf_status rf_check_watch(const char *folder, const rf_frame_options *frames, const rf_check_options *options,
                         rf_error *err)
{
    rf_status status;
    told_list told = {0};
    int known = 0, notify = inotify_init1(IN_CLOEXEC | IN_NONBLOCK);
    if (notify < 0 ||
        inotify_add_watch(notify, folder, IN_CREATE | IN_MODIFY | IN_CLOSE_WRITE | IN_MOVED_TO | IN_ONLYDIR) < 0) {
        status = rf_fail(err, RF_ERR_INPUT, "%s cannot be watched: %s", folder, strerror(errno));
        goto done;
    }
    RF_TRY(rf_alloc(&told.marks, TOLD_MOST, sizeof *told.marks, "the watch", err));
    do {
        status = check_newest(folder, frames, options, &told, &known, err);
        if (status == RF_ERR_STOPPED)
            break;
        RF_TRY(status);
    } while (wait_for_files(notify));
    status = RF_OK; /* Ctrl-C is how a watch ends */
done:
    if (notify >= 0)
        (void)close(notify);
    rf_free(told.marks);
    return status;
}

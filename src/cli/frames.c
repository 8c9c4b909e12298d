/* frames.c - which files a command line means. */
#include "cli/frames.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "railfold/memory.h"
#include "cli/stop.h"
#include "cli/talk.h"

/* A list of a million paths of 60 bytes: anything above is not a list of frames. */
enum { LIST_BYTES_MOST = 64 * 1024 * 1024, LIST_ROOM_FIRST = 64 * 1024 };

/* All of an open file; *text from rf_alloc. */
static rf_status read_all(int file, const char *name, char **text, size_t *bytes, rf_error *err)
{
    rf_status status;
    size_t room = LIST_ROOM_FIRST;
    char *larger;
    *bytes = 0;
    RF_TRY(rf_alloc_raw(text, room, 1, "the list of frames", err));
    for (;;) {
        ssize_t got = read(file, *text + *bytes, room - *bytes);
        if (got < 0 && rf_stop_asked())
            return rf_fail(err, RF_ERR_STOPPED, "stopped while reading the list %s", name);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return rf_fail(err, RF_ERR_INPUT, "the list %s cannot be read: %s", name, strerror(errno));
        if (got == 0)
            return RF_OK;
        *bytes += (size_t)got;
        if (*bytes < room)
            continue;
        if (room >= LIST_BYTES_MOST)
            return rf_fail(err, RF_ERR_INPUT, "the list %s is larger than %d bytes, so it is no list of frames", name,
                           LIST_BYTES_MOST);
        RF_TRY(rf_alloc_raw(&larger, 2 * room, 1, "the list of frames", err));
        memcpy(larger, *text, *bytes);
        rf_free(*text);
        *text = larger;
        room *= 2;
    }
done:
    return status;
}

static rf_status gather_list(const char *path, int nul_separated, rf_sequence *sequence, rf_error *err)
{
    int is_stdin = strcmp(path, "-") == 0;
    const char *name = is_stdin ? "on standard input" : path;
    char *text = NULL;
    size_t bytes = 0;
    rf_status status;
    int file = is_stdin ? STDIN_FILENO : open(path, O_RDONLY | O_CLOEXEC);
    if (file < 0)
        return rf_fail(err, RF_ERR_INPUT, "the list %s cannot be read: %s", path,
                       errno == ENOENT ? "there is no such file" : strerror(errno));
    RF_TRY(read_all(file, name, &text, &bytes, err));
    RF_TRY(rf_sequence_from_list(sequence, text, bytes, nul_separated, name, err));
done:
    rf_free(text);
    if (!is_stdin)
        (void)close(file);
    return status;
}

static rf_status check_choice(const rf_frame_options *options, const rf_arguments *arguments, rf_error *err)
{
    const char *list = options->list != NULL ? "--list" : "--list0";
    if (options->list != NULL && options->list0 != NULL)
        return rf_fail(err, RF_ERR_USAGE, "--list and --list0 were both given, where one list was expected");
    if ((options->list != NULL || options->list0 != NULL) && arguments->operand_count > 0)
        return rf_fail(err, RF_ERR_USAGE,
                       "%s and '%.300s' were both given, where a list, a folder or frames were expected", list,
                       arguments->operands[0]);
    if (options->list == NULL && options->list0 == NULL && arguments->operand_count == 0)
        return rf_fail(err, RF_ERR_USAGE, "no frames were named: a folder, frames or --list FILE was expected");
    return RF_OK;
}

/* One operand may be a folder or a frame: only here is it known that either would have done. */
static rf_status look_at_operand(const char *path, int *is_folder, rf_error *err)
{
    struct stat what;
    if (stat(path, &what) != 0 && errno == ENOENT)
        return rf_fail(err, RF_ERR_INPUT, "%s: there is no such folder or file", path);
    *is_folder = stat(path, &what) == 0 && S_ISDIR(what.st_mode);
    return RF_OK;
}

rf_status rf_frames_gather(const rf_frame_options *options, const rf_arguments *arguments, rf_sequence *sequence,
                           const char **folder, rf_error *err)
{
    int is_list = options->list != NULL || options->list0 != NULL, is_folder = 0;
    rf_status status;
    *folder = NULL;
    RF_TRY(check_choice(options, arguments, err));
    if (arguments->operand_count == 1)
        RF_TRY(look_at_operand(arguments->operands[0], &is_folder, err));
    if (is_list) {
        const char *path = options->list != NULL ? options->list : options->list0;
        RF_TRY(gather_list(path, options->list0 != NULL, sequence, err));
    } else if (is_folder) {
        *folder = arguments->operands[0];
        RF_TRY(rf_sequence_from_folder(sequence, *folder, err));
    } else {
        RF_TRY(rf_sequence_from_paths(sequence, arguments->operands, arguments->operand_count, err));
    }
    if (options->order != RF_ORDER_AS_GIVEN)
        status = rf_sequence_sort(sequence, (rf_order)options->order, err);
    else if (!is_list && *folder == NULL) /* the shell puts f10 before f2 */
        status = rf_sequence_sort(sequence, RF_ORDER_NAME, err);
    if (status == RF_OK && options->reverse)
        rf_sequence_reverse(sequence);
done:
    return status;
}

void rf_frames_tell_left_out(const rf_sequence *sequence)
{
    for (int i = 0; i < sequence->left_out_count; i++)
        rf_talk(stderr, "left out: %s (%s)", sequence->left_out[i].path, sequence->left_out[i].why);
}

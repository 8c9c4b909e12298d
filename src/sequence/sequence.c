/* sequence.c - lists of frames: from names, from a list's text; copied, ordered, released. */
#include "sequence/sequence_list.h"

#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include "railfold/memory.h"

enum { LIST_ROOM_LEAST = 16 };

void rf_sequence_init(rf_sequence *sequence)
{
    *sequence = (rf_sequence){0};
}

void rf_sequence_free(rf_sequence *sequence)
{
    for (int i = 0; i < sequence->count; i++)
        rf_free(sequence->paths[i]);
    for (int i = 0; i < sequence->left_out_count; i++)
        rf_free(sequence->left_out[i].path);
    rf_free(sequence->paths);
    rf_free(sequence->left_out);
    rf_sequence_init(sequence);
}

rf_status rf_sequence_copy_text(char **out, const char *text, size_t bytes, rf_error *err)
{
    rf_status status = rf_alloc(out, bytes + 1, 1, "a file name", err);
    if (status == RF_OK)
        memcpy(*out, text, bytes);
    return status;
}

/* Room for one more item. The lists double whenever they are full: at LIST_ROOM_LEAST and at each power of two above.
 */
static rf_status make_room(void **items, int count, size_t item_bytes, rf_error *err)
{
    int full = count == 0 || (count >= LIST_ROOM_LEAST && (count & (count - 1)) == 0);
    void *larger;
    if (!full)
        return RF_OK;
    if (count > INT_MAX / 2)
        return rf_fail(err, RF_ERR_INPUT, "a list of files is longer than %d names", INT_MAX / 2);
    int room = count == 0 ? LIST_ROOM_LEAST : 2 * count;
    rf_status status = rf_alloc(&larger, (size_t)room, item_bytes, "the list of frames", err);
    if (status != RF_OK)
        return status;
    if (count > 0)
        memcpy(larger, *items, (size_t)count * item_bytes);
    rf_free(*items);
    *items = larger;
    return RF_OK;
}

rf_status rf_sequence_append(rf_sequence *sequence, char *path, rf_error *err)
{
    void *items = sequence->paths;
    rf_status status = make_room(&items, sequence->count, sizeof *sequence->paths, err);
    sequence->paths = items;
    if (status == RF_OK)
        sequence->paths[sequence->count++] = path;
    else
        rf_free(path);
    return status;
}

rf_status rf_sequence_leave_out(rf_sequence *sequence, char *path, const char *why, rf_error *err)
{
    void *items = sequence->left_out;
    rf_status status = make_room(&items, sequence->left_out_count, sizeof *sequence->left_out, err);
    sequence->left_out = items;
    if (status == RF_OK)
        sequence->left_out[sequence->left_out_count++] = (rf_left_out){path, why};
    else
        rf_free(path);
    return status;
}

/* `where` opens the message: "" or "the list NAME, line 3: ". */
static rf_status check_frame(const char *path, const char *where, rf_error *err)
{
    struct stat what;
    if (stat(path, &what) != 0)
        return rf_fail(err, RF_ERR_INPUT, "%s%s: %s", where, path,
                       errno == ENOENT ? "there is no such file" : strerror(errno));
    if (S_ISDIR(what.st_mode))
        return rf_fail(err, RF_ERR_INPUT, "%s%s is a folder, where a frame was expected", where, path);
    if (!S_ISREG(what.st_mode))
        return rf_fail(err, RF_ERR_INPUT, "%s%s is not a regular file, so it cannot be a frame", where, path);
    if (rf_sequence_is_raw_name(path))
        return rf_fail(err, RF_ERR_INPUT, "%s%s is a camera raw file; develop it to TIFF, PNG or JPEG first", where,
                       path);
    return RF_OK;
}

static rf_status append_checked(rf_sequence *sequence, const char *path, size_t bytes, const char *where, rf_error *err)
{
    char *copy;
    rf_status status = rf_sequence_copy_text(&copy, path, bytes, err);
    if (status != RF_OK)
        return status;
    status = check_frame(copy, where, err);
    if (status == RF_OK)
        return rf_sequence_append(sequence, copy, err);
    rf_free(copy);
    return status;
}

rf_status rf_sequence_from_paths(rf_sequence *sequence, const char *const *paths, int count, rf_error *err)
{
    rf_sequence_free(sequence);
    for (int i = 0; i < count; i++) {
        rf_status status = append_checked(sequence, paths[i], strlen(paths[i]), "", err);
        if (status != RF_OK)
            return status;
    }
    return count > 0 ? RF_OK : rf_fail(err, RF_ERR_INPUT, "no frame was named");
}

/* The next entry and what follows it; "\r\n" ends a line as "\n" does. */
static const char *next_entry(const char *at, const char *end, int nul_separated, size_t *bytes)
{
    const char *separator = memchr(at, nul_separated ? '\0' : '\n', (size_t)(end - at));
    const char *stop = separator != NULL ? separator : end;
    *bytes = (size_t)(stop - at);
    if (!nul_separated && *bytes > 0 && stop[-1] == '\r')
        --*bytes;
    return separator != NULL ? separator + 1 : end;
}

rf_status rf_sequence_from_list(rf_sequence *sequence, const char *text, size_t bytes, int nul_separated,
                                const char *name, rf_error *err)
{
    const char *end = text + bytes;
    rf_sequence_free(sequence);
    if (!nul_separated && bytes > 0 && memchr(text, '\0', bytes) != NULL)
        return rf_fail(err, RF_ERR_INPUT, "the list %s holds NUL bytes, so it is no list of one path a line", name);
    if (!nul_separated && bytes >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0)
        text += 3; /* a byte order mark, as some editors put in front */
    for (int line = 1; text < end; line++) {
        char where[320];
        size_t length;
        const char *next = next_entry(text, end, nul_separated, &length);
        (void)snprintf(where, sizeof where, "the list %.250s, %s %d: ", name, nul_separated ? "entry" : "line", line);
        if (length > 0) {
            rf_status status = append_checked(sequence, text, length, where, err);
            if (status != RF_OK)
                return status;
        }
        text = next;
    }
    return sequence->count > 0 ? RF_OK : rf_fail(err, RF_ERR_INPUT, "the list %s names no frame", name);
}

void rf_sequence_reverse(rf_sequence *sequence)
{
    for (int i = 0, j = sequence->count - 1; i < j; i++, j--) {
        char *path = sequence->paths[i];
        sequence->paths[i] = sequence->paths[j];
        sequence->paths[j] = path;
    }
}

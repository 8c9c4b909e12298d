/* folder.c - a folder's frames by content; everything else is left out and told. */
#include "sequence/sequence_list.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"

/* Endings of the files in which cameras keep unprocessed sensor data. Many are TIFF by content and hold a small
 * preview, so the content alone would mislead. */
static const char *const raw_endings[] = {"3fr", "ari", "arw", "bay", "cap", "cr2", "cr3", "crw", "dcr", "dng", "erf",
                                          "fff", "gpr", "iiq", "k25", "kdc", "mef", "mos", "mrw", "nef", "nrw", "orf",
                                          "pef", "ptx", "raf", "raw", "rw2", "rwl", "sr2", "srf", "srw", "x3f", NULL};
static const char *const picture_endings[] = {"jpg", "jpeg", "jpe", "png", "tif", "tiff", NULL};

static int has_ending(const char *path, const char *const *endings)
{
    const char *slash = strrchr(path, '/');
    const char *dot = strrchr(slash != NULL ? slash : path, '.');
    if (dot == NULL)
        return 0;
    for (; *endings != NULL; endings++)
        if (strcasecmp(dot + 1, *endings) == 0)
            return 1;
    return 0;
}

int rf_sequence_is_raw_name(const char *path)
{
    return has_ending(path, raw_endings);
}

int rf_sequence_is_picture_name(const char *path)
{
    return has_ending(path, picture_endings);
}

/* Why the entry is no frame, or NULL when it is one. A file that is named like a picture stays a frame even when its
 * content is not one: a damaged frame must be told of, never dropped in silence. */
static const char *why_left_out(const char *path, const char *name)
{
    struct stat what;
    if (name[0] == '.')
        return "hidden";
    if (stat(path, &what) != 0)
        return rf_sequence_is_picture_name(path) ? NULL : "cannot be read";
    if (S_ISDIR(what.st_mode))
        return "a folder";
    if (!S_ISREG(what.st_mode))
        return "not a regular file";
    if (rf_sequence_is_raw_name(path))
        return "camera raw file";
    if (rf_frame_is_known(path) != 1)
        return rf_sequence_is_picture_name(path) ? NULL : "not a picture";
    return rf_frame_is_own_output(path) == 1 ? "an output of railfold" : NULL;
}

static rf_status join(char **out, const char *folder, const char *name, rf_error *err)
{
    size_t folder_bytes = strlen(folder), name_bytes = strlen(name);
    const char *slash = folder_bytes > 0 && folder[folder_bytes - 1] == '/' ? "" : "/";
    size_t room = folder_bytes + strlen(slash) + name_bytes + 1;
    rf_status status = rf_alloc(out, room, 1, "a file name", err);
    if (status == RF_OK)
        (void)snprintf(*out, room, "%s%s%s", folder, slash, name);
    return status;
}

static rf_status take_entry(rf_sequence *sequence, const char *folder, const char *name, rf_error *err)
{
    char *path;
    rf_status status = join(&path, folder, name, err);
    if (status != RF_OK)
        return status;
    const char *why = why_left_out(path, name);
    return why == NULL ? rf_sequence_append(sequence, path, err) : rf_sequence_leave_out(sequence, path, why, err);
}

static int compare_left_out(const void *a, const void *b)
{
    return rf_natural_compare(((const rf_left_out *)a)->path, ((const rf_left_out *)b)->path);
}

/* What the folder holds instead, for the message of a folder without frames. */
static rf_status no_frame(const rf_sequence *sequence, const char *folder, rf_error *err)
{
    int raw = 0;
    for (int i = 0; i < sequence->left_out_count; i++)
        raw += strcmp(sequence->left_out[i].why, "camera raw file") == 0;
    if (raw > 0)
        return rf_fail(err, RF_ERR_INPUT,
                       "%s holds camera raw files but no frame; develop them to TIFF, PNG or JPEG first", folder);
    return rf_fail(err, RF_ERR_INPUT, "%s holds no frame (JPEG, PNG or TIFF)%s", folder,
                   sequence->left_out_count > 0 ? ", only other files" : "");
}

rf_status rf_sequence_from_folder(rf_sequence *sequence, const char *folder, rf_error *err)
{
    rf_status status = RF_OK;
    rf_sequence_free(sequence);
    DIR *entries = opendir(folder);
    if (entries == NULL)
        return rf_fail(err, RF_ERR_INPUT, "%s: %s", folder,
                       errno == ENOENT    ? "there is no such folder"
                       : errno == ENOTDIR ? "it is not a folder"
                                          : strerror(errno));
    for (;;) {
        errno = 0;
        const struct dirent *entry = readdir(entries);
        if (entry == NULL) {
            if (errno != 0)
                status = rf_fail(err, RF_ERR_INPUT, "%s cannot be listed: %s", folder, strerror(errno));
            break;
        }
        if (strcmp(entry->d_name, ".") != 0 && strcmp(entry->d_name, "..") != 0)
            RF_TRY(take_entry(sequence, folder, entry->d_name, err));
    }
    if (status != RF_OK)
        goto done;
    sequence->listed = 1;
    if (sequence->left_out_count > 0)
        qsort(sequence->left_out, (size_t)sequence->left_out_count, sizeof *sequence->left_out, compare_left_out);
    status = sequence->count > 0 ? rf_sequence_sort(sequence, RF_ORDER_NAME, err) : no_frame(sequence, folder, err);
done:
    closedir(entries);
    return status;
}

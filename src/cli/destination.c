/* destination.c - two names are one file when device and inode agree, or, while the file does not exist yet, when their
 * folders' do and the last parts of the names are equal. */
#define _XOPEN_SOURCE 700 /* realpath */
#include "cli/destination.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <unistd.h>

#include "railfold/memory.h"
#include "cli/values.h"

static int is_file(const rf_destination *destination)
{
    return destination->path != NULL && strcmp(destination->path, "-") != 0;
}

static const char *last_part(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash != NULL ? slash + 1 : path;
}

static rf_status check_name(const rf_destination *destination, rf_error *err)
{
    const char *name = last_part(destination->path);
    const char *dot = strrchr(name, '.');
    for (const char *ending = destination->endings; ending != NULL && *ending != '\0';) {
        size_t bytes = strcspn(ending, "|");
        if (dot != NULL && strlen(dot + 1) == bytes && strncasecmp(dot + 1, ending, bytes) == 0)
            return RF_OK;
        ending += bytes + (ending[bytes] == '|');
    }
    if (destination->endings == NULL)
        return RF_OK;
    char expected[80];
    rf_value_list_words(destination->endings, ".", expected, sizeof expected);
    return rf_fail(err, RF_ERR_USAGE, "%s takes a file name that ends in %s, not '%.300s'", destination->option,
                   expected, destination->path);
}

rf_status rf_destinations_check_names(const rf_destination *list, int count, rf_error *err)
{
    for (int i = 0; i < count; i++) {
        rf_status status = list[i].path != NULL ? check_name(&list[i], err) : RF_OK;
        if (status != RF_OK)
            return status;
    }
    return RF_OK;
}

/* The folder part of a path: "." and "/" where it is empty. From rf_alloc. */
static rf_status folder_of(const char *path, char **folder, rf_error *err)
{
    size_t bytes = (size_t)(last_part(path) - path);
    rf_status status = rf_alloc(folder, bytes + 2, 1, "a folder's name", err);
    if (status != RF_OK)
        return status;
    memcpy(*folder, bytes == 0 ? "." : path, bytes == 0 ? 1 : bytes);
    return RF_OK;
}

static rf_status check_folder(const rf_destination *destination, struct stat *folder_stat, rf_error *err)
{
    char *folder = NULL;
    rf_status status;
    RF_TRY(folder_of(destination->path, &folder, err));
    if (stat(folder, folder_stat) != 0)
        status = rf_fail(err, RF_ERR_OUTPUT, "%s cannot be written: %s", destination->path,
                         errno == ENOENT ? "its folder does not exist" : strerror(errno));
    else if (!S_ISDIR(folder_stat->st_mode))
        status = rf_fail(err, RF_ERR_OUTPUT, "%s cannot be written: %s is not a folder", destination->path, folder);
    else if (access(folder, W_OK | X_OK) != 0)
        status = rf_fail(err, RF_ERR_OUTPUT, "%s cannot be written: its folder may not be written to (%s)",
                         destination->path, strerror(errno));
done:
    rf_free(folder);
    return status;
}

/* Only a regular file may be replaced, and only when asked to. */
static rf_status check_existing(const rf_destination *destination, int force, rf_error *err)
{
    struct stat what;
    if (lstat(destination->path, &what) != 0)
        return RF_OK;
    if (S_ISDIR(what.st_mode))
        return rf_fail(err, RF_ERR_OUTPUT, "%s is a folder, where %s needs a file name", destination->path,
                       destination->option);
    if (!S_ISREG(what.st_mode) && !S_ISLNK(what.st_mode))
        return rf_fail(err, RF_ERR_OUTPUT, "%s is not a regular file, so %s cannot replace it", destination->path,
                       destination->option);
    if (!force)
        return rf_fail(err, RF_ERR_OUTPUT, "%s exists; --force overwrites it", destination->path);
    return RF_OK;
}

static int same_inode(const struct stat *a, const struct stat *b)
{
    return a->st_dev == b->st_dev && a->st_ino == b->st_ino;
}

static rf_status check_against_inputs(const rf_destination *destination, const char *const *inputs, int count,
                                      rf_error *err)
{
    struct stat output, input;
    if (stat(destination->path, &output) != 0)
        return RF_OK; /* what does not exist is no input */
    for (int i = 0; i < count; i++)
        if (stat(inputs[i], &input) == 0 && same_inode(&output, &input))
            return rf_fail(err, RF_ERR_OUTPUT, "%s is also an input (%s), and inputs are never written to",
                           destination->path, inputs[i]);
    return RF_OK;
}

static int same_destination(const char *a, const struct stat *folder_a, const char *b, const struct stat *folder_b)
{
    struct stat stat_a, stat_b;
    if (same_inode(folder_a, folder_b) && strcmp(last_part(a), last_part(b)) == 0)
        return 1;
    return stat(a, &stat_a) == 0 && stat(b, &stat_b) == 0 && same_inode(&stat_a, &stat_b);
}

rf_status rf_destinations_check(const rf_destination *list, int count, const char *const *inputs, int input_count,
                                int force, rf_error *err)
{
    struct stat *folders = NULL;
    rf_status status;
    RF_TRY(rf_alloc(&folders, (size_t)count, sizeof *folders, "the list of outputs", err));
    for (int i = 0; i < count; i++) {
        if (!is_file(&list[i]))
            continue;
        RF_TRY(check_folder(&list[i], &folders[i], err));
        RF_TRY(check_against_inputs(&list[i], inputs, input_count, err));
        for (int j = 0; j < i; j++)
            if (is_file(&list[j]) && same_destination(list[i].path, &folders[i], list[j].path, &folders[j])) {
                status = rf_fail(err, RF_ERR_OUTPUT, "%s and %s name the same file, %s", list[j].option, list[i].option,
                                 list[i].path);
                goto done;
            }
        RF_TRY(check_existing(&list[i], force, err));
    }
done:
    rf_free(folders);
    return status;
}

/* The folder's path without trailing slashes. */
static size_t bare_bytes(const char *folder)
{
    size_t bytes = strlen(folder);
    while (bytes > 1 && folder[bytes - 1] == '/')
        bytes--;
    return bytes;
}

static int ends_in_dots(const char *folder, size_t bytes)
{
    size_t dots = 0;
    while (dots < bytes && folder[bytes - 1 - dots] == '.')
        dots++;
    return (dots == 1 || dots == 2) && (dots == bytes || folder[bytes - 1 - dots] == '/');
}

rf_status rf_destination_beside(char **path, const char *folder, const char *tail, rf_error *err)
{
    rf_status status = RF_OK;
    size_t bytes = bare_bytes(folder);
    char *real = NULL;
    *path = NULL;
    if (ends_in_dots(folder, bytes)) {
        real = realpath(folder, NULL);
        if (real == NULL) {
            status = rf_fail(err, RF_ERR_INPUT, "%s: %s", folder, strerror(errno));
            goto done;
        }
        folder = real;
        bytes = strlen(real);
    }
    if (bytes == 0 || strncmp(folder, "/", bytes) == 0) {
        status = rf_fail(err, RF_ERR_USAGE,
                         "the folder '%s' has no name to call the output after; name it with --output", folder);
        goto done;
    }
    RF_TRY(rf_alloc(path, bytes + strlen(tail) + 1, 1, "a file name", err));
    memcpy(*path, folder, bytes);
    memcpy(*path + bytes, tail, strlen(tail));
done:
    free(real); /* realpath's own allocation */
    return status;
}

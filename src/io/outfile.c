/* outfile.c - outputs that appear whole or not at all: a temporary file beside the output, flushed, then renamed.
 *
 * The temporary is locked (flock) until it has its name. A process that is killed leaves it unlocked, and the next one
 * that writes the same output removes it: a lock, unlike a process number, cannot be taken for someone else's. */
#define _DEFAULT_SOURCE /* flock, syscall */
#include "io_codec.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>
#if defined(__linux__)
#include <sys/syscall.h>
#endif

#include "railfold/memory.h"

enum { NAME_TRIES = 100, LETTERS = 6, HEAD_BYTES = 10 + 16 + 1 }; /* ".railfold-", 16 digits, "-" */

static rf_status system_fail(const char *path, const char *what, rf_error *err)
{
    char reason[128] = "unknown reason";
    int number = errno;
    (void)strerror_r(number, reason, sizeof reason);
    return rf_fail(err, number == ENOMEM ? RF_ERR_MEMORY : RF_ERR_OUTPUT, "%s: %s (%s)", path, what, reason);
}

static size_t folder_bytes_of(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash == NULL ? 0 : (size_t)(slash - path) + 1;
}

static rf_status check_target(const char *path, int force, rf_error *err)
{
    struct stat about;
    if (lstat(path, &about) != 0)
        return errno == ENOENT ? RF_OK : system_fail(path, "cannot be written", err);
    if (S_ISDIR(about.st_mode))
        return rf_fail(err, RF_ERR_OUTPUT, "%s: is a folder; a file name was expected", path);
    if (!S_ISREG(about.st_mode) && !S_ISLNK(about.st_mode)) /* renaming over a device would remove the device */
        return rf_fail(err, RF_ERR_OUTPUT, "%s: exists and is not an ordinary file", path);
    if (!force)
        return rf_fail(err, RF_ERR_OUTPUT, "%s: exists; a new name or permission to overwrite was expected", path);
    return RF_OK;
}

/* ---- the temporary's name: the folder, the output's name as a number (FNV-1a), six letters ---- */

static const char alphabet[] = "abcdefghijklmnopqrstuvwxyz0123456789";

static void write_head(char head[HEAD_BYTES + 1], const char *name)
{
    uint64_t hash = 14695981039346656037u;
    for (; *name != '\0'; name++)
        hash = (hash ^ (uint64_t)(unsigned char)*name) * 1099511628211u;
    (void)snprintf(head, HEAD_BYTES + 1, ".railfold-%016llx-", (unsigned long long)hash);
}

/* Six letters that no other run is likely to pick now; O_EXCL settles the rest. (mkstemp would make the file private,
 * and undoing that needs the umask, which can only be read by changing it for the whole process.) */
static void pick_letters(char *letters, unsigned attempt)
{
    struct timespec now = {0};
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    uint64_t number =
        (uint64_t)now.tv_nsec * 1000003u + (uint64_t)now.tv_sec * 7919u + (uint64_t)getpid() * 104729u + attempt;
    for (int i = 0; i < LETTERS; i++, number /= 36)
        letters[i] = alphabet[number % 36];
}

/* ---- temporaries of processes that are gone ---- */

/* Whether the open file is the one that bears the name. */
static int is_named(int fd, const char *path)
{
    struct stat opened, named;
    return fstat(fd, &opened) == 0 && lstat(path, &named) == 0 && S_ISREG(opened.st_mode) &&
           opened.st_dev == named.st_dev && opened.st_ino == named.st_ino;
}

static void remove_orphan(const char *path)
{
    int fd = open(path, O_RDWR | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return;
    if (flock(fd, LOCK_EX | LOCK_NB) == 0 && is_named(fd, path)) /* nobody holds it */
        (void)unlink(path);
    (void)close(fd);
}

/* `temporary` is the name of one to be; those of the same output differ in the letters alone. */
static void remove_orphans(char *temporary, size_t folder_bytes)
{
    char *name = temporary + folder_bytes, first = *name, *letters = name + HEAD_BYTES;
    *name = '\0';
    DIR *folder = opendir(folder_bytes > 0 ? temporary : ".");
    *name = first;
    if (folder == NULL)
        return;
    for (const struct dirent *entry; (entry = readdir(folder)) != NULL;) {
        const char *found = entry->d_name + HEAD_BYTES;
        if (strncmp(entry->d_name, name, HEAD_BYTES) != 0 || strlen(found) != LETTERS ||
            strspn(found, alphabet) != LETTERS)
            continue;
        memcpy(letters, found, LETTERS);
        remove_orphan(temporary);
    }
    (void)closedir(folder);
}

/* ---- one file ---- */

/* A new, locked file under a name of its own; -1 with errno. */
static int create_temporary(char *temporary, char *letters)
{
    for (unsigned attempt = 0; attempt < NAME_TRIES; attempt++) {
        pick_letters(letters, attempt);
        int fd = open(temporary, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
        if (fd < 0 && errno != EEXIST && errno != EINTR)
            return -1;
        if (fd < 0)
            continue;
        /* Between the two calls a run that clears up may have taken it for an orphan. Where a file system has no locks,
         * nobody can take it. */
        if ((flock(fd, LOCK_EX | LOCK_NB) == 0 || errno != EWOULDBLOCK) && is_named(fd, temporary))
            return fd;
        (void)unlink(temporary);
        (void)close(fd);
    }
    errno = EEXIST;
    return -1;
}

rf_status rf_outfile_open(rf_outfile *out, const char *path, int force, rf_error *err)
{
    rf_status status;
    size_t folder_bytes = folder_bytes_of(path);
    char head[HEAD_BYTES + 1];
    *out = (rf_outfile){.force = force, .lock = -1};
    if (path[folder_bytes] == '\0')
        return rf_fail(err, RF_ERR_OUTPUT, "%s: names no file; an output file name was expected",
                       *path ? path : "\"\"");
    RF_TRY(check_target(path, force, err));
    RF_TRY(rf_text_copy(&out->path, path, strlen(path), err));
    RF_TRY(rf_alloc(&out->temporary, folder_bytes + HEAD_BYTES + LETTERS + 1, 1, "a file name", err));
    write_head(head, path + folder_bytes);
    memcpy(out->temporary, path, folder_bytes);
    memcpy(out->temporary + folder_bytes, head, HEAD_BYTES);
    remove_orphans(out->temporary, folder_bytes);
    out->lock = create_temporary(out->temporary, out->temporary + folder_bytes + HEAD_BYTES);
    if (out->lock < 0) {
        status = system_fail(path, "its folder takes no new file", err);
        rf_free(out->temporary); /* not ours to remove */
        out->temporary = NULL;
        goto done;
    }
    int fd = fcntl(out->lock, F_DUPFD_CLOEXEC, 0);
    out->file = fd < 0 ? NULL : fdopen(fd, "w+b");
    if (out->file == NULL) {
        status = system_fail(path, "cannot be written", err);
        if (fd >= 0)
            (void)close(fd);
    }
done:
    if (status != RF_OK)
        rf_outfile_abort(out);
    return status;
}

/* Whatever is still open or there goes. */
void rf_outfile_abort(rf_outfile *out)
{
    if (out->file != NULL)
        (void)fclose(out->file);
    if (out->temporary != NULL) {
        (void)unlink(out->temporary);
        (void)close(out->lock);
    }
    rf_free(out->temporary);
    rf_free(out->path);
    *out = (rf_outfile){.lock = -1};
}

rf_status rf_outfile_short(const rf_outfile *out, rf_error *err)
{
    return system_fail(out->path, "could not be written whole", err);
}

rf_status rf_outfile_finish(rf_outfile *out, rf_error *err)
{
    FILE *file = out->file;
    out->file = NULL;
    int bad = fflush(file) != 0 || fsync(fileno(file)) != 0;
    int number = errno;
    if (fclose(file) != 0 && !bad) {
        bad = 1;
        number = errno;
    }
    errno = number;
    return bad ? rf_outfile_short(out, err) : RF_OK;
}

/* The new name must survive a power cut as well; a file system that cannot do this still has the file. */
static void flush_folder(const char *path)
{
    char folder[4096] = ".";
    size_t bytes = folder_bytes_of(path);
    if (bytes > 0 && bytes < sizeof folder) {
        memcpy(folder, path, bytes);
        folder[bytes] = '\0';
    }
    int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd >= 0) {
        (void)fsync(fd);
        (void)close(fd);
    }
}

/* Two files change names in one step. Not every file system can. */
static int exchange(const char *a, const char *b)
{
#if defined(SYS_renameat2)
    enum { EXCHANGE = 2 }; /* RENAME_EXCHANGE, linux/fs.h */
    return (int)syscall(SYS_renameat2, AT_FDCWD, a, AT_FDCWD, b, EXCHANGE);
#else
    (void)a, (void)b;
    errno = ENOSYS;
    return -1;
#endif
}

/* Afterwards the temporary name holds what was replaced (`swapped`), or a second name of the output, or nothing.
 * Without force the output's name must still be free: link() refuses a taken one, where rename() would replace it. */
static int give_name(rf_outfile *out)
{
    if (out->force && exchange(out->temporary, out->path) == 0) {
        out->named = out->swapped = 1;
        return 0;
    }
    if (link(out->temporary, out->path) == 0) {
        out->named = 1;
        return 0;
    }
    if (errno == EEXIST && !out->force)
        return -1;
    if (rename(out->temporary, out->path) != 0) /* no hard links here (FAT): the check at opening has to do */
        return -1;
    out->named = !out->force; /* what may have replaced a file cannot go back */
    return 0;
}

/* Back to how it was before give_name, where that can be. */
static void take_name_back(rf_outfile *out)
{
    if (!out->named)
        return;
    if (out->swapped)
        (void)exchange(out->temporary, out->path);
    else
        (void)unlink(out->path);
    out->named = out->swapped = 0;
}

rf_status rf_outfiles_name(rf_outfile *files, int count, rf_error *err)
{
    rf_status status = RF_OK;
    int done = 0;
    for (; done < count && status == RF_OK; done++)
        if (give_name(&files[done]) != 0)
            status = system_fail(files[done].path, "the finished file could not be given its name", err);
    for (int i = 0; i < count; i++) {
        if (status != RF_OK)
            take_name_back(&files[i]);
        else
            flush_folder(files[i].path);
        rf_outfile_abort(&files[i]); /* the temporary name goes, whatever it holds now */
    }
    return status;
}

rf_status rf_outfile_commit(rf_outfile *out, rf_error *err)
{
    rf_status status = rf_outfile_finish(out, err);
    if (status == RF_OK)
        return rf_outfiles_name(out, 1, err);
    rf_outfile_abort(out);
    return status;
}

/* file_digest.c - which bytes a file holds, and whether it was written to. */
#include "io_codec.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "railfold/memory.h"

enum { PIECE_BYTES = 256 << 10 };

rf_file_stamp rf_file_stamp_of(const struct stat *about)
{
    return (rf_file_stamp){about->st_size, (int64_t)about->st_mtim.tv_sec * 1000000000 + about->st_mtim.tv_nsec};
}

rf_status rf_descriptor_digest(int fd, const char *path, rf_status code, char text[RF_SHA256_TEXT_BYTES], rf_error *err)
{
    rf_status status;
    rf_sha256 sha;
    uint8_t *piece = NULL, digest[RF_SHA256_BYTES];
    rf_sha256_begin(&sha);
    RF_TRY(rf_alloc_raw(&piece, PIECE_BYTES, 1, "a piece of a file", err));
    for (off_t at = 0;;) {
        ssize_t got = pread(fd, piece, PIECE_BYTES, at);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            RF_TRY(rf_fail(err, code, "%s: cannot be read back (%s)", path, strerror(errno)));
        if (got == 0)
            break;
        rf_sha256_add(&sha, piece, (size_t)got);
        at += got;
    }
    rf_sha256_end(&sha, digest);
    rf_sha256_text(digest, text);
done:
    rf_free(piece);
    return status;
}

rf_status rf_file_digest(const char *path, char text[RF_SHA256_TEXT_BYTES], rf_file_stamp *stamp, rf_error *err)
{
    struct stat about;
    int fd = open(path, O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0 || fstat(fd, &about) != 0) {
        rf_status failed = rf_fail(err, RF_ERR_INPUT, "%s: cannot be opened (%s)", path, strerror(errno));
        if (fd >= 0)
            (void)close(fd);
        return failed;
    }
    if (stamp != NULL)
        *stamp = rf_file_stamp_of(&about);
    rf_status status = rf_descriptor_digest(fd, path, RF_ERR_INPUT, text, err);
    (void)close(fd);
    return status;
}

/* fuzz.c - files in memory and the laws that hold for every call. */
#define _GNU_SOURCE /* memfd_create */
#include "fuzz.h"

#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include "railfold/memory.h"

enum { SLOTS = 2, PATH_BYTES = 32 };

const char *fuzz_file(int slot, const uint8_t *data, size_t bytes)
{
    static int files[SLOTS] = {-1, -1};
    static char paths[SLOTS][PATH_BYTES];
    if (files[slot] < 0) {
        files[slot] = memfd_create("input", MFD_CLOEXEC);
        FUZZ_LAW(files[slot] >= 0);
        (void)snprintf(paths[slot], PATH_BYTES, "/proc/self/fd/%d", files[slot]);
    }
    FUZZ_LAW(ftruncate(files[slot], 0) == 0);
    FUZZ_LAW(pwrite(files[slot], data, bytes, 0) == (ssize_t)bytes);
    return paths[slot];
}

void fuzz_silence_stdout(void)
{
    static int silent;
    if (!silent) {
        FUZZ_LAW(freopen("/dev/null", "w", stdout) != NULL);
        FUZZ_LAW(setenv("RAILFOLD_CONFINE", "0", 1) == 0);
    }
    silent = 1;
}

void fuzz_check_failure(rf_status status, const rf_error *err)
{
    FUZZ_LAW(status == RF_OK || (err->code == status && err->text[0] != '\0'));
    FUZZ_LAW(status != RF_ERR_INTERNAL);
    FUZZ_LAW(status != RF_OK || err->code == RF_OK);
    FUZZ_LAW(memchr(err->text, '\0', sizeof err->text) != NULL);
}

void fuzz_check_memory(size_t most_bytes)
{
    FUZZ_LAW(rf_memory_held() == 0);
    FUZZ_LAW(most_bytes == 0 || rf_memory_peak() <= most_bytes);
    rf_memory_reset_peak();
}

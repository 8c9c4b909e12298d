/* fuzz.h - what the fuzzing entries share.
 *
 * Each fuzz_NAME.c holds one LLVMFuzzerTestOneInput: an input goes through the calls the program makes for it, and laws
 * that hold for every input are checked on the way (FUZZ_LAW). With replay.c the same entry runs over the files of
 * testdata/fuzz/NAME as an ordinary test; with libFuzzer it searches for new ones (`make fuzz`). */
#ifndef FUZZ_H
#define FUZZ_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include "railfold/status.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes);

/* A broken law ends the process, as a crash does. */
#define FUZZ_LAW(condition)                                                                                            \
    do {                                                                                                               \
        if (!(condition)) {                                                                                            \
            (void)fprintf(stderr, "%s:%d: broken law: %s\n", __FILE__, __LINE__, #condition);                          \
            abort();                                                                                                   \
        }                                                                                                              \
    } while (0)

/* A regular file in memory with these bytes, as a path the program can open; slot 0 or 1. The file is used again by the
 * next call with the same slot. */
const char *fuzz_file(int slot, const uint8_t *data, size_t bytes);

/* Before a command is run whole: it must not confine the process, which runs it again and again. Sends what the program
 * prints to nowhere; results go to stdout and talk to stderr, which stays. */
void fuzz_silence_stdout(void);

/* The laws of every call that can fail: success says nothing; a failure is one sentence, and never a fault of railfold
 * itself. */
void fuzz_check_failure(rf_status status, const rf_error *err);

/* The law of every entry's end: all memory given back, and never more than `most_bytes` held (0: not looked at). */
void fuzz_check_memory(size_t most_bytes);

#endif

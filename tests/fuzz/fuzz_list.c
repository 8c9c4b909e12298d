/* fuzz_list.c - the text of --list and --list0, read from a file as the commands do. */
#include "fuzz.h"

#include <string.h>

#include "railfold/sequence.h"
#include "cli/frames.h"

enum { MOST_HELD_BYTES = 64 << 20 };

static void gather(const char *path, int nul_separated, int order, int reverse)
{
    rf_error err = {0};
    rf_sequence take;
    const char *folder = NULL;
    const rf_frame_options options = {
        .list = nul_separated ? NULL : path, .list0 = nul_separated ? path : NULL, .order = order, .reverse = reverse};
    const rf_arguments arguments = {0};
    rf_sequence_init(&take);
    rf_status status = rf_frames_gather(&options, &arguments, &take, &folder, &err);
    fuzz_check_failure(status, &err);
    FUZZ_LAW(status != RF_OK || (take.count > 0 && folder == NULL));
    if (status == RF_OK && order == RF_ORDER_NAME && !reverse)
        for (int i = 1; i < take.count; i++)
            FUZZ_LAW(rf_natural_compare(take.paths[i - 1], take.paths[i]) <= 0);
    rf_sequence_free(&take);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes)
{
    const char *path = fuzz_file(0, data, bytes);
    for (int nul_separated = 0; nul_separated <= 1; nul_separated++) {
        gather(path, nul_separated, RF_ORDER_AS_GIVEN, 0);
        gather(path, nul_separated, RF_ORDER_NAME, 0);
        gather(path, nul_separated, RF_ORDER_NAME, 1);
    }
    fuzz_check_memory(MOST_HELD_BYTES);
    return 0;
}

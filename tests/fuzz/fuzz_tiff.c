/* fuzz_tiff.c - TIFF frames. */
#include "frame.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes)
{
    fuzz_frame("TIFF", data, bytes);
    return 0;
}

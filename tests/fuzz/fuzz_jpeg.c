/* fuzz_jpeg.c - JPEG frames. */
#include "frame.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes)
{
    fuzz_frame("JPEG", data, bytes);
    return 0;
}

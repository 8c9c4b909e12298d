/* fuzz_png.c - PNG frames. Every chunk of a PNG ends in a check sum, so nearly every change would be refused there and
 * nothing behind it ever be tried: the mutator mends the sums of most inputs it makes. */
#include "frame.h"

#ifdef FUZZ_SEARCH /* replay has no mutator */
#include <zlib.h>

size_t LLVMFuzzerMutate(uint8_t *data, size_t bytes, size_t room); /* libFuzzer's own */
size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t bytes, size_t room, unsigned seed);

enum { SIGNATURE_BYTES = 8, CHUNK_FRAME_BYTES = 12 };

static void mend_sums(uint8_t *data, size_t bytes)
{
    for (size_t at = SIGNATURE_BYTES; at + CHUNK_FRAME_BYTES <= bytes;) {
        size_t length =
            (size_t)data[at] << 24 | (size_t)data[at + 1] << 16 | (size_t)data[at + 2] << 8 | (size_t)data[at + 3];
        if (length > bytes - at - CHUNK_FRAME_BYTES)
            return;
        uLong sum = crc32(0, data + at + 4, (uInt)length + 4);
        for (int i = 0; i < 4; i++)
            data[at + 8 + length + (size_t)i] = (uint8_t)(sum >> (24 - 8 * i));
        at += length + CHUNK_FRAME_BYTES;
    }
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t bytes, size_t room, unsigned seed)
{
    size_t changed = LLVMFuzzerMutate(data, bytes, room);
    if (seed % 8 != 0)
        mend_sums(data, changed);
    return changed;
}
#endif

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes)
{
    fuzz_frame("PNG", data, bytes);
    return 0;
}

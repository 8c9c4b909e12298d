/* frame.h - a frame through all readings the program does of one; shared by the entries of the three formats. */
#ifndef FUZZ_FRAME_H
#define FUZZ_FRAME_H

#include "fuzz.h"

/* `format` is the name rf_frame_info gives; inputs of another format are passed over, so that each entry searches its
 * own decoder. */
void fuzz_frame(const char *format, const uint8_t *data, size_t bytes);

#endif

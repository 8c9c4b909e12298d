/* depth.h - `railfold depth` on a map, called as the program calls it; shared by the entries of maps and of views. */
#ifndef FUZZ_DEPTH_H
#define FUZZ_DEPTH_H

#include "fuzz.h"

#include "cli/depth_run.h"

/* What the command has when no option is given, but for the size of a map, which keeps an input cheap. */
depth_settings fuzz_depth_settings(double most_megapixels);

/* The command on the map at `path`; a failure obeys fuzz_check_failure. */
void fuzz_depth_run(const char *path, depth_settings *settings);

#endif

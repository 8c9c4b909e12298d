/* confine.h - after the inputs are known a run gives up what it will not need, so that a hostile file which gets the
 * better of a decoder gains next to nothing.
 *
 * From then on the process, and every thread it starts, can open no socket, start no program or process, signal none,
 * and change no file except in the folders of its outputs and below. Linux only: Landlock (kernel 5.13) guards the
 * files, a seccomp filter the rest; what the kernel lacks is off, without a word. RAILFOLD_CONFINE=0 in the environment
 * leaves all of it off, for tools that watch the program and write files of their own. */
#ifndef RF_CONFINE_H
#define RF_CONFINE_H

#include "cli/destination.h"

enum { RF_CONFINED_FILES = 1, RF_CONFINED_CALLS = 2 };

/* What is on from now on. Call with one thread running. */
int rf_confine(const rf_destination *outputs, int count);

#endif

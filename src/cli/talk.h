/* talk.h - how the program speaks to people: lines, times, sizes. */
#ifndef RF_TALK_H
#define RF_TALK_H

#include <stddef.h>
#include <stdio.h>

#include "railfold/status.h"

/* A formatted sentence as ONE line: control characters (file names may hold any) are written as \n, \t or \xNN. */
void rf_talk(FILE *out, const char *format, ...) RF_PRINTF(2, 3);

/* "8.4 s", "2 min 05 s", "1 h 02 min"; "1.8 GiB". Returns `out`. */
const char *rf_talk_duration(char *out, size_t bytes, double seconds);
const char *rf_talk_bytes(char *out, size_t bytes, double count);

/* "1 frame", "2 frames". */
const char *rf_talk_count(char *out, size_t bytes, int count, const char *noun);

#endif

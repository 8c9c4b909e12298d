/* frames.h - from operands and list options to the frames of a take; shared by the commands that read one. */
#ifndef RF_FRAMES_H
#define RF_FRAMES_H

#include "railfold/sequence.h"
#include "cli/options.h"

enum { RF_ORDER_AS_GIVEN = -1 };

typedef struct rf_frame_options {
    const char *list, *list0; /* files, "-" = stdin, or NULL */
    int order;                /* rf_order or RF_ORDER_AS_GIVEN: lists as they stand, the rest by name */
    int reverse;
} rf_frame_options;

/* Rows for a settings struct of type `type` that holds an rf_frame_options called `frames`. */
#define RF_ROWS_FRAMES(type)                                                                                           \
    {.name = "list",                                                                                                   \
     .kind = RF_OPTION_PATH,                                                                                           \
     .offset = offsetof(type, frames.list),                                                                            \
     .value = "FILE",                                                                                                  \
     .help = "take the frames from a list, one path a line; - is standard input"},                                     \
        {.name = "list0",                                                                                              \
         .kind = RF_OPTION_PATH,                                                                                       \
         .offset = offsetof(type, frames.list0),                                                                       \
         .value = "FILE",                                                                                              \
         .help = "the same, with a NUL byte between paths"},                                                           \
        {.name = "order",                                                                                              \
         .kind = RF_OPTION_CHOICE,                                                                                     \
         .offset = offsetof(type, frames.order),                                                                       \
         .value = "name|time",                                                                                         \
         .help = "order of the take: by name, numbers by value (default; lists keep their own), or by capture time"},  \
    {                                                                                                                  \
        .name = "reverse", .kind = RF_OPTION_FLAG, .offset = offsetof(type, frames.reverse),                           \
        .help = "turn the order around"                                                                                \
    }

/* Fills `sequence` (initialised). *folder is the operand when the take is a folder, else NULL. */
rf_status rf_frames_gather(const rf_frame_options *options, const rf_arguments *arguments, rf_sequence *sequence,
                           const char **folder, rf_error *err) RF_CHECKED;

/* Names on stderr what lay in the folder but is no frame. */
void rf_frames_tell_left_out(const rf_sequence *sequence);

#endif

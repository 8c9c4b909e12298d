/* exit_code.h - what the shell is told. The one place where a status becomes an exit code. */
#ifndef RF_EXIT_CODE_H
#define RF_EXIT_CODE_H

#include "railfold/status.h"

typedef enum rf_exit_code {
    RF_EXIT_DONE = 0,
    RF_EXIT_INTERNAL = 1, /* a fault of railfold itself */
    RF_EXIT_USAGE = 2,    /* an option or argument that cannot be taken */
    RF_EXIT_INPUT = 3,    /* an input that cannot be used */
    RF_EXIT_ALIGN = 4,    /* frames that cannot be aligned */
    RF_EXIT_OUTPUT = 5,   /* an output that may not or cannot be written */
    RF_EXIT_MEMORY = 6,   /* not enough memory */
    RF_EXIT_WARNINGS = 7, /* done, with warnings, under --strict */
    RF_EXIT_STOPPED = 130 /* interrupted; the outputs are untouched */
} rf_exit_code;

static inline rf_exit_code rf_exit_code_of(rf_status status)
{
    switch (status) {
    case RF_OK:
        return RF_EXIT_DONE;
    case RF_ERR_USAGE:
        return RF_EXIT_USAGE;
    case RF_ERR_INPUT:
        return RF_EXIT_INPUT;
    case RF_ERR_ALIGN:
        return RF_EXIT_ALIGN;
    case RF_ERR_OUTPUT:
        return RF_EXIT_OUTPUT;
    case RF_ERR_MEMORY:
        return RF_EXIT_MEMORY;
    case RF_ERR_STOPPED:
        return RF_EXIT_STOPPED;
    case RF_ERR_INTERNAL:
        break;
    }
    return RF_EXIT_INTERNAL;
}

#endif

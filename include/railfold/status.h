/* status.h - how a call says that it failed.
 *
 * Every call that can fail returns rf_status and takes an rf_error last. The part that detects a fault writes ONE
 * sentence that names the file, the value and what was expected; callers in between pass the code on untouched. The
 * first message wins. The error struct belongs to the caller: one per run, one per worker. */
#ifndef RF_STATUS_H
#define RF_STATUS_H

typedef enum rf_status {
    RF_OK = 0,
    RF_ERR_INTERNAL, /* a fault of railfold itself */
    RF_ERR_USAGE,    /* an option or argument that cannot be taken */
    RF_ERR_INPUT,    /* an input that is missing, unreadable, broken or does not fit the others */
    RF_ERR_ALIGN,    /* frames that cannot be aligned */
    RF_ERR_OUTPUT,   /* an output that may not or cannot be written */
    RF_ERR_MEMORY,   /* not enough memory, or more than the limit allows */
    RF_ERR_STOPPED   /* the caller asked to stop (Ctrl-C) */
} rf_status;

enum { RF_ERROR_TEXT_BYTES = 1024 };

typedef struct rf_error {
    rf_status code;                 /* RF_OK while nothing failed */
    char text[RF_ERROR_TEXT_BYTES]; /* one sentence, UTF-8 as far as file names are, no final newline */
} rf_error;

#if defined(__GNUC__)
#define RF_CHECKED __attribute__((warn_unused_result))
#define RF_PRINTF(format_at, args_at) __attribute__((format(printf, format_at, args_at)))
#else
#define RF_CHECKED
#define RF_PRINTF(format_at, args_at)
#endif

/* Records the first failure and returns `code`. `err` may be NULL. Not for RF_OK. */
rf_status rf_fail(rf_error *err, rf_status code, const char *format, ...) RF_PRINTF(3, 4);

/* For functions with one `done:` label: leaves on the first failure. Needs a local `rf_status status`. */
#define RF_TRY(expression)                                                                                             \
    do {                                                                                                               \
        status = (expression);                                                                                         \
        if (status != RF_OK)                                                                                           \
            goto done;                                                                                                 \
    } while (0)

#endif

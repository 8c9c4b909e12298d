/* status.c - one sentence per failure; the first one wins. */
#include "railfold/status.h"

#include <stdarg.h>
#include <stdio.h>

rf_status rf_fail(rf_error *err, rf_status code, const char *format, ...)
{
    if (err == NULL || err->code != RF_OK)
        return code;
    err->code = code;
    va_list args;
    va_start(args, format);
    (void)vsnprintf(err->text, sizeof err->text, format, args);
    va_end(args);
    return code;
}

/* lengths.c - rail step and pixel size out of a report, so that nobody types them twice. */
#include "cli/lengths.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "railfold/depth_report.h"
#include "railfold/memory.h"

/* A small text file, NUL-terminated. *text from rf_alloc. */
static rf_status read_text(const char *path, char **text, rf_error *err)
{
    enum { MOST_BYTES = 1 << 26 };
    rf_status status = RF_OK;
    size_t used = 0, room = 1 << 16;
    FILE *file = fopen(path, "rb");
    *text = NULL;
    if (file == NULL)
        return rf_fail(err, RF_ERR_INPUT, "%s: cannot be read (%s)", path, strerror(errno));
    RF_TRY(rf_alloc(text, room, 1, "a report", err));
    for (;;) {
        used += fread(*text + used, 1, room - 1 - used, file);
        if (ferror(file))
            RF_TRY(rf_fail(err, RF_ERR_INPUT, "%s: cannot be read (%s)", path, strerror(errno)));
        if (used + 1 < room)
            break;
        if (room >= MOST_BYTES)
            RF_TRY(rf_fail(err, RF_ERR_INPUT, "%s: is larger than any report", path));
        char *larger = NULL;
        RF_TRY(rf_alloc(&larger, 2 * room, 1, "a report", err));
        memcpy(larger, *text, used);
        rf_free(*text);
        *text = larger;
        room *= 2;
    }
    (*text)[used] = '\0';
    if (strlen(*text) != used)
        status = rf_fail(err, RF_ERR_INPUT, "%s: is no report; one JSON object was expected", path);
done:
    fclose(file);
    if (status != RF_OK) {
        rf_free(*text);
        *text = NULL;
    }
    return status;
}

rf_status rf_lengths_of_report(const char *path, double *step_mm, double *pixel_mm, rf_error *err)
{
    char *text = NULL;
    rf_status status = read_text(path, &text, err);
    if (status == RF_OK)
        status = rf_report_lengths(path, text, step_mm, pixel_mm, err);
    rf_free(text);
    if (status == RF_OK && !(*step_mm > 0) && !(*pixel_mm > 0))
        status = rf_fail(err, RF_ERR_INPUT, "%s: tells neither the rail step nor the size of a pixel", path);
    return status;
}

/* fuzz_map_text.c - the line of text that a map carries. What is read and written again reads the same. */
#include "fuzz.h"

#include <math.h>
#include <string.h>

#include "railfold/depth_map.h"

/* Nine digits are written: half of the ninth is lost. */
static int as_written(double a, double b)
{
    return fabs(a - b) <= 5.1e-9 * fabs(b);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes)
{
    rf_map_facts facts, again;
    char *text = malloc(bytes + 1), written[RF_MAP_TEXT_BYTES];
    FUZZ_LAW(text != NULL);
    memcpy(text, data, bytes);
    text[bytes] = '\0';
    int said = rf_map_text_read(text, &facts);
    FUZZ_LAW(isfinite(facts.offset) && isfinite(facts.scale) && facts.step_mm >= 0 && facts.pixel_mm >= 0);
    FUZZ_LAW(facts.frames >= 0 && said == (facts.kind != RF_MAP_UNSAID));
    if (said) {
        rf_map_text_write(&facts, written);
        FUZZ_LAW(strlen(written) < sizeof written - 1);
        FUZZ_LAW(rf_map_text_read(written, &again) == 1);
        FUZZ_LAW(again.kind == facts.kind && again.frames == facts.frames && again.levelled == facts.levelled);
        FUZZ_LAW(again.nearer == facts.nearer && again.direction_known == facts.direction_known);
        FUZZ_LAW(as_written(again.offset, facts.offset) && as_written(again.scale, facts.scale));
        FUZZ_LAW(as_written(again.step_mm, facts.step_mm) && as_written(again.pixel_mm, facts.pixel_mm));
    }
    free(text);
    return 0;
}

/* map_text.c - the line of text that a map carries, so that nobody types its step twice. */
#include "railfold/depth_map.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char HEAD[] = "railfold map:", LEVEL_ZERO[] = "plane laid through the map";
static const char *const KINDS[] = {"unsaid", "depth", "confidence", "sigma"};
enum { KIND_COUNT = sizeof KINDS / sizeof KINDS[0] };

void rf_map_text_write(const rf_map_facts *facts, char text[RF_MAP_TEXT_BYTES])
{
    const char *unit = facts->kind == RF_MAP_CONFIDENCE ? "one" : facts->metric ? "mm" : "frame";
    const char *direction = !facts->direction_known ? "unknown" : facts->nearer ? "nearer" : "farther";
    (void)snprintf(text, RF_MAP_TEXT_BYTES,
                   "%s kind=%s unit=%s value=offset+scale*sample offset=%.9g scale=%.9g step_mm=%.9g pixel_mm=%.9g "
                   "frames=%d direction=%s zero=%s, growing with the take order",
                   HEAD, KINDS[facts->kind], unit, facts->offset, facts->scale, facts->step_mm, facts->pixel_mm,
                   facts->frames, direction, facts->levelled ? LEVEL_ZERO : "focus plane of frame 0");
}

/* The value behind " key=", up to the next blank; NULL when there is none. */
static const char *value_of(const char *text, const char *key)
{
    size_t bytes = strlen(key);
    for (const char *at = strstr(text, key); at != NULL; at = strstr(at + 1, key))
        if (at > text && at[-1] == ' ' && at[bytes] == '=')
            return at + bytes + 1;
    return NULL;
}

static int is_word(const char *value, const char *word)
{
    size_t bytes = strlen(word);
    return value != NULL && strncmp(value, word, bytes) == 0 && (value[bytes] == ' ' || value[bytes] == '\0');
}

static double number_of(const char *text, const char *key, double otherwise)
{
    const char *value = value_of(text, key);
    char *end;
    if (value == NULL)
        return otherwise;
    double number = strtod(value, &end);
    return end > value && isfinite(number) ? number : otherwise;
}

/* A length in mm that may be unknown; what no rail and no lens can have is a fault of the file. */
static double length_of(const char *text, const char *key)
{
    double number = number_of(text, key, 0);
    return number >= 1e-9 && number <= 1e6 ? number : 0;
}

int rf_map_text_read(const char *text, rf_map_facts *facts)
{
    *facts = (rf_map_facts){.scale = 1};
    if (text == NULL || strncmp(text, HEAD, sizeof HEAD - 1) != 0)
        return 0;
    const char *kind = value_of(text, "kind"), *direction = value_of(text, "direction");
    for (int i = 1; i < KIND_COUNT; i++)
        if (is_word(kind, KINDS[i]))
            facts->kind = (rf_map_kind)i;
    facts->metric = is_word(value_of(text, "unit"), "mm");
    facts->offset = number_of(text, "offset", 0);
    facts->scale = number_of(text, "scale", 1);
    facts->step_mm = length_of(text, "step_mm");
    facts->pixel_mm = length_of(text, "pixel_mm");
    double frames = number_of(text, "frames", 0);
    facts->frames = frames >= 1 && frames <= 1e6 ? (int)frames : 0;
    facts->nearer = is_word(direction, "nearer");
    facts->direction_known = facts->nearer || is_word(direction, "farther");
    const char *zero = value_of(text, "zero");
    facts->levelled = zero != NULL && strncmp(zero, LEVEL_ZERO, sizeof LEVEL_ZERO - 1) == 0;
    return facts->kind != RF_MAP_UNSAID;
}

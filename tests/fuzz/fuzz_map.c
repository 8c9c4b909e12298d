/* fuzz_map.c - a depth map through `railfold depth`: read, surveyed, levelled, measured and told. */
#include "fuzz.h"

#include <string.h>

#include "railfold/depth_map.h"
#include "railfold/memory.h"
#include "cli/commands.h"
#include "cli/depth_run.h"

/* The map, its profile and what a plane fit holds; the limit below keeps an input cheap. */
enum { MOST_HELD_BYTES = 128 << 20 };
static const double MOST_MEGAPIXELS = 0.25;

static void run(const char *path, const char *confidence, int levelled)
{
    rf_error err = {0};
    depth_settings settings;
    const char *operands[1] = {path};
    rf_invocation call = {.settings = &settings, .arguments = {.operands = operands, .operand_count = 1}};
    memcpy(&settings, command_depth.defaults, sizeof settings);
    settings.max_megapixels = MOST_MEGAPIXELS;
    settings.confidence = confidence;
    settings.plane.count = levelled ? -1 : 0;
    settings.at.count = 2;
    settings.distance.count = settings.profile.count = 4;
    settings.common.report = levelled ? "-" : NULL;
    fuzz_check_failure(command_depth.run(&call, &err), &err);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes)
{
    fuzz_silence_stdout();
    const char *path = fuzz_file(0, data, bytes);
    run(path, NULL, 0);
    run(path, NULL, 1);
    run(path, path, 1);
    fuzz_check_memory(MOST_HELD_BYTES);
    return 0;
}

/* fuzz_map.c - a depth map through `railfold depth`: read, surveyed, levelled, measured and told. */
#include "depth.h"

/* The map, its profile and what a plane fit holds; the limit below keeps an input cheap. */
enum { MOST_HELD_BYTES = 128 << 20 };
static const double MOST_MEGAPIXELS = 0.25;

static void run(const char *path, const char *confidence, int levelled)
{
    depth_settings settings = fuzz_depth_settings(MOST_MEGAPIXELS);
    settings.confidence = confidence;
    settings.plane.count = levelled ? -1 : 0;
    settings.at.count = 2;
    settings.distance.count = settings.profile.count = 4;
    settings.common.report = levelled ? "-" : NULL;
    fuzz_depth_run(path, &settings);
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

/* fuzz_views.c - a depth map through everything `railfold depth` draws and hands on, into a scratch folder. */
#include "depth.h"

#include <sys/stat.h>
#include <unistd.h>

enum { NAMES = 10, PATH_BYTES = 96, MOST_HELD_BYTES = 512 << 20 };
static const char *const names[NAMES] = {"colour.png", "relief.png", "drape.jpg", "stereo.png", "mesh.ply",
                                         "cloud.xyz",  "plot.svg",   "card.csv",  "flat.tif",   "report.json"};
static const double MOST_MEGAPIXELS = 0.004; /* each view costs a thousand times the reading */

static char paths[NAMES][PATH_BYTES];

static void name_paths(void)
{
    const char *folder = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";
    for (int i = 0; i < NAMES; i++)
        (void)snprintf(paths[i], PATH_BYTES, "%s/railfold-fuzz-%ld-%s", folder, (long)getpid(), names[i]);
}

static void run(const char *path, int style)
{
    depth_settings settings = fuzz_depth_settings(MOST_MEGAPIXELS);
    settings.common.force = 1;
    settings.colour = paths[0];
    settings.relief = paths[1];
    settings.drape = paths[2];
    settings.stereo = paths[3];
    settings.mesh = paths[4];
    settings.cloud = paths[5];
    settings.plot = paths[6];
    settings.csv = paths[7];
    settings.common.report = paths[9];
    settings.profile = (depth_places){4, {0, 0, 1, 0}};
    settings.contours.given = 2;
    settings.step_mm = style % 2 ? 0 : 0.05;
    settings.pixel_mm = style % 2 ? 0 : 0.002;
    settings.exaggerate = style % 3 ? 1 : 40;
    settings.points = style % 2 ? 0 : 50;
    settings.confidence = style % 4 == 2 ? path : NULL; /* one that says nothing of itself serves as either */
    settings.sigma = style == 6 ? path : NULL;
    if (style % 4 == 3) {
        settings.plane.count = -1;
        settings.levelled = paths[8];
    }
    fuzz_depth_run(path, &settings);
    for (int i = 0; i < NAMES; i++)
        (void)unlink(paths[i]);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes)
{
    fuzz_silence_stdout();
    name_paths();
    run(fuzz_file(0, data, bytes), bytes > 0 ? data[bytes - 1] % 8 : 0);
    fuzz_check_memory(MOST_HELD_BYTES);
    return 0;
}

/* soak.c - merges one take over and over in one process, and looks whether memory or descriptors grow.
 *
 * Usage: soak COUNT OUTPUT FRAME...   OUTPUT is replaced each time. Ends with 1 when a merge fails or something grew.
 */
#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "railfold/memory.h"
#include "railfold/stack.h"

enum { WARM_UP = 20, PRINT_EVERY = 20, SLACK_KB = 1024 }; /* the allocator keeps what the first runs needed */

static long resident_kb(void)
{
    long pages = 0, resident = 0;
    FILE *file = fopen("/proc/self/statm", "r");
    if (file == NULL || fscanf(file, "%ld %ld", &pages, &resident) != 2)
        resident = 0;
    if (file != NULL)
        (void)fclose(file);
    return resident * (sysconf(_SC_PAGESIZE) / 1024);
}

static int entries_of(const char *path)
{
    int count = 0;
    DIR *folder = opendir(path);
    while (folder != NULL && readdir(folder) != NULL)
        count++;
    if (folder != NULL)
        (void)closedir(folder);
    return count;
}

static int merge_once(const char *output, const char *const *frames, int count)
{
    rf_error err = {0};
    rf_run_report report;
    rf_merge_options options = rf_merge_options_default();
    char *json = NULL;
    size_t bytes = 0;
    options.frames = frames;
    options.frame_count = count;
    options.output = output;
    options.force = 1;
    options.digests = 1;
    options.threads = 2;
    rf_run_report_init(&report);
    rf_status status = rf_stack_merge(&options, &report, &err);
    if (status == RF_OK)
        status = rf_run_report_json(&report, &json, &bytes, &err);
    rf_free(json);
    rf_run_report_free(&report);
    if (status != RF_OK)
        fprintf(stderr, "soak: %s\n", err.text);
    return status == RF_OK;
}

int main(int argc, char **argv)
{
    int count = argc > 3 ? atoi(argv[1]) : 0, grown = 0;
    long warm_kb = 0, warm_files = 0;
    if (count < 1) {
        fprintf(stderr, "usage: soak COUNT OUTPUT FRAME...\n");
        return 2;
    }
    printf("%6s %12s %12s %8s %8s\n", "merges", "resident kB", "held bytes", "files", "threads");
    for (int i = 1; i <= count; i++) {
        if (!merge_once(argv[2], (const char *const *)argv + 3, argc - 3))
            return 1;
        long now_kb = resident_kb(), files = entries_of("/proc/self/fd");
        if (i == 1 || i % PRINT_EVERY == 0)
            printf("%6d %12ld %12zu %8ld %8d\n", i, now_kb, rf_memory_held(),
                   files - 3, /* ., .. and the listing's own */
                   entries_of("/proc/self/task") - 2);
        if (i == WARM_UP) {
            warm_kb = now_kb;
            warm_files = files;
        }
        grown |= i > WARM_UP && (now_kb > warm_kb + SLACK_KB || files != warm_files || rf_memory_held() != 0);
    }
    printf("%s\n", grown ? "something grew" : "nothing grew");
    return grown;
}

/* replay.c - runs a fuzzing entry over the files of folders: fuzz_NAME FOLDER... An input that takes longer than
 * MOST_SECONDS or makes the process hold more than MOST_KIB is a failure, as a crash is. */
#include <dirent.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#include "fuzz.h"

enum { MOST_SECONDS = 30, MOST_BYTES = 1 << 24, MOST_KIB = 512 << 10, PATH_ROOM = 4096 };

static uint8_t *read_file(const char *path, size_t *bytes)
{
    struct stat about;
    FILE *file = fopen(path, "rb");
    uint8_t *data = NULL;
    if (file == NULL || fstat(fileno(file), &about) != 0 || !S_ISREG(about.st_mode) || about.st_size > MOST_BYTES)
        goto done;
    data = malloc((size_t)about.st_size + 1); /* of its own size, so that a read beyond the end is seen */
    *bytes = data == NULL ? 0 : fread(data, 1, (size_t)about.st_size, file);
done:
    if (file != NULL)
        (void)fclose(file);
    return data;
}

/* The address sanitizer holds memory of its own. */
static int is_too_large(void)
{
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__) || defined(__clang__)
    return 0;
#else
    struct rusage usage;
    return getrusage(RUSAGE_SELF, &usage) == 0 && usage.ru_maxrss > MOST_KIB;
#endif
}

static int by_name(const struct dirent **a, const struct dirent **b)
{
    return strcmp((*a)->d_name, (*b)->d_name);
}

static int replay_folder(const char *folder)
{
    struct dirent **entries;
    int count = scandir(folder, &entries, NULL, by_name), replayed = 0;
    for (int i = 0; i < count; i++) {
        char path[PATH_ROOM];
        size_t bytes = 0;
        (void)snprintf(path, sizeof path, "%s/%s", folder, entries[i]->d_name);
        uint8_t *data = entries[i]->d_name[0] == '.' ? NULL : read_file(path, &bytes);
        if (data != NULL) {
            (void)fprintf(stderr, "%s, %zu bytes\n", path, bytes);
            (void)alarm(MOST_SECONDS);
            (void)LLVMFuzzerTestOneInput(data, bytes);
            (void)alarm(0);
            if (is_too_large()) {
                (void)fprintf(stderr, "%s: the process holds more than %d KiB\n", path, MOST_KIB);
                exit(EXIT_FAILURE);
            }
            replayed++;
        }
        free(data);
        free(entries[i]);
    }
    if (count >= 0)
        free(entries);
    return replayed;
}

int main(int argc, char **argv)
{
    int replayed = 0;
    for (int i = 1; i < argc; i++) {
        int count = replay_folder(argv[i]);
        if (count == 0)
            (void)fprintf(stderr, "%s: no input was found\n", argv[i]);
        if (count == 0)
            return EXIT_FAILURE;
        replayed += count;
    }
    (void)fprintf(stderr, "%d inputs replayed\n", replayed);
    return replayed > 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}

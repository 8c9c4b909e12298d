/* available.c - what the system can still give: /proc/meminfo, and the control groups that hold this process (Linux
 * kernel, Documentation/admin-guide/cgroup-v2.rst and cgroup-v1/memory.rst). */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "railfold/memory.h"

enum { PATH_BYTES = 1024, LINE_BYTES = 512 };

/* The number behind the label at the start of a line; 0 when there is none. */
static size_t number_in(const char *path, const char *label)
{
    char line[LINE_BYTES];
    unsigned long long value = 0;
    size_t label_bytes = strlen(label);
    FILE *file = fopen(path, "re");
    while (file != NULL && fgets(line, sizeof line, file) != NULL)
        if (strncmp(line, label, label_bytes) == 0) {
            value = strtoull(line + label_bytes, NULL, 10); /* "max" is 0 as well: no limit */
            break;
        }
    if (file != NULL)
        (void)fclose(file);
    return value > SIZE_MAX / 2 ? 0 : (size_t)value;
}

typedef struct group_files {
    const char *root, *limit, *used, *inactive, *active; /* the last two: labels of what can be dropped */
} group_files;

static const group_files version_1 = {"/sys/fs/cgroup/memory", "memory.limit_in_bytes", "memory.usage_in_bytes",
                                      "total_inactive_file ", "total_active_file "};
static const group_files version_2 = {"/sys/fs/cgroup", "memory.max", "memory.current", "inactive_file ",
                                      "active_file "};

static size_t number_of(const group_files *files, const char *group, const char *name, const char *label)
{
    char path[2 * PATH_BYTES];
    (void)snprintf(path, sizeof path, "%s%s/%s", files->root, group, name);
    return number_in(path, label);
}

/* The least that the group and those above it leave; files in memory count as free, since they can be dropped. */
static size_t left_in_groups(const group_files *files, char *group, size_t least)
{
    for (;;) {
        size_t limit = number_of(files, group, files->limit, "");
        if (limit > 0) {
            size_t used = number_of(files, group, files->used, "");
            size_t droppable = number_of(files, group, "memory.stat", files->inactive) +
                               number_of(files, group, "memory.stat", files->active);
            used -= droppable < used ? droppable : used;
            size_t left = limit > used ? limit - used : 1;
            least = left < least ? left : least;
        }
        char *slash = strrchr(group, '/');
        if (slash == NULL)
            return least;
        *slash = '\0';
    }
}

static size_t left_by_groups(size_t least)
{
    char line[PATH_BYTES];
    FILE *file = fopen("/proc/self/cgroup", "re");
    while (file != NULL && fgets(line, sizeof line, file) != NULL) {
        line[strcspn(line, "\n")] = '\0';
        char *controllers = strchr(line, ':'), *group = controllers == NULL ? NULL : strchr(controllers + 1, ':');
        if (group == NULL)
            continue;
        *group++ = '\0';
        if (strcmp(group, "/") == 0)
            *group = '\0';
        if (strcmp(controllers + 1, "memory") == 0)
            least = left_in_groups(&version_1, group, least);
        else if (controllers[1] == '\0')
            least = left_in_groups(&version_2, group, least);
    }
    if (file != NULL)
        (void)fclose(file);
    return least;
}

size_t rf_memory_available(void)
{
    size_t kilobytes = number_in("/proc/meminfo", "MemAvailable:");
    if (kilobytes == 0 || kilobytes > SIZE_MAX / 2048)
        return 0;
    size_t swap = number_in("/proc/meminfo", "SwapFree:");
    return left_by_groups((kilobytes + swap) * 1024);
}

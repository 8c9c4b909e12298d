/* depth.c - see depth.h. */
#include "depth.h"

#include <string.h>

#include "cli/commands.h"

depth_settings fuzz_depth_settings(double most_megapixels)
{
    depth_settings settings;
    memcpy(&settings, command_depth.defaults, sizeof settings);
    settings.max_megapixels = most_megapixels;
    return settings;
}

void fuzz_depth_run(const char *path, depth_settings *settings)
{
    rf_error err = {0};
    const char *operands[1] = {path};
    rf_invocation call = {.settings = settings, .arguments = {.operands = operands, .operand_count = 1}};
    fuzz_check_failure(command_depth.run(&call, &err), &err);
}

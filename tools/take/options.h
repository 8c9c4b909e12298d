/* options.h - what the take maker can be asked for. */
#ifndef TAKE_OPTIONS_H
#define TAKE_OPTIONS_H

#include <stddef.h>
#include <stdint.h>

#include "railfold/status.h"

typedef enum take_scene_kind {
    SCENE_PEBBLE,
    SCENE_PLANE,
    SCENE_STAIRS,
    SCENE_GRID,
    SCENE_BRISTLES,
    SCENE_DOME
} take_scene_kind;

typedef enum take_format { FORMAT_JPEG, FORMAT_PNG8, FORMAT_PNG16, FORMAT_TIFF8, FORMAT_TIFF16 } take_format;

typedef enum take_fault_kind {
    FAULT_NONE,
    FAULT_BUMP,            /* one sideways jump of STRENGTH px at FRAME, and it stays */
    FAULT_SHAKE,           /* FRAME is smeared by STRENGTH px along a line */
    FAULT_LAMP,            /* the lamp fades steadily, by the share STRENGTH over the take */
    FAULT_MISSING_STEP,    /* STRENGTH positions are left out before FRAME */
    FAULT_DOUBLE,          /* FRAME is taken twice at the same position, STRENGTH times more */
    FAULT_BACK,            /* the rail goes back by STRENGTH steps at FRAME and on from there */
    FAULT_SETTINGS,        /* exposure time times STRENGTH from FRAME on, in EXIF and pixels */
    FAULT_MOVED,           /* part of the subject lies STRENGTH px elsewhere from FRAME on */
    FAULT_CLIPPED,         /* STRENGTH times the light in the whole take: highlights clip */
    FAULT_UNCOVERED_START, /* the subject begins STRENGTH steps before the first focus plane */
    FAULT_UNCOVERED_END,   /* the subject ends STRENGTH steps behind the last focus plane */
    FAULT_COARSE,          /* steps STRENGTH times as long: fewer frames over the same subject */
    FAULT_FINE             /* steps STRENGTH times shorter: the frames reach only so far */
} take_fault_kind;

typedef struct take_fault {
    take_fault_kind kind;
    double strength;
    int frame; /* -1: the middle of the take */
} take_fault;

typedef struct take_options {
    const char *folder;
    take_scene_kind scene;
    int width, height, frames;
    uint64_t seed;
    take_format format;
    int quality;              /* JPEG, 1..100 */
    double blur_px_per_step;  /* radius of the defocus disc one step off focus */
    double distance_steps;    /* entrance pupil to focus plane */
    double drift_px_per_step; /* steady, sideways */
    double bump_px;           /* standard deviation of each frame's sideways offset, per axis */
    double roll_deg;          /* standard deviation of each frame's roll */
    double flicker;           /* standard deviation of the lamp's gain, as a share */
    double noise;             /* 1 = shot and read noise of a small camera at base sensitivity, 0 = none */
    int hot_pixels, dust_spots;
    int retreat;   /* the rail moves away: far to near */
    int reference; /* frame whose view the truth takes; -1 = middle */
    double mtf_px; /* standard deviation of lens and sensor softness */
    int threads;
    int force; /* overwrite */
    int quiet;
    take_fault fault;
} take_options;

take_options take_options_default(void);

/* Parses the command line. *help is set when only the help text is wanted. RF_ERR_USAGE names the option, the value and
 * what was expected. */
rf_status take_options_parse(take_options *options, int argc, char **argv, int *help, rf_error *err) RF_CHECKED;

void take_options_help(void); /* to stdout */

const char *take_scene_name(take_scene_kind kind);
const char *take_format_name(take_format format);
const char *take_format_ending(take_format format);
int take_format_is_16_bit(take_format format);
const char *take_fault_name(take_fault_kind kind);

#endif

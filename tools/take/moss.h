/* moss.h - tufts of moss on the pebble: leafy shoots, and long stalks with capsules. */
#ifndef TAKE_MOSS_H
#define TAKE_MOSS_H

#include "rock.h"
#include "strand.h"

/* In front of the pebble, and behind its outline. */
rf_status moss_grow(const scene_maker *maker, rock *ground, strand_list *front, strand_list *behind,
                    rf_error *err) RF_CHECKED;

#endif

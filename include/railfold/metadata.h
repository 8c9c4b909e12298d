/* metadata.h - what travels beside the pixels: ICC profile, EXIF, and the few EXIF values railfold itself reads.
 *
 * Source: CIPA DC-008 (Exif 2.32) for tags and value types. */
#ifndef RF_METADATA_H
#define RF_METADATA_H

#include <stddef.h>
#include <stdint.h>

#include "railfold/status.h"

typedef struct rf_metadata {
    uint8_t *icc; /* owned; ICC profile or NULL */
    size_t icc_bytes;
    uint8_t *exif; /* owned; EXIF block as a TIFF stream ("II*\0..." or "MM\0*..."), no "Exif\0\0" head, or NULL */
    size_t exif_bytes;
    int orientation;   /* EXIF 1..8; 1 when absent */
    double exposure_s; /* 0 = unknown, here and below */
    double f_number;
    double iso;
    double focal_length_mm;
    int64_t
        capture_time_ms; /* DateTimeOriginal with SubSecTimeOriginal, as if UTC, ms since 1970; INT64_MIN = unknown */
    char camera[128];    /* "Make Model" ("Model" alone where it repeats the maker), UTF-8, may be empty */
    char software[64];   /* what an output names as its maker; empty (as reading leaves it): "railfold VERSION" */
} rf_metadata;

void rf_metadata_init(rf_metadata *metadata);
void rf_metadata_free(rf_metadata *metadata); /* frees and initialises anew */

/* Takes a copy of an EXIF block (with or without the "Exif\0\0" head) and fills the parsed values. A broken block is
 * kept out and leaves the values unknown: metadata never makes a frame unusable. RF_ERR_MEMORY only. */
rf_status rf_metadata_set_exif(rf_metadata *metadata, const uint8_t *exif, size_t bytes, rf_error *err) RF_CHECKED;
rf_status rf_metadata_set_icc(rf_metadata *metadata, const uint8_t *icc, size_t bytes, rf_error *err) RF_CHECKED;

/* The EXIF block an output carries, freshly built: exposure time, f-number, ISO, focal length, capture time and camera
 * text of `metadata`, the colour space its EXIF names, orientation 1, Software "railfold VERSION". *out from rf_alloc.
 */
rf_status rf_metadata_build_exif(const rf_metadata *metadata, uint8_t **out, size_t *bytes, rf_error *err) RF_CHECKED;

#endif

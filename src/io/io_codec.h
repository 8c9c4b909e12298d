/* io_codec.h - inside src/io: what a format has to offer, and what the formats share.
 *
 * A reading format opens a file (header and metadata only, no pixel memory), then fills a picture of the stored shape;
 * frame_io.c does the rest once for all: limits, buffers, orientation, luma. A writing format gets rows and a file that
 * writer.c has opened and will rename. No codec knows another. */
#ifndef RF_IO_CODEC_H
#define RF_IO_CODEC_H

#include <stdint.h>
#include <stdio.h>

#include "railfold/frame_io.h"

enum { RF_HEAD_BYTES = 16, RF_CODEC_MESSAGE_BYTES = 256, RF_EXIF_TIME_BYTES = 32 };

/* ---- reading ---- */

typedef struct rf_decoder rf_decoder;

typedef struct rf_read_format {
    const char *name; /* "JPEG", "PNG" or "TIFF" */
    int (*knows)(const uint8_t *head, size_t bytes);
    rf_status (*open)(rf_decoder *decoder, rf_error *err);
    /* Fills every pixel of `image`, which has the stored shape and sample type. */
    rf_status (*read)(rf_decoder *decoder, rf_image *image, rf_error *err);
    /* As rf_frame_read_luma, in the stored orientation. NULL: frame_io.c reads the frame and takes its luma. */
    rf_status (*read_luma)(rf_decoder *decoder, int reduce, rf_image *luma, rf_error *err);
    void (*close)(rf_decoder *decoder); /* also after a failed open */
} rf_read_format;

struct rf_decoder {
    const rf_read_format *format; /* NULL when the first bytes are of none */
    const char *path;             /* borrowed, for messages */
    FILE *file;
    int64_t file_bytes;
    rf_file_stamp stamp;
    int takes_float;   /* in: 32-bit float samples are welcome (maps) */
    int width, height; /* as stored, before orientation */
    int channels;      /* 1 or 3, after palette and alpha are dealt with */
    rf_sample sample;
    rf_metadata metadata;
    char *description; /* from rf_alloc, or NULL */
    int is_own_output; /* the Software text starts with "railfold" */
    int is_camera_raw; /* a TIFF container around sensor data: open fails */
    void *state;       /* the format's own */
};

extern const rf_read_format rf_read_jpeg, rf_read_png, rf_read_tiff;

/* Opens the file and looks at its first bytes (format stays NULL when they say nothing). RF_ERR_INPUT when it is
 * missing, closed to us, a folder or empty. Close in every case. */
rf_status rf_decoder_open_file(rf_decoder *decoder, const char *path, rf_error *err) RF_CHECKED;
/* The above, then the format's own open and the limits (NULL: the default ones). */
rf_status rf_decoder_open(rf_decoder *decoder, const char *path, const rf_frame_limits *limits, int takes_float,
                          rf_error *err) RF_CHECKED;
void rf_decoder_close(rf_decoder *decoder);

/* Gives *image the shape asked for; memory is kept when it already has it. */
rf_status rf_image_shape(rf_image *image, int width, int height, int channels, rf_sample sample, const char *path,
                         rf_error *err) RF_CHECKED;

/* Stored picture to upright picture, EXIF orientation 1..8. `upright` has the turned shape and is not `stored`. */
void rf_orient(const rf_image *stored, rf_image *upright, int orientation);
int rf_orientation_swaps_sides(int orientation);
int rf_orientation_mirrors_x(int orientation); /* whether the stored x axis runs backwards in the upright picture */
int rf_orientation_mirrors_y(int orientation);

/* A copy of `text` that ends with NUL even if `bytes` does not include one; stops at the first NUL. */
rf_status rf_text_copy(char **out, const char *text, size_t bytes, rf_error *err) RF_CHECKED;

/* ---- what a file's bytes are ---- */

struct stat;
rf_file_stamp rf_file_stamp_of(const struct stat *about);
/* SHA-256 of an open file from its beginning, its position untouched; `code` is that of a failure. */
rf_status rf_descriptor_digest(int fd, const char *path, rf_status code, char text[RF_SHA256_TEXT_BYTES],
                               rf_error *err) RF_CHECKED;

/* ---- EXIF ---- */

/* Texts that travel from a frame's EXIF block to the output's, and are no part of rf_metadata. */
typedef struct rf_exif_extra {
    char make[64], model[128], software[64];
    char interop[4]; /* "R98" sRGB, "R03" Adobe RGB (DCF 2.0), or empty */
    int color_space; /* EXIF ColorSpace: 1 sRGB, 65535 other; 0 absent */
} rf_exif_extra;

rf_status rf_exif_extra_read(const rf_metadata *metadata, rf_exif_extra *extra, rf_error *err) RF_CHECKED;
rf_status rf_exif_build(const rf_metadata *metadata, const rf_exif_extra *extra, uint8_t **out, size_t *bytes,
                        rf_error *err) RF_CHECKED;
/* "Make Model"; Make is left out where Model repeats it. */
void rf_camera_text(char *out, size_t out_bytes, const char *make, const char *model);
/* Text of `bytes` bytes at most, trimmed, as valid UTF-8. */
void rf_exif_text(char *out, size_t out_bytes, const char *text, size_t bytes);
/* "YYYY:MM:DD HH:MM:SS" and the digits of SubSecTime (may be NULL) to ms since 1970; INT64_MIN when it is no time. */
int64_t rf_exif_time_ms(const char *text, const char *subsecond);
/* The inverse, for years 0 to 9999: 20 characters with NUL, and three digits. */
void rf_exif_time_text(int64_t time_ms, char text[RF_EXIF_TIME_BYTES], char subsecond[4]);
int rf_is_own_software(const char *software);

/* ---- writing ---- */

/* A file that appears under its name only when it is whole. */
typedef struct rf_outfile {
    char *path, *temporary;
    FILE *file;
    int lock; /* descriptor that keeps the temporary from being taken for an orphan */
    int force;
    int named, swapped; /* has its name; the temporary name holds what was replaced */
} rf_outfile;

/* Removes what killed runs left of the same output, and opens a temporary of its own. */
rf_status rf_outfile_open(rf_outfile *out, const char *path, int force, rf_error *err) RF_CHECKED;
/* The failure of a write just made (errno). */
rf_status rf_outfile_short(const rf_outfile *out, rf_error *err);
/* Flush, fsync, close. On failure abort it. */
rf_status rf_outfile_finish(rf_outfile *out, rf_error *err) RF_CHECKED;
/* Gives finished files their names, all or none. The structs are spent either way. */
rf_status rf_outfiles_name(rf_outfile *files, int count, rf_error *err) RF_CHECKED;
/* Finish and leave to the batch. The struct is spent either way. */
rf_status rf_batch_add_outfile(rf_batch *batch, rf_outfile *out, rf_error *err) RF_CHECKED;
/* Finish and name. The struct is spent either way. */
rf_status rf_outfile_commit(rf_outfile *out, rf_error *err) RF_CHECKED;
void rf_outfile_abort(rf_outfile *out);

typedef struct rf_write_format {
    const char *name;
    const char *endings[2]; /* with dot, lower case */
    rf_sample sample;       /* what a picture gets by this ending */
    int holds_u16, holds_f32;
    rf_status (*open)(rf_writer *writer, rf_error *err);
    rf_status (*rows)(rf_writer *writer, const void *data, size_t stride_bytes, int rows, rf_error *err);
    rf_status (*finish)(rf_writer *writer, rf_error *err);
    void (*close)(rf_writer *writer); /* frees the state; also after a failed open */
} rf_write_format;

struct rf_writer {
    const rf_write_format *format;
    rf_outfile out;
    rf_picture_spec spec; /* pointers are good during open only */
    const uint8_t *icc;   /* profile to write, or NULL; good during open only */
    size_t icc_bytes;
    int rows_done;
    void *state;
};

extern const rf_write_format rf_write_jpeg, rf_write_png, rf_write_tiff;

/* All rows are there: the file is finished, under its temporary name. On failure abort it. */
rf_status rf_writer_finish(rf_writer *writer, rf_error *err) RF_CHECKED;

#define RF_SOFTWARE "railfold " RF_VERSION

/* The maker an output names: the metadata's own, or railfold. `metadata` may be NULL. */
const char *rf_software_of(const rf_metadata *metadata);

#endif

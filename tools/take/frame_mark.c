/* frame_mark.c - see frame_mark.h. */
#include "frame_mark.h"

#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <zlib.h>

#include "railfold/memory.h"

static const char SIGNATURE[] = "railfold " RF_VERSION, MARK[] = "take-maker";
enum { SIGNATURE_BYTES = sizeof SIGNATURE - 1, PNG_HEAD_BYTES = 8, PNG_CHUNK_EXTRA_BYTES = 12 };

/* The text stands in the metadata, at the file's beginning or (TIFF) its end; pixels are not searched. */
enum { SEARCHED_BYTES = 32768 };

static void replace_in(uint8_t *bytes, size_t length)
{
    for (size_t i = 0; i + SIGNATURE_BYTES <= length; i++)
        if (memcmp(bytes + i, SIGNATURE, SIGNATURE_BYTES) == 0)
            for (size_t j = 0; j < SIGNATURE_BYTES; j++)
                bytes[i + j] = (uint8_t)(j < sizeof MARK - 1 ? MARK[j] : ' ');
}

static uint32_t big_endian(const uint8_t *at)
{
    return (uint32_t)at[0] << 24 | (uint32_t)at[1] << 16 | (uint32_t)at[2] << 8 | at[3];
}

/* PNG: chunks of length, name, data and a check sum over name and data (ISO/IEC 15948). */
static void replace_in_png(uint8_t *bytes, size_t length)
{
    size_t at = PNG_HEAD_BYTES;
    while (at + PNG_CHUNK_EXTRA_BYTES <= length) {
        size_t data = big_endian(bytes + at);
        if (data > length - at - PNG_CHUNK_EXTRA_BYTES)
            return;
        uint8_t *name = bytes + at + 4, *sum = name + 4 + data;
        if (memcmp(name, "tEXt", 4) == 0 || memcmp(name, "eXIf", 4) == 0) {
            replace_in(name + 4, data);
            uint32_t crc = (uint32_t)crc32(0, name, (uInt)(data + 4));
            for (int i = 0; i < 4; i++)
                sum[i] = (uint8_t)(crc >> (24 - 8 * i));
        }
        at += PNG_CHUNK_EXTRA_BYTES + data;
    }
}

static rf_status replace_in_file(FILE *file, const char *path, rf_error *err)
{
    rf_status status;
    uint8_t *bytes = NULL;
    size_t length;
    if (fseek(file, 0, SEEK_END) != 0 || ftell(file) < 0)
        return rf_fail(err, RF_ERR_OUTPUT, "%s: its length cannot be found", path);
    length = (size_t)ftell(file);
    RF_TRY(rf_alloc_raw(&bytes, length, 1, "a frame's file", err));
    rewind(file);
    int good = fread(bytes, 1, length, file) == length;
    if (good && length > PNG_HEAD_BYTES && memcmp(bytes, "\x89PNG", 4) == 0) {
        replace_in_png(bytes, length);
    } else if (good) {
        size_t part = length < SEARCHED_BYTES ? length : SEARCHED_BYTES;
        replace_in(bytes, part);
        replace_in(bytes + length - part, part);
    }
    rewind(file);
    if (!good || fwrite(bytes, 1, length, file) != length)
        status = rf_fail(err, RF_ERR_OUTPUT, "%s: it cannot be rewritten", path);
done:
    rf_free(bytes);
    return status;
}

rf_status frame_mark(const char *path, rf_error *err)
{
    FILE *file = fopen(path, "r+b");
    if (file == NULL)
        return rf_fail(err, RF_ERR_OUTPUT, "%s: it cannot be opened again", path);
    rf_status status = replace_in_file(file, path, err);
    if (fclose(file) != 0 && status == RF_OK)
        status = rf_fail(err, RF_ERR_OUTPUT, "%s: it cannot be rewritten", path);
    return status;
}

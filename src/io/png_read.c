/* png_read.c - PNG frames through libpng, row by row into the picture. */
#include "io_codec.h"

#include <setjmp.h>
#include <string.h>

#include <png.h>

#include "railfold/memory.h"

enum {
    MOST_SIDE_PX = 0x7FFFFFFF,   /* the format's own limit; ours is checked, and told, by frame_io.c */
    MOST_CHUNK_BYTES = 16 << 20, /* a profile or text larger than this is an attack on memory */
    MOST_CHUNKS = 64,            /* texts and unknown chunks that libpng may keep */
    MOST_BYTES = 128 << 20,      /* what libpng may ask for in all: rows, chunks, texts unpacked */
    MOST_RAW_PER_BYTE = 1032     /* deflate's best ratio (RFC 1951: 258 bytes for two bits) */
};

typedef struct png_reader {
    png_structp png;
    png_infop info;
    jmp_buf escape; /* set anew by each function that calls libpng */
    char message[RF_CODEC_MESSAGE_BYTES];
    size_t taken_bytes; /* asked for so far */
    int out_of_memory;
} png_reader;

/* libpng's own limits are advice to some of its chunk readers: an eXIf chunk is given the length its header claims, up
 * to 2 GB, before one byte of it is read. A refused block is a dropped chunk, or an error where libpng needs it. */
static png_voidp take_memory(png_structp png, png_alloc_size_t bytes)
{
    png_reader *reader = png_get_mem_ptr(png);
    void *block = NULL;
    if (bytes > MOST_CHUNK_BYTES || bytes > MOST_BYTES - reader->taken_bytes)
        return NULL;
    if (rf_alloc_raw(&block, bytes, 1, "the PNG decoder", NULL) != RF_OK)
        reader->out_of_memory = 1;
    else
        reader->taken_bytes += bytes;
    return block;
}

static void give_memory(png_structp png, png_voidp block)
{
    (void)png;
    rf_free(block);
}

_Noreturn static void on_error(png_structp png, png_const_charp text)
{
    png_reader *reader = png_get_error_ptr(png);
    (void)snprintf(reader->message, sizeof reader->message, "%s", text);
    longjmp(reader->escape, 1);
}

/* Warnings concern extras (a profile, a text) that libpng then drops; pixels are covered by errors. What it drops for
 * want of memory (and not because it asks for too much) is an error too. */
static void on_warning(png_structp png, png_const_charp text)
{
    const png_reader *reader = png_get_error_ptr(png);
    if (reader->out_of_memory)
        on_error(png, text);
}

static rf_status fail(const rf_decoder *decoder, rf_error *err)
{
    const png_reader *reader = decoder->state;
    if (ferror(decoder->file)) /* the picture may be whole */
        return rf_fail(err, RF_ERR_INPUT, "%s: the disk or card failed to read it", decoder->path);
    if (reader->out_of_memory)
        return rf_fail(err, RF_ERR_MEMORY, "%s: no memory to decode it (%s)", decoder->path,
                       reader->message[0] != '\0' ? reader->message : "a chunk");
    return rf_fail(err, RF_ERR_INPUT, "%s: damaged or truncated PNG (%s); a whole picture was expected", decoder->path,
                   reader->message);
}

static int knows_png(const uint8_t *head, size_t bytes)
{
    return bytes >= 8 && memcmp(head, "\x89PNG\r\n\x1a\n", 8) == 0;
}

static rf_status take_texts(rf_decoder *decoder, rf_error *err)
{
    rf_status status = RF_OK;
    png_reader *reader = decoder->state;
    png_textp texts = NULL;
    int count = png_get_text(reader->png, reader->info, &texts, NULL);
    for (int i = 0; i < count; i++) {
        if (texts[i].text == NULL)
            continue;
        if (strcmp(texts[i].key, "Software") == 0)
            decoder->is_own_output = rf_is_own_software(texts[i].text);
        if (strcmp(texts[i].key, "Description") == 0 && decoder->description == NULL)
            RF_TRY(rf_text_copy(&decoder->description, texts[i].text, strlen(texts[i].text), err));
    }
done:
    return status;
}

static rf_status take_metadata(rf_decoder *decoder, rf_error *err)
{
    rf_status status = RF_OK;
    png_reader *reader = decoder->state;
    png_charp name = NULL;
    png_bytep data = NULL;
    png_uint_32 bytes = 0;
    int compression = 0;
    if (png_get_iCCP(reader->png, reader->info, &name, &compression, &data, &bytes) == PNG_INFO_iCCP)
        RF_TRY(rf_metadata_set_icc(&decoder->metadata, data, bytes, err));
    if (png_get_eXIf_1(reader->png, reader->info, &bytes, &data) == PNG_INFO_eXIf)
        RF_TRY(rf_metadata_set_exif(&decoder->metadata, data, bytes, err));
    RF_TRY(take_texts(decoder, err));
done:
    return status;
}

/* Everything to 8 or 16 bits of grey or RGB; transparency is dropped, not blended. */
static void set_transforms(png_structp png, int color, int depth)
{
    if (color == PNG_COLOR_TYPE_PALETTE)
        png_set_palette_to_rgb(png);
    if (color == PNG_COLOR_TYPE_GRAY && depth < 8)
        png_set_expand_gray_1_2_4_to_8(png);
    png_set_strip_alpha(png);
    const uint16_t one = 1;
    if (depth == 16 && *(const uint8_t *)&one == 1)
        png_set_swap(png);
    (void)png_set_interlace_handling(png);
}

static rf_status check_header(rf_decoder *decoder, rf_error *err)
{
    png_reader *reader = decoder->state;
    png_uint_32 width = 0, height = 0;
    int depth = 0, color = 0;
    (void)png_get_IHDR(reader->png, reader->info, &width, &height, &depth, &color, NULL, NULL, NULL);
    double raw_bytes = (double)png_get_rowbytes(reader->png, reader->info) * (double)height;
    if (raw_bytes / MOST_RAW_PER_BYTE > (double)decoder->file_bytes)
        return rf_fail(err, RF_ERR_INPUT, "%s: claims %u x %u pixels in %lld bytes; at least %.0f bytes were expected",
                       decoder->path, width, height, (long long)decoder->file_bytes, raw_bytes / MOST_RAW_PER_BYTE);
    decoder->width = (int)width;
    decoder->height = (int)height;
    decoder->channels = (color & PNG_COLOR_MASK_COLOR) != 0 ? 3 : 1;
    decoder->sample = depth == 16 ? RF_U16 : RF_U8;
    set_transforms(reader->png, color, depth);
    return RF_OK;
}

static rf_status open_png(rf_decoder *decoder, rf_error *err)
{
    png_reader *reader = NULL;
    rf_status status = rf_alloc(&reader, 1, sizeof *reader, "the PNG decoder", err);
    if (status != RF_OK)
        return status;
    decoder->state = reader;
    if (setjmp(reader->escape) != 0)
        return fail(decoder, err);
    reader->png =
        png_create_read_struct_2(PNG_LIBPNG_VER_STRING, reader, on_error, on_warning, reader, take_memory, give_memory);
    if (reader->png != NULL)
        reader->info = png_create_info_struct(reader->png);
    if (reader->info == NULL)
        return rf_fail(err, RF_ERR_MEMORY, "%s: no memory to decode it", decoder->path);
    png_set_user_limits(reader->png, MOST_SIDE_PX, MOST_SIDE_PX);
    png_set_chunk_malloc_max(reader->png, MOST_CHUNK_BYTES);
    png_set_chunk_cache_max(reader->png, MOST_CHUNKS);
    png_init_io(reader->png, decoder->file);
    png_read_info(reader->png, reader->info);
    if (reader->out_of_memory) /* a chunk was dropped for want of memory, not for its size */
        return fail(decoder, err);
    status = check_header(decoder, err);
    return status == RF_OK ? take_metadata(decoder, err) : status;
}

static rf_status read_png(rf_decoder *decoder, rf_image *image, rf_error *err)
{
    png_reader *reader = decoder->state;
    if (setjmp(reader->escape) != 0)
        return fail(decoder, err);
    png_read_update_info(reader->png, reader->info);
    size_t row_bytes = (size_t)image->width * (size_t)image->channels * rf_sample_bytes(image->sample);
    if (png_get_rowbytes(reader->png, reader->info) != row_bytes)
        return rf_fail(err, RF_ERR_INTERNAL, "%s: PNG rows of %zu bytes; %zu were expected", decoder->path,
                       png_get_rowbytes(reader->png, reader->info), row_bytes);
    int passes =
        png_get_interlace_type(reader->png, reader->info) == PNG_INTERLACE_ADAM7 ? PNG_INTERLACE_ADAM7_PASSES : 1;
    for (int pass = 0; pass < passes; pass++)
        for (int y = 0; y < image->height; y++)
            png_read_row(reader->png, rf_image_row(image, y), NULL);
    png_read_end(reader->png, NULL); /* a cut after the last row is found here */
    return reader->out_of_memory ? fail(decoder, err) : RF_OK;
}

static void close_png(rf_decoder *decoder)
{
    png_reader *reader = decoder->state;
    if (reader == NULL)
        return;
    if (reader->png != NULL)
        png_destroy_read_struct(&reader->png, &reader->info, NULL);
    rf_free(reader);
    decoder->state = NULL;
}

const rf_read_format rf_read_png = {
    .name = "PNG",
    .knows = knows_png,
    .open = open_png,
    .read = read_png,
    .close = close_png,
};

/* tiff_pack.c - strips of a TIFF, differenced and deflated side by side.
 *
 * The low byte of 16 bits of a photograph is noise, of which deflate saves a seventh for more time than the rest of the
 * writing takes: a strip whose beginning saves less than two fifths (a fifth of 8 bits) goes in as stored blocks of the
 * same format. Level 1: of a map of 24 megapixels, rounded as it is written, 34 MB in .44 s of one core where level 2
 * takes .59 s for 28 MB; for pictures level 6 saves 2 percent at 8 bits for twice the time. */
#include "tiff_io.h"

#include <string.h>

#include <libdeflate.h>

#include "railfold/memory.h"

enum { STRIP_BYTES = 256 << 10, STRIPS = RF_TIFF_STRIPS, STRIPS_ALONE = 4, SAMPLE_BYTES = 8 << 10, LEVEL = 1 };
/* Of the size: packed sizes above it are not worth the time. Noise of 16 bits packs to two thirds even in dark ground.
 */
static const double WORTH = 0.8, WORTH_16 = 0.6;

struct tiff_pack {
    rf_pool *pool;
    rf_sample sample;
    size_t channels, row_bytes, room; /* room: bytes a packed strip may take */
    int rows_per_strip, rows;         /* rows: taken in since the last round */
    char *raw, *packed;               /* packed: of the last two rounds, in turns */
    size_t size[2 * STRIPS];          /* of the packed strips; 0: the compressor failed */
    int strips;                       /* of a round; one thread alone needs few */
    int turn;                         /* 0 or strips: where the last round's begin */
    struct libdeflate_compressor **tight, *stored;
    int threads;
};

int tiff_pack_rows_per_strip(const tiff_pack *pack)
{
    return pack->rows_per_strip;
}

rf_status tiff_pack_create(tiff_pack **out, const rf_picture_spec *spec, rf_error *err)
{
    rf_status status;
    tiff_pack *pack = NULL;
    RF_TRY(rf_alloc(&pack, 1, sizeof *pack, "the TIFF writer", err));
    *pack = (tiff_pack){.pool = spec->pool, .sample = spec->sample, .channels = (size_t)spec->channels};
    pack->row_bytes = (size_t)spec->width * pack->channels * rf_sample_bytes(spec->sample);
    pack->rows_per_strip = (int)((STRIP_BYTES + pack->row_bytes - 1) / pack->row_bytes);
    if (pack->rows_per_strip > spec->height)
        pack->rows_per_strip = spec->height;
    size_t strip_bytes = (size_t)pack->rows_per_strip * pack->row_bytes;
    pack->room = libdeflate_zlib_compress_bound(NULL, strip_bytes);
    pack->threads = rf_pool_threads(spec->pool);
    pack->strips = pack->threads > 1 ? STRIPS : STRIPS_ALONE;
    RF_TRY(rf_alloc_raw(&pack->raw, (size_t)pack->strips, strip_bytes, "TIFF strips", err));
    RF_TRY(rf_alloc_raw(&pack->packed, 2 * (size_t)pack->strips, pack->room, "TIFF strips", err));
    RF_TRY(rf_alloc(&pack->tight, (size_t)pack->threads, sizeof *pack->tight, "the TIFF writer", err));
    pack->stored = libdeflate_alloc_compressor(0);
    int made = pack->stored != NULL;
    for (int i = 0; i < pack->threads && made; i++) {
        pack->tight[i] = libdeflate_alloc_compressor(LEVEL);
        made = pack->tight[i] != NULL;
    }
    if (!made)
        RF_TRY(rf_fail(err, RF_ERR_MEMORY, "no memory to pack TIFF strips"));
    *out = pack;
    return RF_OK;
done:
    tiff_pack_destroy(&pack);
    return status;
}

void tiff_pack_destroy(tiff_pack **pack_at)
{
    tiff_pack *pack = *pack_at;
    if (pack == NULL)
        return;
    for (int i = 0; pack->tight != NULL && i < pack->threads; i++)
        if (pack->tight[i] != NULL)
            libdeflate_free_compressor(pack->tight[i]);
    if (pack->stored != NULL)
        libdeflate_free_compressor(pack->stored);
    rf_free(pack->tight);
    rf_free(pack->raw);
    rf_free(pack->packed);
    rf_free(pack);
    *pack_at = NULL;
}

/* Horizontal differences (TIFF 6.0, section 14), from the right so that they can be made in place. */
static void difference_row(void *row, rf_sample sample, size_t samples, size_t channels)
{
    if (sample == RF_U8)
        for (uint8_t *p = row, *at = p + samples; at-- > p + channels;)
            *at = (uint8_t)(*at - at[-(ptrdiff_t)channels]);
    else
        for (uint16_t *p = row, *at = p + samples; at-- > p + channels;)
            *at = (uint16_t)(*at - at[-(ptrdiff_t)channels]);
}

static void pack_strips(void *arg, int begin, int end, int block, int thread)
{
    tiff_pack *pack = arg;
    (void)block;
    size_t whole = (size_t)pack->rows_per_strip;
    double worth = pack->sample == RF_U16 ? WORTH_16 : WORTH;
    for (int i = begin; i < end; i++) {
        size_t first = (size_t)i * whole,
               rows = (size_t)pack->rows - first < whole ? (size_t)pack->rows - first : whole;
        size_t bytes = rows * pack->row_bytes, sample = bytes < SAMPLE_BYTES ? bytes : SAMPLE_BYTES;
        size_t to = (size_t)pack->turn + (size_t)i;
        char *raw = pack->raw + first * pack->row_bytes, *packed = pack->packed + to * pack->room;
        for (size_t y = 0; y < rows && pack->sample != RF_F32; y++)
            difference_row(raw + y * pack->row_bytes, pack->sample, pack->row_bytes / rf_sample_bytes(pack->sample),
                           pack->channels);
        struct libdeflate_compressor *by = pack->tight[thread];
        if ((double)libdeflate_zlib_compress(by, raw, sample, packed, pack->room) > worth * (double)sample)
            by = pack->stored;
        pack->size[to] = libdeflate_zlib_compress(by, raw, bytes, packed, pack->room);
    }
}

void tiff_pack_take(tiff_pack *pack, const void *row)
{
    memcpy(pack->raw + (size_t)pack->rows * pack->row_bytes, row, pack->row_bytes);
    pack->rows++;
}

int tiff_pack_is_full(const tiff_pack *pack)
{
    return pack->rows == pack->strips * pack->rows_per_strip;
}

int tiff_pack_run(tiff_pack *pack)
{
    int strips = rf_pool_blocks(pack->rows, pack->rows_per_strip);
    pack->turn = pack->strips - pack->turn;
    rf_pool_rows(pack->pool, strips, 1, pack_strips, pack);
    pack->rows = 0;
    return strips;
}

void *tiff_pack_strip(const tiff_pack *pack, int i, size_t *bytes)
{
    size_t at = (size_t)pack->turn + (size_t)i;
    *bytes = pack->size[at];
    return pack->packed + at * pack->room;
}

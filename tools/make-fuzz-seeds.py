#!/usr/bin/python3
"""make-fuzz-seeds.py - writes the seeds of testdata/fuzz/ anew: tools/make-fuzz-seeds.py testdata/fuzz. Needs numpy and Pillow.

Small files, one feature of a format each, whole and damaged; tools/fuzz.sh starts from them. Inputs named found-* are
what fuzzing has found and are left alone."""
import io, os, struct, sys, zlib
import numpy as np
from PIL import Image, ImageCms, PngImagePlugin

root = sys.argv[1]
rng = np.random.default_rng(11)
y, x = np.mgrid[0:17, 0:23]
colour = np.clip(np.dstack([140 + 60 * np.sin(x / 3), 120 + 60 * np.cos(y / 2), 90 + 3 * x]) + rng.normal(0, 8, (17, 23, 3)), 0, 255).astype(np.uint8)
grey = colour[..., 1].copy()


def seed(kind, name, data):
    os.makedirs(f'{root}/{kind}', exist_ok=True)
    with open(f'{root}/{kind}/{name}', 'wb') as f:
        f.write(data)


def encoded(picture, form, mode=None, **options):
    out = io.BytesIO()
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    (image.convert(mode) if mode else image).save(out, form, **options)
    return out.getvalue()


# ---- EXIF blocks, profiles ----

def exif(order, orientation=1, make=b'Bellows\0', model=b'Bellows One\0', software=b'a raw converter\0', iso_format=3, extra=()):
    """A TIFF stream with two directories; `extra` are (tag, type, count, 4 bytes) of the EXIF directory."""
    e = '<' if order == 'II' else '>'
    heap, entries0, entries1 = [], [], []
    ratios = [(0x829A, (1, 125)), (0x829D, (56, 10)), (0x920A, (100, 1))]
    count0, count1 = 5, 5 + len(ratios) - 1 + len(extra)
    at0, at1 = 8, 8 + 2 + 12 * count0 + 4
    heap_at = at1 + 2 + 12 * count1 + 4

    def put(data):
        offset = heap_at + sum(map(len, heap))
        heap.append(data + b'\0' * (len(data) % 2))
        return struct.pack(e + 'I', offset)

    def text(tag, data):
        return struct.pack(e + 'HHI', tag, 2, len(data)) + (put(data) if len(data) > 4 else data.ljust(4, b'\0'))

    entries0 = [text(0x010F, make), text(0x0110, model), struct.pack(e + 'HHIHH', 0x0112, 3, 1, orientation, 0), text(0x0131, software),
                struct.pack(e + 'HHII', 0x8769, 4, 1, at1)]
    entries1 = [struct.pack(e + 'HHI', tag, 5, 1) + put(struct.pack(e + 'II', *value)) for tag, value in ratios[:2]]
    entries1 += [struct.pack(e + 'HHI', 0x8827, iso_format, 1) + (struct.pack(e + 'HH', 200, 0) if iso_format == 3 else struct.pack(e + 'I', 200))]
    entries1 += [text(0x9003, b'2026:03:01 10:20:30\0'), struct.pack(e + 'HHI', 0x920A, 5, 1) + put(struct.pack(e + 'II', 100, 1)), text(0x9291, b'25\0')]
    entries1 += [struct.pack(e + 'HHI', tag, kind, count) + value for tag, kind, count, value in extra]
    count1 = len(entries1)
    head = (b'II*\0' if order == 'II' else b'MM\0*') + struct.pack(e + 'I', at0)
    body = struct.pack(e + 'H', count0) + b''.join(entries0) + struct.pack(e + 'I', 0)
    body += struct.pack(e + 'H', count1) + b''.join(entries1) + struct.pack(e + 'I', 0)
    return head + body + b'\0' * (heap_at - len(head) - len(body)) + b''.join(heap)


icc = ImageCms.ImageCmsProfile(ImageCms.createProfile('sRGB')).tobytes()
icc = icc[:24] + b'\x07\xea\0\1\0\1' + b'\0' * 6 + icc[36:84] + b'\0' * 16 + icc[100:]  # no date, no sum over it
little, big = exif('II'), exif('MM', orientation=6)
blocks = {'little': little, 'big-turned': big, 'cut': little[:60], 'long-iso': exif('II', iso_format=4), 'head': b'Exif\0\0' + big, 'empty': b'',
          'loop': b'II*\0\x08\0\0\0\x01\0\x69\x87\x04\0\x01\0\0\0\x08\0\0\0\x08\0\0\0', 'model-only': exif('MM', make=b'\0', model=b'X\0'),
          'control': exif('II', make=b'\xff\xfe\x01moss\xc3\x28\0'), 'zero-ratio': exif('II').replace(struct.pack('<II', 1, 125), struct.pack('<II', 1, 0)),
          'colour-space': exif('II', extra=[(0xA001, 3, 1, b'\x01\0\0\0')])}
for name, block in blocks.items():
    seed('metadata', name, struct.pack('>H', len(block)) + block)
seed('metadata', 'profile', struct.pack('>H', len(little)) + little + icc)
seed('metadata', 'grey-profile', struct.pack('>H', 0) + icc[:16] + b'GRAY' + icc[20:200])
seed('metadata', 'short-profile', struct.pack('>H', 0) + icc[:130])

# ---- JPEG ----

baseline = encoded(colour, 'JPEG', quality=80)
for name, data in {
        'colour-420': baseline, 'colour-444': encoded(colour, 'JPEG', quality=90, subsampling=0), 'colour-422': encoded(colour, 'JPEG', subsampling=1),
        'grey': encoded(grey, 'JPEG'), 'progressive': encoded(colour, 'JPEG', progressive=True), 'progressive-grey': encoded(grey, 'JPEG', progressive=True),
        'cmyk': encoded(colour, 'JPEG', 'CMYK'), 'one-pixel': encoded(grey[:1, :1], 'JPEG'), 'optimised': encoded(colour, 'JPEG', optimize=True),
        'profile': encoded(colour, 'JPEG', icc_profile=icc), 'comment': encoded(grey, 'JPEG', comment=b'railfold map: kind=depth unit=mm'),
        'cut': baseline[:len(baseline) * 2 // 3], 'padded': baseline[:-2] + b'\0' * 12 + b'\xff\xd9', 'tail': baseline + b'moss' * 20,
        'no-end': baseline[:-2], 'head-only': baseline[:200], 'wide': encoded(np.tile(grey[:2], (1, 12)), 'JPEG')}.items():
    seed('jpeg', name, data)
for orientation in range(2, 9):
    block = b'Exif\0\0' + exif('II' if orientation % 2 else 'MM', orientation, software=b'railfold 0\0' if orientation == 4 else b'a raw converter\0')
    seed('jpeg', f'orientation-{orientation}', encoded(colour if orientation % 2 else grey, 'JPEG', exif=block))
at = baseline.index(b'\xff\xc0')
seed('jpeg', 'claims-60000', baseline[:at + 5] + struct.pack('>HH', 60000, 60000) + baseline[at + 9:])
seed('jpeg', 'claims-nothing', baseline[:at + 5] + struct.pack('>HH', 0, 0) + baseline[at + 9:])
seed('jpeg', 'restart', baseline[:at] + b'\xff\xdd\0\x04\0\x01' + baseline[at:])

# ---- PNG ----


def chunk(kind, data):
    return struct.pack('>I', len(data)) + kind + data + struct.pack('>I', zlib.crc32(kind + data))


def png(samples, colour_type, depth, before=b'', interlaced=False, after=b'', size=None):
    """`samples`: rows x columns x channels of whole numbers."""
    height, width, channels = samples.shape

    def rows(part):
        out = b''
        for row in part:
            flat = row.reshape(-1)
            if depth == 16:
                data = flat.astype('>u2').tobytes()
            elif depth == 8:
                data = flat.astype(np.uint8).tobytes()
            else:
                bits = ''.join(format(int(v), f'0{depth}b') for v in flat)
                bits += '0' * (-len(bits) % 8)
                data = int(bits, 2).to_bytes(len(bits) // 8, 'big')
            out += b'\0' + data
        return out
    if interlaced:  # Adam7, PNG specification, 8.2
        passes = [(0, 0, 8, 8), (0, 4, 8, 8), (4, 0, 8, 4), (0, 2, 4, 4), (2, 0, 4, 2), (0, 1, 2, 2), (1, 0, 2, 1)]
        raw = b''.join(rows(samples[r::dr, c::dc]) for r, c, dr, dc in passes if samples[r::dr, c::dc].size)
    else:
        raw = rows(samples)
    w, h = size or (width, height)
    return (b'\x89PNG\r\n\x1a\n' + chunk(b'IHDR', struct.pack('>IIBBBBB', w, h, depth, colour_type, 0, 0, int(interlaced))) + before +
            chunk(b'IDAT', zlib.compress(raw, 9)) + after + chunk(b'IEND', b''))


c8, g8 = colour.astype(int), grey[..., None].astype(int)
alpha = (255 - g8)
palette = chunk(b'PLTE', bytes(range(48)) * 16)
plain = png(g8, 0, 8)
for name, data in {
        'grey-1': png(g8 >> 7, 0, 1), 'grey-2': png(g8 >> 6, 0, 2), 'grey-4': png(g8 >> 4, 0, 4), 'grey-8': plain, 'grey-16': png(g8 * 257, 0, 16),
        'colour-8': png(c8, 2, 8), 'colour-16': png(c8 * 257, 2, 16), 'palette-8': png(g8, 3, 8, palette), 'palette-4': png(g8 >> 4, 3, 4, palette[:4] and chunk(b'PLTE', bytes(range(48)))),
        'palette-1': png(g8 >> 7, 3, 1, chunk(b'PLTE', b'moss!!') + chunk(b'tRNS', b'\x40\x80')), 'grey-alpha': png(np.dstack([g8, alpha]), 4, 8), 'colour-alpha-16': png(np.dstack([c8, alpha]) * 257, 6, 16),
        'adam7': png(c8, 2, 8, interlaced=True), 'adam7-16': png(g8 * 257, 0, 16, interlaced=True), 'adam7-tiny': png(g8[:1, :1], 0, 8, interlaced=True),
        'grey-key': png(g8, 0, 8, chunk(b'tRNS', b'\0\x80')), 'profile': png(c8, 2, 8, chunk(b'iCCP', b'srgb\0\0' + zlib.compress(icc))),
        'exif': png(c8, 2, 8, chunk(b'eXIf', big)), 'exif-end': png(g8, 0, 8, after=chunk(b'eXIf', exif('II', 5))),
        'texts': png(g8, 0, 8, chunk(b'tEXt', b'Software\0railfold 0') + chunk(b'tEXt', b'Description\0railfold map: kind=depth') + chunk(b'iTXt', b'Title\0\0\0en\0Moos\0moss') + chunk(b'zTXt', b'Comment\0\0' + zlib.compress(b'moss ' * 50))),
        'gamma': png(g8, 0, 8, chunk(b'gAMA', struct.pack('>I', 45455)) + chunk(b'sRGB', b'\0') + chunk(b'pHYs', struct.pack('>IIB', 2835, 2835, 1)) + chunk(b'sBIT', b'\x05')),
        'cut': plain[:len(plain) // 2], 'wrong-sum': plain[:60] + bytes([plain[60] ^ 1]) + plain[61:], 'claims-60000': png(g8, 0, 8, size=(60000, 60000)),
        'claims-more-rows': png(g8, 0, 8, size=(23, 18)), 'claims-nothing': png(g8, 0, 8, size=(0, 17)), 'unknown-chunk': png(g8, 0, 8, chunk(b'rfLd', b'pebble')),
        'no-data': b'\x89PNG\r\n\x1a\n' + chunk(b'IHDR', struct.pack('>IIBBBBB', 4, 4, 8, 0, 0, 0, 0)) + chunk(b'IEND', b'')}.items():
    seed('png', name, data)

# ---- TIFF ----


def packbits(data):
    return b''.join(struct.pack('b', len(data[i:i + 100]) - 1) + data[i:i + 100] for i in range(0, len(data), 100))


def tiff(samples, order='II', large=False, photometric=None, compression=1, planar=1, rows_per_strip=5, tile=None, tags=(), claims=None, sub=None, kind=None, shift=0):
    """Samples rows x columns x channels, uint8, uint16 or float32. `tags` are (tag, type, values or bytes)."""
    e = '<' if order == 'II' else '>'
    height, width, channels = samples.shape
    data = samples.astype(samples.dtype.newbyteorder(e))
    pack = {1: lambda d: d, 8: lambda d: zlib.compress(d, 9), 32946: lambda d: zlib.compress(d, 9), 32773: packbits, 5: lambda d: d}[compression]
    planes = [data] if planar == 1 else [data[..., c:c + 1] for c in range(channels)]
    blocks = []
    for plane in planes:
        if tile:
            tw, th = tile
            padded = np.zeros((-(-height // th) * th, -(-width // tw) * tw, plane.shape[2]), plane.dtype)
            padded[:height, :width] = plane
            blocks += [pack(padded[r:r + th, c:c + tw].tobytes()) for r in range(0, padded.shape[0], th) for c in range(0, padded.shape[1], tw)]
        else:
            blocks += [pack(plane[r:r + rows_per_strip].tobytes()) for r in range(0, height, rows_per_strip)]
    size = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 11: 4, 12: 8, 13: 4, 16: 8, 18: 8}
    code = {3: 'H', 4: 'I', 11: 'f', 12: 'd', 13: 'I', 16: 'Q', 18: 'Q'}
    bits = samples.dtype.itemsize * 8
    out = bytearray((b'II' if order == 'II' else b'MM') + (struct.pack(e + 'HHHQ', 43, 8, 0, 0) if large else struct.pack(e + 'HI', 42, 0)))
    offsets = []
    for block in blocks:
        offsets.append(len(out) + shift)
        out += block
        out += b'\0' * (len(out) % 2)
    w, h = claims or (width, height)
    entries = {256: (4, [w]), 257: (4, [h]), 258: (3, [bits] * channels), 259: (3, [compression]),
               262: (3, [(2 if channels >= 3 else 1) if photometric is None else photometric]), 277: (3, [channels]), 284: (3, [planar]),
               339: (3, [kind or (3 if samples.dtype == np.float32 else 1)] * channels)}
    if tile:
        entries.update({322: (3, [tile[0]]), 323: (3, [tile[1]]), 324: (16 if large else 4, offsets), 325: (4, [len(b) for b in blocks])})
    else:
        entries.update({278: (4, [rows_per_strip]), 273: (16 if large else 4, offsets), 279: (4, [len(b) for b in blocks])})
    entries.update({tag: (t, v) for tag, t, v in tags})

    def directory(entries):
        inline = 8 if large else 4
        body = b''
        for tag in sorted(entries):
            t, values = entries[tag]
            raw = values if isinstance(values, bytes) else struct.pack(e + code[t] * len(values), *values) if t != 5 else struct.pack(e + 'II' * (len(values) // 2), *values)
            count = len(raw) // size[t]
            if len(raw) > inline:
                at = len(out)
                out.extend(raw + b'\0' * (len(raw) % 2))
                raw = struct.pack(e + ('Q' if large else 'I'), at)
            body += struct.pack(e + ('HHQ' if large else 'HHI'), tag, t, count) + raw.ljust(inline, b'\0')
        at = len(out)
        out.extend(struct.pack(e + ('Q' if large else 'H'), len(entries)) + body + b'\0' * inline)
        return at
    if sub is not None:
        entries[34665] = (16 if large else 4, [directory(sub)])
    first = directory(entries)
    out[8 if large else 4:(16 if large else 8)] = struct.pack(e + ('Q' if large else 'I'), first)
    return bytes(out)


c16, g1 = colour.astype(np.uint16) * 257, grey[..., None]
photo = {0x829A: (5, [1, 125]), 0x829D: (5, [56, 10]), 0x8827: (3, [200]), 0x9003: (2, b'2026:03:01 10:20:30\0'), 0x9291: (2, b'25\0'), 0x920A: (5, [100, 1]), 0xA001: (3, [1])}
ramp = [v * 257 for v in range(256)]
names = [(271, 2, b'Bellows\0'), (272, 2, b'Bellows One\0'), (305, 2, b'railfold 0\0'), (270, 2, b'railfold map: kind=depth unit=mm\0')]
strips = tiff(colour)
for name, data in {
        'strips': strips, 'strips-big-endian-16': tiff(c16, 'MM'), 'strips-little-16': tiff(c16), 'one-strip': tiff(g1, rows_per_strip=17), 'planar': tiff(colour, planar=2), 'planar-16-deflate': tiff(c16, 'MM', planar=2, compression=8),
        'deflate': tiff(colour, compression=8), 'old-deflate': tiff(g1, compression=32946), 'packbits': tiff(colour, compression=32773), 'tiles': tiff(colour, tile=(16, 16)),
        'tiles-deflate-16': tiff(c16, tile=(16, 16), compression=8), 'tiles-planar': tiff(colour, 'MM', tile=(16, 16), planar=2), 'bigtiff': tiff(colour, large=True), 'bigtiff-mm': tiff(c16, 'MM', large=True, tile=(16, 16)),
        'inverted': tiff(g1, photometric=0), 'inverted-16': tiff(g1.astype(np.uint16) * 257, photometric=0), 'palette': tiff(g1, photometric=3, tags=[(320, 3, ramp * 3)]), 'palette-8-bit': tiff(g1, photometric=3, tags=[(320, 3, list(range(256)) * 3)]),
        'alpha': tiff(np.dstack([colour, grey]), tags=[(338, 3, [1])]), 'grey-alpha-planar': tiff(np.dstack([grey, grey]), planar=2, photometric=1, tags=[(338, 3, [0])]), 'cmyk': tiff(np.dstack([colour, grey]), photometric=5),
        'float': tiff(g1.astype(np.float32)), 'signed': tiff(g1, kind=2), 'predictor': encoded(colour, 'TIFF', compression='tiff_lzw', tiffinfo={317: 2}), 'lzw': encoded(colour, 'TIFF', compression='tiff_lzw'),
        'exif': tiff(colour, sub=photo, tags=names), 'exif-mm': tiff(colour, 'MM', sub=photo, tags=names + [(274, 3, [6])]), 'exif-lost': tiff(g1, tags=[(34665, 4, [0xFFFFFFF0])]), 'orientation-8': tiff(c16, tags=[(274, 3, [8])]),
        'profile': tiff(colour, tags=[(34675, 7, icc)]), 'reverse-bits': tiff(g1, tags=[(266, 3, [2])]), 'raw-dng': tiff(g1, tags=[(50706, 1, b'\1\4\0\0')]), 'raw-mosaic': tiff(g1, photometric=32803), 'preview': tiff(g1, tags=[(254, 4, [1])]),
        'cut': strips[:len(strips) // 2], 'claims-60000': tiff(g1, claims=(60000, 60000)), 'claims-60000-deflate': tiff(g1, claims=(60000, 60000), compression=8), 'claims-nothing': tiff(g1, claims=(0, 17)), 'offsets-beyond': tiff(g1, shift=1 << 20),
        'jpeg-inside': tiff(g1, tags=[(259, 3, [7])]), 'huge-tile': tiff(g1, tile=(16, 16), tags=[(322, 4, [1 << 20]), (323, 4, [1 << 20])]), 'wide-tile-of-16-samples': tiff(np.dstack([g1] * 16)[:4].astype(np.uint16), photometric=1, tile=(16, 16), tags=[(322, 4, [2048]), (323, 4, [2048])]), 'no-rows': tiff(g1, tags=[(278, 4, [0])]), 'head-only': b'II*\0\x08\0\0\0',
        'loop': b'II*\0\x08\0\0\0' + b'\0\0' + struct.pack('<I', 8)}.items():
    seed('tiff', name, data)

# ---- depth maps ----

depth = (4 + 3 * np.sin(x / 5.0) + 0.02 * y).astype(np.float32)[..., None]
line = (b'railfold map: kind=%s unit=%s value=offset+scale*sample offset=0.5 scale=%s step_mm=0.05 pixel_mm=0.0012 frames=9 '
        b'direction=nearer zero=focus plane of frame 0, growing with the take order\0')


def map_text(kind=b'depth', unit=b'frame', scale=b'1'):
    return line % (kind, unit, scale)


holes = depth.copy()
holes[3:9, 4:11] = np.nan
wild = depth.copy()
wild[::4, ::3] = 3e38
wild[1::4, ::5] = -np.inf
text = [(270, 2, map_text())]
for name, data in {
        'float': tiff(depth, tags=text), 'float-mm': tiff(depth, 'MM', tags=[(270, 2, map_text(unit=b'mm'))]), 'float-deflate': tiff(depth, compression=8, tags=text), 'holes': tiff(holes, tags=text), 'wild': tiff(wild, tags=text), 'nothing-known': tiff(depth * np.float32(np.nan), tags=text),
        'tiny': tiff(depth * np.float32(1e-30), tags=[(270, 2, map_text().replace(b'offset=0.5', b'offset=0.0'))]), 'far': tiff(depth + np.float32(9e8), tags=text), 'unsaid': tiff(depth), 'unsaid-wild': tiff(wild), 'confidence': tiff(np.clip(depth / 8, 0, 1), tags=[(270, 2, map_text(b'confidence', b'one'))]), 'sigma': tiff(depth / 50, tags=[(270, 2, map_text(b'sigma'))]),
        'png-16': png(g8 * 257, 0, 16, chunk(b'tEXt', b'Description\0' + map_text(scale=b'1e-4')[:-1])), 'png-8': png(g8, 0, 8, chunk(b'tEXt', b'Description\0' + map_text()[:-1])), 'png-unsaid': plain,
        'scale-zero': tiff(depth, tags=[(270, 2, map_text(scale=b'0'))]), 'scale-wild': tiff(depth, tags=[(270, 2, map_text(scale=b'1e308'))]), 'one-row': tiff(depth[:1], tags=text), 'one-pixel': tiff(depth[:1, :1], tags=text), 'colour': strips, 'jpeg': encoded(grey, 'JPEG')}.items():
    seed('map', name, data)
    for style in range(8):
        if name in ('float', 'holes', 'float-mm', 'wild', 'unsaid', 'unsaid-wild', 'tiny', 'far'):
            seed('views', f'{name}-{style}', data + bytes([style]))
for kind in (b'depth', b'confidence', b'sigma'):
    for unit in (b'mm', b'frame', b'one'):
        seed('map_text', f'{kind.decode()}-{unit.decode()}', map_text(kind, unit)[:-1])
seed('map_text', 'levelled', map_text()[:-1].replace(b'focus plane of frame 0', b'plane laid through the map'))
seed('map_text', 'wild', b'railfold map: kind=depth offset=-1e999 scale=0x1p3 step_mm=-1 pixel_mm=nan frames=1e9 direction= zero=')
seed('map_text', 'between-floats', b'railfold map: kind=depth offset=2333333333333333333333Z3e999 step_mm= pixel_mm=nan direction= zero=')
seed('map_text', 'another', b'a pebble with moss')

# ---- texts ----

seed('list', 'lines', b'/dev/null\n/etc/passwd\r\n\n/proc/self/status\n')
seed('list', 'marked', b'\xef\xbb\xbf/etc/passwd\n')
seed('list', 'nul', b'/etc/passwd\0/etc/group\0')
seed('list', 'numbers', b'\n'.join(b'/etc/../etc/' * n + b'passwd' for n in range(6)))
seed('list', 'missing', b'moss-10.jpg\nmoss-9.jpg\n')
seed('list', 'long', b'm' * 5000 + b'\n')
seed('list', 'raw', b'pebble.cr2\n')
seed('list', 'empty', b'')

commands = ['merge', 'check', 'takes', 'plan', 'depth']
lines = [('merge', 'pebble -o pebble.tif --depth=d.tif --step 50um --reference middle --threads 2 --memory 2G -qv'), ('merge', '--list - --order time --reverse --view parallel --pixel 1.2um --no-align'),
         ('merge', '-- -moss --help'), ('merge', '--outputt x'), ('merge', '-oFILE -output'), ('merge', '--step 50'), ('merge', '--memory 99999999999999999G'), ('merge', '--max-megapixels 800'),
         ('check', '--watch --plan plan.json pebble --strict'), ('takes', '--gap 45s --lists there pebble'), ('takes', '--gap 2min'), ('depth', 'map.tif --at 1,2 --distance 1,2,3,4 --plane fit --contours 0.2mm --angle 20,40'),
         ('depth', 'map.tif --plane 1,2,3,4,5,6 --contours 0.5step --exaggerate 3 --points 1000'), ('plan', '--sensor 23.5x15.6mm --pixels 6000x4000 --shutter 1/60s'), ('depth', '--help')]
for number, (command, text) in enumerate(lines):
    seed('options', f'{command}-{number}', bytes([commands.index(command)]) + text.replace(' ', '\0').encode())
plans = ['--focal 100 --magnification 2 --aperture 11 --sensor 36x24 --pixels 6000x4000 --subject-depth 5 --lead 1 --divisions 100 --shutter 1s',
         '--objective 10/0.25 --sensor 23.5x15.6 --pixels 6000x4000 --subject-depth 1', '--focal 50 --extension 100 --reversed --pupil-ratio 0.8 --aperture 5.6 --pitch 4 --subject-depth 3',
         '--focal 100 --field-width 20 --sensor 36x24 --aperture 8 --backdrop 40 --working-distance 30', '--magnification 1:2 --focal 60 --aperture 8 --compare --sensor 36x24 --pixels 6000x4000 --subject-depth 9',
         '--focal 100 --magnification 2 --sensor 36x24 --pixels 6000x4000 --subject-depth 5 --solve aperture --max-frames 60', '--shutter 1/125 --metered through-lens --metered-at 4 --aperture 11 --timer 2s --settle 1s',
         '--objective 20/0.4 --medium 1.33 --magnification 15 --pitch 2.4 --wavelength 480 --overlap 50 --guard 0 --step 3um --smallest-step 5', '--focal 100 --magnification 0.001 --aperture 1000', '']
for number, text in enumerate(plans):
    seed('plan', f'plan-{number}', text.replace(' ', '\0').encode())
plan = b'{\n  "command": "plan",\n  "step_mm": 0.05,\n  "pixel_um": 1.2,\n  "frames": 41,\n  "scale_per_step": 1.0003,\n  "f_number_marked": 8,\n  "shutter_s": 0.5,\n  "warnings": [{"text": "a \\"quoted\\" word, \\u00e9"}],\n  "none": null\n}\n'
for name, data in {'plan': plan, 'pixel': b'{"pixel_mm": 0.0012}', 'wild': b'{"command":"plan","step_mm":-1e999,"frames":1e300,"pixel_um":"moss"}', 'open': plan[:-3], 'open-text': b'{"command":"pl', 'array': b'[1,2]', 'nested': b'{"a":' + b'[{"b":' * 40 + b'1' + b'}]' * 40 + b',"step_mm":1}',
                   'twice': b'{"step_mm":1,"step_mm":2}', 'other': b'{"command":"check"}', 'nul': b'{"command":"plan"\0}', 'utf-8': b'{"step_mm":1,"m\xc3\xb6\xff":"\xf0\x9f\xaa\xa8\xc0"}', 'empty': b'', 'hex': b'{"step_mm":0x1p-3,"pixel_mm":infinity}', 'escape-end': b'{"a\\'}.items():
    seed('report', name, data)

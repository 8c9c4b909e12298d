#!/usr/bin/python3
"""make-testdata.py - writes the files of testdata/ anew: tools/make-testdata.py testdata. Needs numpy and Pillow."""
import io, os, struct, sys, zlib
import numpy as np
from PIL import Image

root = sys.argv[1]
os.makedirs(root + '/bad', exist_ok=True)
os.makedirs(root + '/ok', exist_ok=True)
y, x = np.mgrid[0:48, 0:64]
noise = np.random.default_rng(7).normal(0, 18, (48, 64, 3))
pebble = np.clip(np.dstack([140 + 40 * np.sin(x / 5), 120 + 40 * np.cos(y / 4), 90 + 0 * x]) + noise, 0, 255).astype(np.uint8)


def encoded(picture, kind, **options):
    out = io.BytesIO()
    Image.fromarray(picture).save(out, kind, **options)
    return out.getvalue()


def write(name, data):
    with open(f'{root}/{name}', 'wb') as f:
        f.write(data)


def chunk(kind, data):
    return struct.pack('>I', len(data)) + kind + data + struct.pack('>I', zlib.crc32(kind + data))


jpeg, png, tiff = encoded(pebble, 'JPEG', quality=90), encoded(pebble, 'PNG'), encoded(pebble, 'TIFF', compression='tiff_lzw')
write('ok/progressive.jpg', encoded(pebble, 'JPEG', quality=90, progressive=True))
write('ok/grey.png', encoded(pebble[..., 0], 'PNG'))
write('ok/lzw.tif', tiff)
write('bad/zero-bytes.jpg', b'')
write('bad/text.jpg', b'This is a shopping list: bread, lamp oil, moss.\n')
write('bad/cut-in-half.jpg', jpeg[:len(jpeg) // 2])
write('bad/cut-in-half.png', png[:len(png) // 2])
write('bad/cut-in-half.tif', tiff[:len(tiff) // 2])
write('bad/flipped-bit.png', png[:200] + bytes([png[200] ^ 4]) + png[201:])
write('bad/header-of-60000x60000.png', b'\x89PNG\r\n\x1a\n' + chunk(b'IHDR', struct.pack('>IIBBBBB', 60000, 60000, 16, 2, 0, 0, 0)) +
      chunk(b'IDAT', zlib.compress(b'\0' * 100)) + chunk(b'IEND', b''))
out = io.BytesIO()
Image.fromarray(pebble).convert('CMYK').save(out, 'JPEG')
write('bad/cmyk.jpg', out.getvalue())

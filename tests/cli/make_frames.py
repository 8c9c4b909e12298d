"""Makes a small take: one mottled surface, each frame sharp in its own vertical strip.

Usage: make_frames.py FOLDER COUNT [--size WxH] [--ending jpg|png|tif] [--depth 8|16] [--grey] [--name f%d] [--first N]
       [--times STEP_S]   writes EXIF capture times, falling when STEP_S is negative (JPEG only)
"""
import argparse
import datetime
import os

import cv2
import numpy as np
from PIL import Image
from scipy import ndimage

parser = argparse.ArgumentParser()
parser.add_argument("folder")
parser.add_argument("count", type=int)
parser.add_argument("--size", default="192x128")
parser.add_argument("--ending", default="jpg")
parser.add_argument("--depth", type=int, default=8)
parser.add_argument("--grey", action="store_true")
parser.add_argument("--name", default="f%d")
parser.add_argument("--first", type=int, default=1)
parser.add_argument("--times", type=int)
options = parser.parse_args()
width, height = map(int, options.size.split("x"))

noise = np.random.default_rng(7)
surface = ndimage.gaussian_filter(noise.random((height, width, 3)), (0.7, 0.7, 0))
surface = (surface - surface.min()) / (surface.max() - surface.min())
levels = [ndimage.gaussian_filter(surface, (level, level, 0)) for level in range(1, 5)]
os.makedirs(options.folder, exist_ok=True)
for k in range(options.count):
    centre = (k + 0.5) * width / options.count
    blur_px = np.abs(np.arange(width) - centre) / width * 6
    frame = surface.copy()
    for level, blurred in enumerate(levels, 1):
        frame = np.where((blur_px > level - 0.5)[None, :, None], blurred, frame)
    if options.grey:
        frame = frame.mean(axis=2)
    path = os.path.join(options.folder, (options.name % (k + options.first)) + "." + options.ending)
    if options.depth == 16:
        samples = np.round(frame * 65535).astype(np.uint16)
        cv2.imwrite(path, samples if options.grey else samples[..., ::-1])
        continue
    image = Image.fromarray(np.round(frame * 255).astype(np.uint8))
    extra = {"quality": 95, "subsampling": 0} if options.ending == "jpg" else {}
    if options.times is not None:
        exif = Image.Exif()
        time = datetime.datetime(2024, 5, 1, 12) + datetime.timedelta(seconds=k * options.times)
        exif[0x8769] = {0x9003: time.strftime("%Y:%m:%d %H:%M:%S")}
        extra["exif"] = exif
    image.save(path, **extra)

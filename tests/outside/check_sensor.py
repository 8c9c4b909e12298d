#!/usr/bin/python3
"""Sensor faults against things outside the project.

The take maker writes where its hot pixels and dust lie, and by which formula (truth.json). Hot pixels are also looked for
a second way: SciPy's median filter, and what stands out from it in all frames. Known dust must come back with the gain of
the formula; a take without faults must have none.
"""
import json
import os
import subprocess
import sys
import tempfile

try:
    import numpy as np
    from PIL import Image
    from scipy import ndimage
except ImportError as missing:
    print(f"needs NumPy, Pillow and SciPy: {missing}")
    sys.exit(77)

build = sys.argv[1]
faults = []


def expect(true, text):
    if not true:
        faults.append(text)


def make(folder, *options):
    subprocess.run([f"{build}/tools/take-maker", "--quiet", "--size", "700x500", "--frames", "20", *options, folder], check=True)
    names = sorted(os.listdir(f"{folder}/frames"))
    return [f"{folder}/frames/{name}" for name in names]


def find(frames):
    return json.loads(subprocess.run([f"{build}/tools/sensor-faults", *frames], check=True, capture_output=True).stdout)


def near(a, b, px):
    return np.hypot(a["x"] - b["x"], a["y"] - b["y"]) <= px


def persistent_spots(frames):
    """x, y and least excess over a 7 x 7 median, wherever some channel stands out by 4 % of white in every frame."""
    least = None
    for path in frames:
        picture = np.asarray(Image.open(path), np.float32) / 255
        excess = picture - ndimage.median_filter(picture, (7, 7, 1))
        least = excess if least is None else np.minimum(least, excess)
    labels, count = ndimage.label(least.max(2) > 0.04, np.ones((3, 3)))
    spots = ndimage.maximum_position(least.max(2), labels, range(1, count + 1))
    return [{"x": x, "y": y} for y, x in spots]


def check_faulty(folder):
    frames = make(folder, "--seed", "23", "--hot-pixels", "20", "--dust", "3")
    truth = json.load(open(f"{folder}/truth/truth.json"))["sensor"]
    found = find(frames)
    for spot in found["hot_pixels"]:
        expect(any(near(spot, known, 1.5) for known in truth["hot_pixels"]), f"no hot pixel at {spot}")
    spots = persistent_spots(frames[::3])
    expect(len(spots) >= 15, f"the median filter sees {len(spots)} spots only")
    for spot in spots:
        expect(any(near(spot, hot, 3) for hot in found["hot_pixels"]), f"missed what the median filter sees at {spot}")
    expect(len(found["dust"]) >= 1, "none of three spots of dust was found")
    for dust in found["dust"]:
        known = [spot for spot in truth["dust"] if near(dust, spot, 3)]
        expect(known, f"no dust at {dust['x']}, {dust['y']}")
        if known:
            check_gain(dust, known[0])
    print(f"{len(found['hot_pixels'])} of 20 hot pixels, {len(found['dust'])} of 3 spots of dust, {len(spots)} seen by the median filter")


def check_gain(dust, known):
    rows, columns = np.mgrid[: dust["side"], : dust["side"]]
    distance = np.hypot(columns + dust["left"] - known["x"], rows + dust["top"] - known["y"])
    gain = np.reshape(dust["gain"], (dust["side"], dust["side"]))
    wanted = 1 - known["dip"] * 2.0 ** -((distance / known["radius_px"]) ** 4)
    inside = distance < 1.5 * known["radius_px"]
    error = np.sqrt(np.mean((gain / wanted - 1)[inside] ** 2))
    # 3 % of the light: a fifth of the dip, the contrast left then lies below that of the subject's own detail.
    expect(error < 0.03, f"gain of the dust at {known['x']:.0f}, {known['y']:.0f} is off by {error:.3f} rms")
    print(f"dust at {known['x']:.0f}, {known['y']:.0f}: dip {known['dip']:.3f}, gain within {error:.4f} rms")


def check_clean(folder, *options):
    found = find(make(folder, "--hot-pixels", "0", "--dust", "0", *options))
    expect(not found["hot_pixels"] and not found["dust"], f"faults found in a take without any {options}: {found}")


with tempfile.TemporaryDirectory() as scratch:
    check_faulty(f"{scratch}/faulty")
    check_clean(f"{scratch}/still", "--scene", "plane", "--drift", "0", "--bumps", "0", "--roll", "0")
for fault in faults:
    print("FAULT", fault)
sys.exit(1 if faults else 0)

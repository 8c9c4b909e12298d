#!/usr/bin/python3
"""EXIF times and settings as `railfold check` and `railfold takes` report them, against an independent reader (Pillow), on
frames of the take maker and on frames Pillow wrote itself in both byte orders. Usage: check_exif.py build/release

Source: CIPA DC-008 (Exif 2.32): tags 0x829A ExposureTime, 0x829D FNumber, 0x8827 PhotographicSensitivity,
0x9003 DateTimeOriginal, 0x9291 SubSecTimeOriginal."""
import datetime
import json
import os
import subprocess
import sys
import tempfile

import numpy as np
from PIL import Image
from PIL.TiffImagePlugin import IFDRational
from scipy import ndimage

BUILD = sys.argv[1] if len(sys.argv) > 1 else "build/release"
failures = []


def check(name, good, found):
    print(("ok    " if good else "FAIL  ") + f"{name}: {found}")
    if not good:
        failures.append(name)


def report(command, folder):
    run = subprocess.run([os.path.join(BUILD, "railfold"), command, "-q", "--report", "-", folder], check=True,
                         stdout=subprocess.PIPE)
    return json.loads(run.stdout)


def read_by_pillow(path):
    """exposure, f-number, sensitivity, ms since 1970 as if the camera's clock ran on UTC."""
    with Image.open(path) as picture:
        exif = picture.getexif().get_ifd(0x8769)
    time = datetime.datetime.strptime(exif[0x9003], "%Y:%m:%d %H:%M:%S").replace(tzinfo=datetime.timezone.utc)
    part = str(exif.get(0x9291, "0")).strip().strip("\0")
    ms = int(time.timestamp()) * 1000 + int((part + "000")[:3])
    iso = exif[0x8827]
    return float(exif[0x829A]), float(exif[0x829D]), float(iso[0] if isinstance(iso, tuple) else iso), ms


def same(ours, theirs):
    return all(abs(a - b) <= 1e-6 * abs(b) for a, b in zip(ours, theirs))


def compare(name, folder):
    rows = report("check", folder)["frames"]
    worst = None
    for row in rows:
        ours = (row["exposure_s"], row["f_number"], row["iso"], row["capture_time_ms"])
        theirs = read_by_pillow(row["file"])
        if None in ours or not same(ours[:3], theirs[:3]) or ours[3] != theirs[3]:
            worst = (row["file"], ours, theirs)
    check(name, worst is None and len(rows) > 0, worst or f"{len(rows)} frames agree")
    takes = report("takes", folder)["takes"]
    times = sorted(read_by_pillow(f)[3] for take in takes for f in take["files"])
    check(name + ", first take begins", takes[0]["start_ms"] == times[0], (takes[0]["start_ms"], times[0]))
    return takes


def write_by_pillow(folder, endian):
    """Ten frames with odd settings, a pause of ten minutes after the sixth, and other settings from the ninth on."""
    os.makedirs(folder)
    noise = ndimage.gaussian_filter(np.random.default_rng(3).random((160, 240)), 0.8)
    picture = Image.fromarray((255 * (noise - noise.min()) / np.ptp(noise)).astype(np.uint8))
    time = datetime.datetime(2023, 12, 31, 23, 58, 59)
    for k in range(10):
        exif = Image.Exif()
        exif.endian = endian
        time += datetime.timedelta(seconds=600 if k == 6 else 9)
        exif[0x8769] = {0x829A: IFDRational(1, 160) if k < 8 else IFDRational(13, 10), 0x829D: IFDRational(71, 10), 0x8827: 320,
                        0x9003: time.strftime("%Y:%m:%d %H:%M:%S"), 0x9291: "%03d" % (37 * k)}
        picture.save(os.path.join(folder, f"p{k}.jpg"), quality=92, exif=exif)


with tempfile.TemporaryDirectory() as scratch:
    made = os.path.join(scratch, "made")
    subprocess.run([os.path.join(BUILD, "tools", "take-maker"), "--quiet", "--size", "240x160", "--frames", "8", "--fault",
                    "settings:1.6:5", made], check=True)
    takes = compare("take maker's frames", os.path.join(made, "frames"))
    check("settings split them", [t["count"] for t in takes] == [5, 3], [t["count"] for t in takes])
    for endian, name in (("<", "little"), (">", "big")):
        folder = os.path.join(scratch, name)
        write_by_pillow(folder, endian)
        takes = compare(f"Pillow's frames, {name} endian", folder)
        check(f"pause and settings split them, {name} endian",
              [(t["count"], t["reason"]) for t in takes] == [(6, "first"), (2, "time"), (2, "settings")],
              [(t["count"], t["reason"]) for t in takes])
sys.exit(1 if failures else 0)

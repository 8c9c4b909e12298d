#!/usr/bin/python3
"""Is a rendered take what its truth.json says? NumPy, SciPy and OpenCV look at the files alone; the formulas are those of the
"conventions" text in truth.json, worked out here anew. Usage: check_take.py build/release

Sources: thin lens defocus as an even disc: M. Potmesil, I. Chakravarty, "A lens and aperture camera model for synthetic
image generation", SIGGRAPH 1981 (from memory); sRGB transfer function: IEC 61966-2-1:1999."""
import hashlib
import json
import os
import subprocess
import sys
import tempfile

import cv2
import numpy as np
from scipy import ndimage, special

BUILD = sys.argv[1] if len(sys.argv) > 1 else "build/release"
MAKER = os.path.join(BUILD, "tools", "take-maker")
CLEAN = "--noise 0 --hot-pixels 0 --dust 0 --flicker 0".split()
failures = []


def check(name, good, found):
    print(("ok    " if good else "FAIL  ") + f"{name}: {found}")
    if not good:
        failures.append(name)


class Take:
    def __init__(self, folder, *options):
        self.folder = folder
        subprocess.run([MAKER, "--quiet", "--force", "--format", "png16", *options, folder], check=True)
        with open(os.path.join(folder, "truth", "truth.json"), encoding="utf-8") as file:
            self.truth = json.load(file)
        self.sharp = linear(read(folder, "truth/sharp.tif"))
        self.depth = read(folder, "truth/depth.tif")
        self.frames = self.truth["frames"]

    def frame(self, k):
        return linear(read(self.folder, self.frames[k]["file"]))


def read(folder, name):
    image = cv2.imread(os.path.join(folder, name), cv2.IMREAD_UNCHANGED)
    assert image is not None, name
    return image


def linear(coded):
    x = coded.astype(np.float64) / np.iinfo(coded.dtype).max
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)


def pose_at(truth, frame, z):
    """Reference view pixel -> frame pixel for scene depth z, from the formula alone."""
    d, r, f = truth["distance_steps"], truth["reference_focus"], frame["focus"]
    c = np.array([(truth["width"] - 1) / 2, (truth["height"] - 1) / 2])
    angle = np.radians(frame["rotation_deg"])
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    m = d / (d + z - f)
    linear_part = turn * m * (d + z - r) / d
    shift = c - turn @ np.array(frame["camera_shift_px"]) * m - linear_part @ c
    return np.column_stack([linear_part, shift])


def to_frame(picture, matrix, order=5):
    """Picture of the reference view -> the frame's grid, by B-splines (SciPy; OpenCV rounds positions to 1/32 px)."""
    inverse = np.linalg.inv(matrix[:, :2])
    rows_first = inverse[::-1, ::-1]
    offset = -(rows_first @ matrix[::-1, 2])
    planes = picture[:, :, None] if picture.ndim == 2 else picture
    moved = [ndimage.affine_transform(planes[:, :, c].astype(np.float64), rows_first, offset, order=order, mode="nearest")
             for c in range(planes.shape[2])]
    return moved[0] if picture.ndim == 2 else np.dstack(moved)


def matrix_of(frame):
    return np.array(frame["matrix"], dtype=np.float64).reshape(2, 3)


def spread_by_disc(picture, radius):
    """Convolution with an even disc through its transfer function 2 J1(q) / q, q = 2 pi r f: no sampled kernel involved."""
    height, width = picture.shape[:2]
    pad = 40
    q = 2 * np.pi * radius * np.hypot(np.fft.fftfreq(height + 2 * pad)[:, None], np.fft.rfftfreq(width + 2 * pad)[None, :])
    transfer = np.where(q > 1e-9, 2 * special.j1(q) / np.maximum(q, 1e-9), 1)
    wide = np.pad(picture, ((pad, pad), (pad, pad), (0, 0)), mode="reflect")
    seen = np.fft.irfft2(np.fft.rfft2(wide, axes=(0, 1)) * transfer[:, :, None], s=wide.shape[:2], axes=(0, 1))
    return seen[pad:-pad, pad:-pad]


def rms(x):
    return float(np.sqrt(np.mean(np.square(x))))


def in_focus_equals_truth(name, take, tolerance, guard):
    """In a frame, what lies within 0.12 step of its focus is the sharp picture moved by the stated pose."""
    worst, seen = 0.0, 0
    for k, frame in enumerate(take.frames):
        matrix = matrix_of(frame)
        depth = to_frame(take.depth, matrix, 0)
        near = (np.abs(depth - k) < 0.12).astype(np.uint8)
        jump = (cv2.dilate(depth, np.ones((3, 3))) - cv2.erode(depth, np.ones((3, 3))) > 1).astype(np.uint8)
        near[cv2.dilate(jump, np.ones((2 * guard + 1, 2 * guard + 1))) > 0] = 0
        near[:guard], near[-guard:], near[:, :guard], near[:, -guard:] = 0, 0, 0, 0
        if near.sum() < 60:
            continue
        error = rms((take.frame(k) - to_frame(take.sharp, matrix))[near > 0])
        worst, seen = max(worst, error), seen + 1
    check(f"{name}: in-focus parts are the truth moved by the pose (<= {tolerance})", seen >= 3 and worst <= tolerance,
          f"worst rms {worst:.5f} of white over {seen} frames")


def disc_radius_is_as_stated(take):
    """A flat plate z steps off focus is the sharp plate, moved, spread by a disc: which radius fits best?"""
    truth, worst, seen = take.truth, 0.0, 0
    plates = np.unique(np.round(take.depth, 3))
    for k in (0, 3):
        for z in plates:
            stated = truth["blur_px_per_step"] * abs(z - take.frames[k]["focus"])
            if not 0.5 < stated < 9:
                continue
            matrix = pose_at(truth, take.frames[k], float(z))
            inside = (to_frame((np.abs(take.depth - z) < 1e-3).astype(float), matrix, 0) > 0.5).astype(np.uint8)
            # Off its neighbours' blur (the largest is 10 px) and its own.
            inside = cv2.erode(inside, np.ones((29, 29)), borderType=cv2.BORDER_CONSTANT, borderValue=0)
            if inside.sum() < 400:
                continue
            moved, frame = to_frame(take.sharp, matrix), take.frame(k)
            radii = np.linspace(stated - 0.3, stated + 0.3, 9)
            errors = [rms((spread_by_disc(moved, r) - frame)[inside > 0]) for r in radii]
            best = int(np.argmin(errors))
            a, b, c = (errors[min(max(best + i, 0), 8)] ** 2 for i in (-1, 0, 1))
            fitted = radii[best] + (0.5 * (a - c) / (a - 2 * b + c) * (radii[1] - radii[0]) if 0 < best < 8 else 0)
            worst, seen = max(worst, abs(fitted - stated) - 0.01 * stated), seen + 1
    # 0.09 px: a disc of 0.6 px, drawn in whole pixels, has the right second moment but not every frequency of a true one.
    check("stairs: fitted disc radius is blur * |z - focus| (within 0.09 px + 1 %)", seen >= 8 and worst <= 0.09,
          f"worst beyond 1 %: {worst:.4f} px over {seen} plates")


def grid_pitch_is_constant(folder):
    """The slice in focus always has the same magnification: 'grid_pitch_px' from line to line in the frame it is sharp in."""
    take = Take(folder, "--scene", "grid", "--size", "480x320", "--frames", "9", "--distance", "200", *CLEAN)
    found = []
    for k in (1, 4, 7):
        depth = to_frame(take.depth, matrix_of(take.frames[k]), 0)
        columns = np.where((np.abs(depth - k) < 0.5).mean(axis=0) > 0.98)[0]
        frame = take.frame(k)[:, columns[4]:columns[-4]].mean(axis=(1, 2))
        rows = np.arange(frame.size)
        wave = frame - frame.mean()
        pitches = np.linspace(0.97, 1.03, 601) * take.truth["grid_pitch_px"]
        power = [abs(np.sum(wave * np.hanning(frame.size) * np.exp(-2j * np.pi * rows / p))) for p in pitches]
        found.append(pitches[int(np.argmax(power))] / take.truth["grid_pitch_px"] - 1)
    # 20 periods in the picture: the peak is found to about a thousandth. Without perspective it would be off by 1.5 %.
    check("grid: pitch in focus is the stated one at every depth (within 0.2 %)", max(map(abs, found)) < 0.002,
          " ".join(f"{100 * f:+.2f} %" for f in found))


def sensor_is_as_stated(folder):
    plain = Take(folder + "-a", "--scene", "plane", "--size", "300x200", "--frames", "5", *CLEAN)
    flicker = Take(folder + "-b", "--scene", "plane", "--size", "300x200", "--frames", "5", "--noise", "0", "--hot-pixels", "0",
                   "--dust", "0", "--flicker", "0.05")
    worst = 0.0
    for k, frame in enumerate(flicker.frames):
        base, lit = plain.frame(k), flicker.frame(k)
        open_ = (lit < 0.99) & (base > 0.02)
        worst = max(worst, abs(float(np.mean(lit[open_] / base[open_])) - frame["gain_linear"]))
    spread = np.ptp([frame["gain_linear"] for frame in flicker.frames])
    # 16-bit rounding of each value is below 1e-3 of it; the mean over 10^5 values is far better.
    check("lamp gain is the stated one (within 1e-5)", worst < 1e-5 and spread > 0.02, f"{worst:.2e}, gains spread {spread:.3f}")
    faults = Take(folder + "-c", "--scene", "plane", "--size", "300x200", "--frames", "5", "--noise", "0", "--hot-pixels", "9",
                  "--dust", "1", "--flicker", "0")
    hot, dust = faults.truth["sensor"]["hot_pixels"], faults.truth["sensor"]["dust"][0]
    y, x = np.mgrid[0:200, 0:300]
    kept = 1 - dust["dip"] * 2.0 ** -((np.hypot(x - dust["x"], y - dust["y"]) / dust["radius_px"]) ** 4)
    worst_hot, worst_rest = 0.0, 0.0
    for k in range(5):
        expected = plain.frame(k) * kept[:, :, None]
        for spot in hot:
            expected[spot["y"], spot["x"]] += spot["added_linear"][::-1]  # OpenCV: blue first
        error = np.abs(faults.frame(k) - np.minimum(expected, 1))
        at = tuple(np.array([(spot["y"], spot["x"]) for spot in hot]).T)
        worst_hot = max(worst_hot, error[at].max())
        error[at] = 0
        worst_rest = max(worst_rest, error.max())
    # The dip is cut off at 2.5 radii, where it is 2^-39; what is left is rounding to 16 bits (up to 3e-5 in linear light).
    check("hot pixels and dust are where and what is stated (within 1e-4)", max(worst_hot, worst_rest) < 1e-4 and len(hot) == 9,
          f"{worst_hot:.1e} at hot pixels, {worst_rest:.1e} elsewhere")
    noisy = Take(folder + "-d", "--scene", "plane", "--size", "300x200", "--frames", "5", "--hot-pixels", "0", "--dust", "0",
                 "--flicker", "0")
    sensor, light = noisy.truth["sensor"], plain.frame(2)
    expected = np.sqrt(light / sensor["full_electrons"] + (sensor["read_electrons"] / sensor["full_electrons"]) ** 2)
    score = ((noisy.frame(2) - light) / expected)[light < 0.9]
    # 1e5 samples: the standard deviation of a unit normal is found to 0.3 %.
    check("noise is shot and read noise of the stated size (within 1.5 %)", abs(score.std() - 1) < 0.015 and abs(score.mean()) < 0.01,
          f"{score.std():.4f}, mean {score.mean():+.4f}")


def digest(folder):
    total = hashlib.sha256()
    for part in ("frames", "truth"):
        for name in sorted(os.listdir(os.path.join(folder, part))):
            with open(os.path.join(folder, part, name), "rb") as file:
                total.update(file.read())
    return total.hexdigest()


def bytes_follow_the_seed(folder):
    common = ("--size", "180x120", "--frames", "3")
    first = digest(Take(folder + "-1", *common, "--threads", "1").folder)
    again = digest(Take(folder + "-2", *common, "--threads", "2").folder)
    other = digest(Take(folder + "-3", *common, "--seed", "2").folder)
    check("same seed, same bytes, from one thread or two; another seed, others", first == again and first != other, first[:16])


def retreat_mirrors_depth(folder):
    ahead = Take(folder + "-1", "--scene", "dome", "--size", "180x120", "--frames", "7", *CLEAN)
    back = Take(folder + "-2", "--scene", "dome", "--size", "180x120", "--frames", "7", "--retreat", *CLEAN)
    # The middle frame is the reference of both and stands at the same place.
    error = np.abs(ahead.depth + back.depth - 6).max()
    scales = [frame["scale"] for frame in back.frames]
    check("a retreating rail mirrors depth and scale", error < 1e-4 and scales == sorted(scales, reverse=True), f"{error:.1e}")


def exif_is_plausible(folder):
    from PIL import Image
    subprocess.run([MAKER, "--quiet", "--force", "--size", "180x120", "--frames", "3", folder], check=True)
    seen = []
    for k in range(3):
        with Image.open(os.path.join(folder, "frames", f"frame-{k:04d}.jpg")) as picture:
            exif = picture.getexif()
            inner = exif.get_ifd(0x8769)
            seen.append((exif.get(272), float(inner[33434]), float(inner[33437]), inner[34855], float(inner[37386]), inner[36867]))
    good = all(s[:5] == ("Bench camera", 0.5, 8.0, 100, 100.0) for s in seen) and seen[0][5] < seen[1][5] < seen[2][5]
    check("EXIF tells camera, exposure, aperture, sensitivity, focal length, growing time", good, seen[0])


def faults_are_what_they_say(folder):
    steady = ("--scene", "plane", "--size", "180x120", "--frames", "6", "--drift", "0", "--bumps", "0", "--roll", "0", *CLEAN)
    plain = Take(folder + "-0", *steady)

    def spoiled(kind):
        return Take(folder + "-" + kind.split(":")[0], *steady, "--fault", kind)

    double = spoiled("double:1:3")
    check("double: a frame is there twice", np.array_equal(double.frame(3), double.frame(4))
          and not np.array_equal(double.frame(2), double.frame(3)), "frames 3 and 4")
    settings = spoiled("settings:0.5:4")
    ratio = float(np.mean(settings.frame(4)) / np.mean(plain.frame(4)))
    check("settings: half the exposure from frame 4 on, in pixels and truth", abs(ratio - 0.5) < 1e-3
          and [f["exposure_s"] for f in settings.frames] == [0.5] * 4 + [0.25] * 2, f"{ratio:.4f}")
    lamp = spoiled("lamp:0.3")
    fall = float(np.mean(lamp.frame(5)) / np.mean(lamp.frame(0)) / np.mean(plain.frame(5)) * np.mean(plain.frame(0)))
    check("lamp: fades by 30 % over the take", abs(fall - 0.7) < 1e-3, f"{fall:.4f}")
    bump = spoiled("bump:9:4")
    moved = [cv2.phaseCorrelate(*(take.frame(k).mean(axis=2) for take in (plain, bump)), cv2.createHanningWindow((180, 120), cv2.CV_64F))[0]
             for k in (3, 4, 5)]
    lengths = [float(np.hypot(*m)) for m in moved]
    # A window draws phase correlation towards zero by a few per cent.
    check("bump: 9 px aside from frame 4 on, and stays (within 0.4 px)", lengths[0] < 0.1 and all(abs(n - 9) < 0.4 for n in lengths[1:]),
          " ".join(f"{n:.2f}" for n in lengths))
    shake = spoiled("shake:8:2")
    frame = shake.frames[2]
    along = np.array(frame["shake_px"]) / np.hypot(*frame["shake_px"])

    def slope(picture, way):
        grey = picture.mean(axis=2)
        return rms(way[0] * np.gradient(grey, axis=1) + way[1] * np.gradient(grey, axis=0))

    kept = slope(shake.frame(2), along) / slope(plain.frame(2), along)
    across = slope(shake.frame(2), along[::-1] * [-1, 1]) / slope(plain.frame(2), along[::-1] * [-1, 1])
    check("shake: detail is lost along the smear more than across it", kept < 0.6 * across and np.array_equal(shake.frame(3), plain.frame(3)),
          f"{kept:.2f} along, {across:.2f} across")
    focus = {kind: [round(f["focus"], 6) for f in spoiled(kind).frames] for kind in ("missing-step:2:3", "back:2:3", "coarse:2.5")}
    check("missing-step, back, coarse: the rail stands where it should", focus["missing-step:2:3"] == [0, 1, 2, 5, 6, 7]
          and focus["back:2:3"] == [0, 1, 2, 0, 1, 2] and focus["coarse:2.5"] == [0, 1, 2], focus)


def main():
    with tempfile.TemporaryDirectory() as folder:
        small = ("--size", "300x200", "--frames", "9", *CLEAN)
        # Two resamplings of a picture with a softness of 0.6 px (ours of 6 taps, OpenCV's of 8), and up to 0.13 px of blur.
        in_focus_equals_truth("plane", Take(os.path.join(folder, "plane"), "--scene", "plane", *small), 0.004, 4)
        in_focus_equals_truth("pebble", Take(os.path.join(folder, "pebble"), "--scene", "pebble", "--size", "450x300", "--frames", "9",
                                             *CLEAN), 0.006, 7)
        disc_radius_is_as_stated(Take(os.path.join(folder, "stairs"), "--scene", "stairs", "--size", "360x320", "--frames", "9",
                                      "--blur", "1.2", *CLEAN))
        grid_pitch_is_constant(os.path.join(folder, "grid"))
        sensor_is_as_stated(os.path.join(folder, "sensor"))
        bytes_follow_the_seed(os.path.join(folder, "seed"))
        retreat_mirrors_depth(os.path.join(folder, "retreat"))
        faults_are_what_they_say(os.path.join(folder, "fault"))
        exif_is_plausible(os.path.join(folder, "exif"))
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())

#!/usr/bin/python3
"""The planner against things outside the project: Bessel zeros, numerical integration of pupils and lamps, root finding on
the lens equation, ray construction through pupils, exact fractions, and the JSON and CSV readers of Python.

Usage: check_plan.py build/release"""
import csv
import ctypes
import io
import json
import math
import random
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy import integrate, optimize, special

build = Path(sys.argv[1])
checks = 0  # reports carry ten digits, hence 1e-9 below; calls into the library carry all


def near(name, actual, expected, relative):
    global checks
    checks += 1
    if not abs(actual - expected) <= relative * abs(expected):
        sys.exit(f"{name}: {actual!r} is not within {relative} of {expected!r}")


def plan(*options):
    command = [str(build / "railfold"), "plan", *[str(word) for word in options], "--report", "-"]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def library():
    try:
        loaded = ctypes.CDLL(str(next(build.glob("librailfold.so.*"))))
    except (OSError, StopIteration) as error:
        print(f"the shared library cannot be loaded: {error}")
        sys.exit(77)

    def call(name, *arguments):
        function = getattr(loaded, name)
        function.restype = ctypes.c_double
        return function(*[ctypes.c_int(a) if isinstance(a, int) else ctypes.c_double(a) for a in arguments])

    return call


call = library()
WAVELENGTH_UM = 0.55

# Airy: the first zero of J1(pi x) is 1.2197; 1.22 is its usual rounding (0.03 %).
first_zero = special.jn_zeros(1, 1)[0] / math.pi
for marked, exact in ((2.8, 2 * 2**0.5), (8, 8), (11, 8 * 2**0.5), (22, 16 * 2**0.5)):
    for m in (0.5, 1, 2, 5):
        report = plan("--magnification", m, "--aperture", marked)
        near("Airy disc", report["airy_diameter_um"], 2 * first_zero * WAVELENGTH_UM * exact * (1 + m), 4e-4)
        near("Rayleigh", report["finest_detail_um"], first_zero * WAVELENGTH_UM * exact * (1 + m) / m, 4e-4)

# Contrast of a perfect lens: the overlap of two unit discs 2s apart, over pi (autocorrelation of the pupil), integrated.
for s in np.linspace(0.02, 0.98, 25):
    area = integrate.quad(lambda x: 2 * math.sqrt(1 - x * x), s, 1, epsabs=1e-12)[0]
    near(f"contrast at {s:.2f}", call("rf_plan_diffraction_contrast", float(s)), 2 * area / math.pi, 1e-6)
near("half contrast", optimize.brentq(lambda s: call("rf_plan_diffraction_contrast", s) - 0.5, 0.1, 0.9), 0.4040, 2e-4)
near("cutoff", call("rf_plan_cutoff_cycles_per_mm", 8.0, 0.55), 1 / (0.55e-3 * 8), 1e-12)


# Wave-optical depth: half of it away from the focus the on-axis intensity has sunk to sinc^2(1/4) = 0.81 (a quarter wave),
# by integration over the pupil: paraxial, and exact for a wide cone (uniform in 1 - cos).
def axial_intensity(defocus_um, cone, index):
    wave = 2 * math.pi * index / WAVELENGTH_UM
    real, imaginary = (
        integrate.quad(lambda w: part(wave * defocus_um * cone * w), 0, 1, limit=200)[0] for part in (math.cos, math.sin)
    )
    return real * real + imaginary * imaginary


for na, index in ((0.05, 1.0), (0.25, 1.0), (0.65, 1.0), (0.95, 1.0), (1.3, 1.515)):
    paraxial_um = call("rf_plan_depth_wave_mm", na, WAVELENGTH_UM / 1000, index) * 1000
    exact_um = call("rf_plan_depth_wave_exact_mm", na, WAVELENGTH_UM / 1000, index) * 1000
    sine = na / index
    near("paraxial depth", axial_intensity(paraxial_um / 2, sine**2 / 2, index), np.sinc(0.25) ** 2, 1e-6)
    near("exact depth", axial_intensity(exact_um / 2, 1 - math.sqrt(1 - sine**2), index), np.sinc(0.25) ** 2, 1e-6)

# Conjugates: the lens equation solved for the magnification.
for f in (20, 50, 100, 135):
    for m in (0.1, 0.5, 1, 2, 5, 10):
        u = optimize.brentq(lambda u: f / (u - f) - m, f * 1.0001, f * 100, xtol=1e-12)
        v = 1 / (1 / f - 1 / u)
        report = plan("--focal", f, "--magnification", m, "--aperture", 8)
        near("lens to subject", report["lens_to_subject_mm"], u, 1e-9)
        near("subject to sensor", report["subject_to_sensor_mm"], u + v, 1e-9)
        near("extension", report["extension_mm"], v - f, 1e-9)
        near("pupil to subject", report["pupil_to_subject_mm"], u, 1e-9)

# Geometric depth of field: where the disc on the sensor reaches c, before and behind, by the lens equation. The formula is
# the paraxial sum; it is short by (c / mA)^2.
for f, m, marked in ((100, 2, 4), (60, 1, 8), (100, 0.1, 8), (35, 5, 2.8)):
    report = plan("--focal", f, "--magnification", m, "--aperture", marked, "--pitch", 15)
    u, v, pupil, c = f * (1 + 1 / m), f * (1 + m), f / report["f_number"], 0.030

    def disc(z):
        image = 1 / (1 / f - 1 / (u + z))
        return pupil * abs(v - image) / image

    reach = 0.9 * u * c / (m * pupil)
    near_mm = -optimize.brentq(lambda z: disc(z) - c, -2 * reach, -1e-9)
    far_mm = optimize.brentq(lambda z: disc(z) - c, 1e-9, 2 * reach)
    near("geometric depth", report["depth_of_field_geometric_mm"], near_mm + far_mm, 1.01 * (c / (m * pupil)) ** 2 + 1e-9)

# Pupils: the cone that the exit pupil (diameter p A, f(m + p) before the sensor) sends to the sensor is the effective
# f-number, and rays through the rim of the entrance pupil cross the focus plane as far apart as the backdrop's disc.
for p in (0.5, 0.8, 1, 1.4, 2):
    for m in (0.5, 1, 3):
        report = plan("--focal", 100, "--magnification", m, "--aperture", 8, "--pupil-ratio", p, "--sensor", "36x24",
                      "--backdrop", 80)
        pupil = 100 / 8
        near("cone", report["effective_f_number"], 100 * (m + p) / (p * pupil), 1e-9)
        u = 100 / m + 100 / p
        rim = np.array([pupil / 2, -pupil / 2]) * (1 - u / (u + 80))  # rays from (u + 80, 0) to (0, +-A/2), at u
        near("backdrop", report["backdrop_blur_mm"], m * np.ptp(rim), 1e-9)

# Scale per step and over the take: a point on the focus plane through a pinhole that moves, step by step.
report = plan("--focal", 100, "--magnification", 2, "--aperture", 8, "--sensor", "36x24", "--pixels", "6000x4000",
              "--subject-depth", 5)
d, step = report["pupil_to_subject_mm"], report["step_mm"]
grown = (1 / (d - step)) / (1 / d)
near("scale", report["scale_per_step"], grown, 1e-9)
near("scale over the take", report["scale_over_take"], np.prod(np.full(report["frames"] - 1, grown)), 1e-9)
near("corner", report["corner_shift_px_per_step"], np.hypot(3000, 2000) * (grown - 1), 1e-9)

# Flicker: the mean of 1 + cos over the exposure, at the worst phase.
for mains in (50, 60):
    for t in (0.0021, 1 / 128, 0.01, 1 / 64, 0.037, 1 / 8, 0.5):
        def mean(phase):
            return integrate.quad(lambda x: math.cos(4 * math.pi * mains * x + phase), 0, t, limit=400)[0] / t

        worst = max(abs(mean(phase)) for phase in np.linspace(0, math.pi, 721))
        # 721 phases miss the peak by at most (pi/1440)^2 / 2; an integral of 0 comes out as 1e-16.
        actual = call("rf_plan_flicker_percent", float(mains), float(t)) / 100
        checks += 1
        if abs(actual - worst) > 3e-6 * worst + 1e-12:
            sys.exit(f"flicker at {t} s on {mains} Hz: {actual} is not {worst}")

# Marks: each is its nearest member of the half or third stop series, within the rounding of engravers (3 %).
for marked in (1, 1.2, 1.4, 1.7, 1.8, 2, 2.2, 2.4, 2.5, 2.8, 3.2, 3.3, 3.5, 4, 4.5, 4.8, 5, 5.6, 6.3, 6.7, 7.1, 8, 9, 9.5, 10,
               11, 13, 14, 16, 18, 19, 20, 22, 25, 27, 29, 32, 36, 38, 40, 45, 64, 90):
    series = np.concatenate([2.0 ** (np.arange(60) / 4), 2.0 ** (np.arange(90) / 6)])
    near(f"mark {marked}", call("rf_plan_exact_f_number", float(marked)), series[np.argmin(abs(series - marked))], 1e-12)
    near(f"mark {marked}", call("rf_plan_exact_f_number", float(marked)), marked, 0.031)

# Frames: depth and step as decimals, counted with exact fractions.
random.seed(5)
for _ in range(20000):
    depth, step = Fraction(random.randint(1, 30000), 1000), Fraction(random.randint(1, 2000), 1000)
    counted = math.ceil(depth / step) + 1 + 4
    checks += 1
    if call("rf_plan_frames", float(depth), float(step), 2) != counted:
        sys.exit(f"frames for {depth} / {step}: not {counted}")
    whole = math.floor(depth / step)
    checks += 1
    if call("rf_plan_whole_units", float(depth), float(step)) != whole:
        sys.exit(f"divisions in {depth} / {step}: not {whole}")

# The texts, read by others: strict JSON, and a card whose rows follow from the report.
arguments = [str(build / "railfold"), "plan", "--focal", "100", "--magnification", "2", "--aperture", "4", "--pitch", "6",
             "--subject-depth", "5", "--lead", "1.25", "--divisions", "50"]
compared = json.loads(subprocess.run([*arguments, "--compare", "--report", "-"], check=True, capture_output=True).stdout,
                      parse_constant=lambda word: sys.exit(f"{word} is no JSON"))
same = [row for row in compared["compare"] if row["f_number_marked"] == 4]
near("comparison", same[0]["step_mm"], compared["step_mm"], 1e-12)
text = subprocess.run([*arguments, "--csv", "-"], check=True, capture_output=True, text=True).stdout
card = list(csv.DictReader(io.StringIO(text)))
near("rows of the card", len(card), compared["frames"], 0)
for index, row in enumerate(card):
    checks += 1
    turns = int(row["knob_turns"]) + Fraction(int(row["knob_division"]), 50)
    if abs(float(turns) * 1.25 - index * compared["step_mm"]) > 1e-9 or int(row["frame"]) != index + 1:
        sys.exit(f"card row {index + 1}: {row}")

print(f"{checks} comparisons hold")

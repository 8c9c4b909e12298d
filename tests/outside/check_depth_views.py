#!/usr/bin/env python3
"""What `railfold depth` measures and hands on, against NumPy and SciPy on the same float TIFF (read by OpenCV), against the
truth of rendered takes, and read back by parsers of our own. Usage: check_depth_views.py build/release

Sources: PLY, Turk, "The PLY polygon file format" (1994); roughness, ISO 4287:1997 4.1.3, 4.2.1, 4.2.2; least squares and
linear interpolation as NumPy and SciPy have them. What the take maker's plane and stairs must give: tilt within 0.5 %, step
heights within 0.1 rail step; a standard deviation holds about 68 % of the errors of a Gaussian."""
import csv
import ctypes
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ElementTree

try:
    import cv2
    import numpy as np
    from scipy import ndimage
except ImportError as missing:
    print("needs numpy, scipy and OpenCV:", missing)
    sys.exit(77)

BUILD = os.path.abspath(sys.argv[1])
faults = []


def check(name, good, detail=""):
    print(("ok   " if good else "FAIL ") + name, detail)
    if not good:
        faults.append(name)


def run(*arguments):
    done = subprocess.run([os.path.join(BUILD, "railfold"), *map(str, arguments)], capture_output=True, text=True)
    if done.returncode != 0:
        print("  railfold", *arguments, "->", done.stderr.strip())
        faults.append(" ".join(map(str, arguments)))
    return done.stdout


def report(*arguments):
    return json.loads(run(*arguments, "--report", "-"))


def near(name, value, wanted, tolerance):
    check(name, abs(value - wanted) <= tolerance, f"{value:.9g} wanted {wanted:.9g} within {tolerance:.2g}")


def fit(depth, mask):
    y, x = np.nonzero(mask)
    a = np.c_[x, y, np.ones(len(x))].astype(float)
    return np.linalg.lstsq(a, depth[mask].astype(float), rcond=None)[0]


# ---- a map of our own making: rough ground on a slope, a step, a hole, and a confidence ----
def make_map(height=120, width=200):
    noise = np.random.default_rng(5)
    y, x = np.mgrid[:height, :width]
    depth = 3 + 0.02 * x - 0.013 * y + ndimage.gaussian_filter(noise.normal(0, 1, (height, width)), 2)
    depth[:, 120:] += 4
    depth[80:90, 30:36] = np.nan
    confidence = np.clip(0.6 + 0.3 * noise.normal(0, 1, (height, width)), 0, 1)
    cv2.imwrite("map.tif", depth.astype(np.float32))
    cv2.imwrite("confidence.tif", confidence.astype(np.float32))
    picture = noise.integers(0, 256, (height, width, 3), dtype=np.uint8)
    cv2.imwrite("picture.png", picture[..., ::-1])
    return depth.astype(np.float32), confidence.astype(np.float32), picture


STEP, PIXEL = 0.04, 0.005
SCALE = ("--step", "0.04mm", "--pixel", "5um")


def measures(depth, confidence):
    mm = depth.astype(float) * STEP
    known = np.isfinite(mm)
    r = report("depth", "map.tif", *SCALE)
    near("smallest depth", r["min"], np.nanmin(mm), 1e-6)
    near("largest depth", r["max"], np.nanmax(mm), 1e-6)
    near("known share", r["known_share"], known.mean(), 1e-12)
    for place in ((17, 23), (44.25, 90.75), (199, 119)):
        r = report("depth", "map.tif", *SCALE, "--at", f"{place[0]},{place[1]}")
        wanted = ndimage.map_coordinates(mm[[int(place[1]), min(int(place[1]) + 1, 119)]][:, [int(place[0]), min(int(place[0]) + 1, 199)]],
                                         [[place[1] % 1], [place[0] % 1]], order=1)[0]
        near(f"depth at {place}", r["at"]["depth"], wanted, 1e-6)
    for name, arguments, mask in (("known", (), known), ("sure", ("--confidence", "confidence.tif"), known & (confidence >= 0.25))):
        r = report("depth", "map.tif", *SCALE, "--plane", "fit", *arguments)["plane"]
        p = fit(mm, mask)
        y, x = np.mgrid[:mm.shape[0], :mm.shape[1]]
        left = (mm - (p[0] * x + p[1] * y + p[2]))[mask]
        near(f"plane of the {name} along x", r["per_x"], p[0], 1e-8)
        near(f"plane of the {name} along y", r["per_y"], p[1], 1e-8)
        near(f"plane of the {name} at the origin", r["at_origin"], p[2], 1e-6)
        near("its tilt", r["tilt_deg"], np.degrees(np.arctan(np.hypot(p[0], p[1]) / PIXEL)), 1e-4)
        near("peak to valley", r["peak_to_valley"], left.max() - left.min(), 1e-6)
        near("RMS", r["rms"], np.sqrt(np.mean(left**2)), 1e-7)


def profile(depth):
    line = (3, 110, 117, 20)
    mm = depth.astype(float) * STEP
    run("depth", "map.tif", *SCALE, "--profile", ",".join(map(str, line)), "--csv", "p.csv", "--plot", "p.svg", "--report", "p.json")
    rows = list(csv.DictReader(open("p.csv", encoding="utf-8")))
    x, y = (np.array([float(r[k]) for r in rows]) for k in ("x_px", "y_px"))
    along = np.array([float(r["along_mm"]) for r in rows])
    z = np.array([float(r["depth_mm"] or "nan") for r in rows])
    count = int(np.ceil(np.hypot(114, 90))) + 1
    check("a profile has a sample a pixel", len(rows) == count, f"{len(rows)} {count}")
    t = np.linspace(0, 1, count)
    wanted = ndimage.map_coordinates(mm, [110 - 90 * t, 3 + 114 * t], order=1)
    both = np.isfinite(wanted) & np.isfinite(z)
    check("a profile is unknown where SciPy's is", (np.isfinite(wanted) == np.isfinite(z)).all() and (~both).sum() > 0)
    near("a profile is SciPy's", np.abs(z - wanted)[both].max(), 0, 1e-6)
    near("its length", along[-1], np.hypot(114, 90) * PIXEL, 1e-6)
    # roughness: levelled by the least-squares line, five sampling lengths
    z, along = wanted[both], along[both]
    z = z - np.polyval(np.polyfit(along, z, 1), along)
    n = len(z)
    parts = [z[n * i // 5:n * (i + 1) // 5] for i in range(5)]
    r = json.load(open("p.json", encoding="utf-8"))["profile"]
    near("Ra", r["ra"], np.abs(z - z.mean()).mean(), 1e-7)
    near("Rq", r["rq"], z.std(), 1e-7)
    near("Rz", r["rz"], np.mean([p.max() - p.min() for p in parts]), 1e-6)
    near("Rt", r["rt"], z.max() - z.min(), 1e-6)
    gwyddion(depth)
    root = ElementTree.parse("p.svg").getroot()
    lines = [e for e in root.iter("{http://www.w3.org/2000/svg}path") if e.get("class") == "line"]
    check("the plot is XML with a gap at the hole", len(lines) == 2, str(len(lines)))


GWYDDION = """
import ctypes, sys
ctypes.CDLL("libgwyddion2.so.0", mode=ctypes.RTLD_GLOBAL)
library = ctypes.CDLL("libgwyprocess2.so.0")
heights = [float(v) for v in sys.stdin.read().split()]
library.gwy_data_line_new.restype = ctypes.c_void_p
library.gwy_data_line_new.argtypes = [ctypes.c_int, ctypes.c_double, ctypes.c_int]
library.gwy_data_line_get_data.restype = ctypes.POINTER(ctypes.c_double)
library.gwy_data_line_get_data.argtypes = [ctypes.c_void_p]
line = library.gwy_data_line_new(len(heights), 1.0, 1)
for i, height in enumerate(heights):
    library.gwy_data_line_get_data(line)[i] = height
for name, more in (("ra", ()), ("rms", ()), ("xtm", (5, 1))):
    function = getattr(library, "gwy_data_line_get_" + name)
    function.restype, function.argtypes = ctypes.c_double, [ctypes.c_void_p] + [ctypes.c_int] * len(more)
    print(function(line, *more))
"""


def gwyddion(depth):
    """Ra, Rq and Rz of a rough profile by the library of Gwyddion, a program for scanning probe microscopy (Debian:
    libgwyddion2-0): another hand's ISO 4287, on heights that NumPy levelled."""
    r = report("depth", "map.tif", *SCALE, "--profile", "0,100,99,100")["profile"]  # it needs sampling lengths of one size
    z = depth[100, :100].astype(float) * STEP
    z = z - np.polyval(np.polyfit(np.arange(100), z, 1), np.arange(100))
    done = subprocess.run([sys.executable, "-c", GWYDDION], input=" ".join(map(repr, (z - z.mean()).tolist())), capture_output=True, text=True)
    if done.returncode != 0:
        print("     Gwyddion's library is not installed: roughness not compared with it")
        return
    for name, got, wanted in zip(("Ra", "Rq", "Rz"), (r["ra"], r["rq"], r["rz"]), map(float, done.stdout.split())):
        near(f"{name} is Gwyddion's", got, wanted, 1e-7)


def levelled(depth):
    run("depth", "map.tif", *SCALE, "--plane", "0,0,100,0,0,100", "--levelled", "level.tif")
    level = cv2.imread("level.tif", cv2.IMREAD_UNCHANGED)
    mm = depth.astype(float) * STEP
    y, x = np.mgrid[:mm.shape[0], :mm.shape[1]]
    wanted = mm - mm[0, 0] - (mm[0, 100] - mm[0, 0]) / 100 * x - (mm[100, 0] - mm[0, 0]) / 100 * y
    check("a levelled map is 32-bit float", level.dtype == np.float32)
    for name, read in (("Pillow", lambda path: np.asarray(__import__("PIL.Image").Image.open(path))),
                       ("scikit-image", lambda path: __import__("skimage.io").io.imread(path))):
        try:
            same = read("level.tif")
        except ImportError:
            continue
        check(f"{name} reads the same", (same == level).all() or (np.isnan(same) == np.isnan(level)).all() and
              (np.nan_to_num(same) == np.nan_to_num(level)).all())
    # in a process of its own: it brings another libtiff along
    done = subprocess.run([sys.executable, "-c", "from osgeo import gdal; import numpy; opened = gdal.Open('level.tif'); band = opened.GetRasterBand(1);"
                           "numpy.save('gdal.npy', band.ReadAsArray()); print(gdal.GetDataTypeName(band.DataType))"], capture_output=True, text=True)
    if done.returncode == 0:
        check("GDAL reads the same", done.stdout.strip() == "Float32" and (np.nan_to_num(np.load("gdal.npy")) == np.nan_to_num(level)).all())
    else:
        print("     GDAL is not installed: the map not read with it", done.stderr[-200:])
    near("the levelled map is NumPy's", np.nanmax(np.abs(level - wanted)), 0, 1e-6)


# ---- meshes, read by parsers that know nothing of railfold ----
def read_ply(path):
    data = open(path, "rb").read()
    head, body = data.split(b"end_header\n", 1)
    lines = head.decode("ascii").splitlines()
    assert lines[0] == "ply" and lines[1] == "format binary_little_endian 1.0"
    kinds = {"float": "<f4", "uchar": "u1", "int": "<i4"}
    elements = []
    for line in lines[2:]:
        word = line.split()
        if word[0] == "element":
            elements.append([word[1], int(word[2]), []])
        elif word[0] == "property" and word[1] == "list":
            elements[-1][2] += [("n", kinds[word[2]]), (word[4], kinds[word[3]], 3)]
        elif word[0] == "property":
            elements[-1][2].append((word[2], kinds[word[1]]))
    out, at = {}, 0
    for name, count, fields in elements:
        kind = np.dtype(fields)
        out[name] = np.frombuffer(body, kind, count, at)
        at += kind.itemsize * count
    assert at == len(body), "bytes left over"
    return out


def read_obj(path):
    v, vt, f = [], [], []
    for line in open(path, encoding="utf-8"):
        word = line.split()
        if word and word[0] == "v":
            v.append([float(w) for w in word[1:]])
        elif word and word[0] == "vt":
            vt.append([float(w) for w in word[1:]])
        elif word and word[0] == "f":
            f.append([[int(n) for n in w.split("/")] for w in word[1:]])
    return np.array(v), np.array(vt), np.array(f)


def meshes(depth, confidence, picture):
    mm = depth.astype(float) * STEP
    for points in (0, 3000):
        more = ("--points", points) if points else ()
        run("depth", "map.tif", *SCALE, "--picture", "picture.png", "--mesh", f"m{points}.ply", *more)
        ply = read_ply(f"m{points}.ply")
        p, t = ply["vertex"], ply["face"]["vertex_indices"]
        check(f"mesh {points}: triangles name points", (ply["face"]["n"] == 3).all() and t.min() >= 0 and t.max() < len(p))
        check(f"mesh {points}: every point is used", len(np.unique(t)) == len(p))
        if points:
            check("no more points than asked, and most of them", 0.5 * points < len(p) <= points, str(len(p)))
        x, y = np.rint(p["x"] / PIXEL).astype(int), np.rint(-p["y"] / PIXEL).astype(int)
        near(f"mesh {points}: heights", np.abs(-p["z"] - mm[y, x]).max(), 0, 1e-6)
        check(f"mesh {points}: colours", (np.c_[p["red"], p["green"], p["blue"]] == picture[y, x]).all())
        sides = np.sign(x[t] - 119.5)
        check(f"mesh {points}: nothing joins across the step", (np.abs(sides.sum(1)) == 3).all())
        check(f"mesh {points}: bounds", x.min() == 0 and y.min() == 0 and x.max() >= 190 and y.max() >= 110)
    ply = read_ply("m0.ply")
    check("a full mesh has every known pixel", len(ply["vertex"]) == np.isfinite(mm).sum(), str(len(ply["vertex"])))
    run("depth", "map.tif", *SCALE, "--confidence", "confidence.tif", "--picture", "picture.png", "--cloud", "c.ply")
    cloud = read_ply("c.ply")["vertex"]
    check("a cloud has the sure pixels", len(cloud) == (np.isfinite(mm) & (confidence >= 0.25)).sum())
    near("and their confidence", cloud["confidence"].min(), 0.25, 0.01)
    run("depth", "map.tif", *SCALE, "--picture", "picture.png", "--mesh", "o.obj", "--points", 3000)
    v, vt, f = read_obj("o.obj")
    same = read_ply("m3000.ply")
    check("OBJ and PLY hold the same mesh", len(v) == len(same["vertex"]) and (f[..., 0] - 1 == same["face"]["vertex_indices"]).all())
    near("and the same heights", np.abs(v[:, 2] - same["vertex"]["z"]).max(), 0, 1e-6)
    check("texture goes with the points", (f[..., 0] == f[..., 1]).all())
    x, y = vt[:, 0] * depth.shape[1] - 0.5, (1 - vt[:, 1]) * depth.shape[0] - 0.5
    near("texture places", max(np.abs(x - v[:, 0] / PIXEL).max(), np.abs(y + v[:, 1] / PIXEL).max()), 0, 1e-3)
    check("the texture is the picture", (cv2.imread("o.png")[..., ::-1] == picture).all())
    run("depth", "map.tif", *SCALE, "--picture", "picture.png", "--cloud", "c.xyz", "--points", 500)
    rows = np.loadtxt("c.xyz")
    check("XYZ has six columns and not too many rows", rows.shape[1] == 6 and 100 < len(rows) <= 500, str(rows.shape))
    read_elsewhere("m3000.ply", same)
    read_elsewhere("o.obj", same)


def read_elsewhere(path, same):
    """The general mesh readers assimp and meshio, as far as they are installed: counts and bounds."""
    p = same["vertex"]
    low, high = (np.array([f(p[axis]) for axis in "xyz"]) for f in (np.min, np.max))
    if shutil.which("assimp"):
        told = subprocess.run(["assimp", "info", path, "--raw"], capture_output=True, text=True).stdout
        count = [int(re.search(name + r":\s+(\d+)", told).group(1)) for name in ("Vertices", "Faces")]
        box = [np.array([float(v) for v in re.search(name + r" point\s+\((.*)\)", told).group(1).split()]) for name in ("Minimum", "Maximum")]
        # it repeats the points of an OBJ for every triangle
        check(f"assimp reads {path}", count[1] == len(same["face"]) and count[0] in (len(p), 3 * len(same["face"])), str(count))
        near(f"assimp's bounds of {path}", max(np.abs(box[0] - low).max(), np.abs(box[1] - high).max()), 0, 2e-6)
    try:
        import meshio
    except ImportError:
        return
    mesh = meshio.read(path)
    check(f"meshio reads {path}", len(mesh.points) == len(p) and len(mesh.cells[0].data) == len(same["face"]))
    near(f"meshio's bounds of {path}", max(np.abs(mesh.points.min(0) - low).max(), np.abs(mesh.points.max(0) - high).max()), 0, 2e-6)


def views():
    for name, arguments in (("colour", ("--colour", "v.png", "--contours", "auto")), ("relief", ("--relief", "v.png")),
                            ("drape", ("--drape", "v.png", "--angle", "30,50", "--picture", "picture.png")),
                            ("stereo", ("--stereo", "v.png"))):
        run("depth", "map.tif", *SCALE, "--force", "--confidence", "confidence.tif", *arguments)
        view = cv2.imread("v.png")
        check(f"{name}: a picture that is not blank", view is not None and view.std() > 5, str(view.shape))


# ---- the colours ----
# Machado, Oliveira and Fernandes, IEEE TVCG 15 (2009), severity 1.0, on linear light; the figures are from memory.
BLIND = {"protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
         "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
         "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]}


def colours():
    """Equal steps of depth look equal, in CIE 1976 L*a*b* as scikit-image has it, and lightness alone tells their order."""
    try:
        from skimage.color import rgb2lab
    except ImportError:
        return
    cv2.imwrite("ramp.tif", np.tile(np.linspace(0, 10, 1001, dtype=np.float32), (40, 1)))
    run("depth", "ramp.tif", "--colour", "ramp.png")
    rgb = cv2.imread("ramp.png")[20, :1001, ::-1] / 255
    lab = rgb2lab(rgb[None])[0][::50]
    near("lightness falls evenly", np.abs(lab[:, 0] - np.linspace(92, 18, 21)).max(), 0, 0.6)  # 8-bit rounding
    steps = np.linalg.norm(np.diff(lab, axis=0), axis=1)
    check("equal steps look equal within 15 %", np.abs(steps / steps.mean() - 1).max() < 0.15, str(np.round(steps, 1)))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    for name, matrix in BLIND.items():
        seen = np.clip(linear @ np.array(matrix).T, 0, 1)
        seen = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
        fall = -np.diff(rgb2lab(seen[None])[0][::50, 0])
        check(f"to {name} eyes every step is darker", fall.min() > 2.5, f"{fall.min():.2f} to {fall.max():.2f}")


# ---- rendered takes with known depth ----
def merge(scene, frames, *more):
    subprocess.run([os.path.join(BUILD, "tools", "take-maker"), "--scene", scene, "--size", "360x240", "--frames", str(frames),
                    "--seed", "3", "--quiet", "--threads", "2", *more, scene], check=True)
    run("merge", "-q", "--step", "0.1mm", "--pixel", "10um", "-o", f"{scene}.tif", "--depth", f"{scene}-depth.tif",
        "--confidence", f"{scene}-confidence.tif", "--sigma", f"{scene}-sigma.tif", "--report", f"{scene}.json", os.path.join(scene, "frames"))
    truth = cv2.imread(os.path.join(scene, "truth", "depth.tif"), cv2.IMREAD_UNCHANGED)
    maps = [cv2.imread(f"{scene}-{kind}.tif", cv2.IMREAD_UNCHANGED) for kind in ("depth", "confidence", "sigma")]
    # near the border some frames do not reach, and sharpness is pooled over a few pixels: what is said here holds ten
    # pixels inside of what every frame covers
    x, y, width, height = json.load(open(f"{scene}.json", encoding="utf-8"))["covered"]
    inside = np.zeros(truth.shape, bool)
    inside[y + 10:y + height - 10, x + 10:x + width - 10] = True
    return truth, maps[0] / 0.1, np.where(inside, maps[1], 0), maps[2] / 0.1


def calibration(scene, truth, depth, confidence, sigma):
    """Errors within one and two deviations, over sure pixels whose truth the take covers."""
    inside = np.isfinite(truth) & (confidence >= 0.25) & (truth > 0) & (truth < 30)
    share = [(np.abs(depth - truth)[inside] <= k * sigma[inside]).mean() for k in (1, 2)]
    print(f"     {scene}: {100 * share[0]:.1f} % of the errors within one deviation, {100 * share[1]:.1f} % within two")
    return share[0]


def takes():
    truth, depth, confidence, sigma = merge("plane", 16)
    p = fit(truth, np.isfinite(truth))
    wanted = np.degrees(np.arctan(np.hypot(p[0], p[1]) * 0.1 / 0.01))
    r = report("depth", "plane-depth.tif", "--confidence", "plane-confidence.tif", "--plane", "fit")["plane"]
    check("the plane's tilt within 0.5 %", abs(r["tilt_deg"] / wanted - 1) < 0.005, f"{r['tilt_deg']:.4f} of {wanted:.4f} degrees")
    check("depth grows away from an advancing camera", report("depth", "plane-depth.tif")["direction"] == "farther")
    flat = calibration("plane", truth, depth, confidence, sigma)
    truth, depth, confidence, sigma = merge("stairs", 16, "--retreat")
    levels = np.unique(np.round(truth[np.isfinite(truth)], 3))
    heights = []
    for level in levels:
        inner = ndimage.binary_erosion(np.abs(truth - level) < 1e-3, iterations=6) & (confidence >= 0.25)
        row = np.argmax(inner.sum(1))
        x = np.flatnonzero(inner[row])
        run("depth", "stairs-depth.tif", "--profile", f"{x[0]},{row},{x[-1]},{row}", "--csv", "stair.csv", "--force")
        heights.append(np.median([float(r["depth_mm"]) for r in csv.DictReader(open("stair.csv", encoding="utf-8"))]) / 0.1)
    for a, b, i, j in zip(levels, levels[1:], heights, heights[1:]):
        near(f"height from stair {a:g} to {b:g} by a profile on each, in steps", j - i, b - a, 0.1)
    check("the stairs' rail retreats: depth grows towards the camera", report("depth", "stairs-depth.tif")["direction"] == "nearer")
    run("depth", "stairs-depth.tif", "--mesh", "stairs.ply", "--points", "4000")
    p = read_ply("stairs.ply")["vertex"]
    x, y = np.rint(p["x"] / 0.01).astype(int), np.rint(-p["y"] / 0.01).astype(int)
    near("so that a mesh's z is depth itself", np.abs(p["z"] / 0.1 - depth[y, x]).max(), 0, 1e-4)
    shares = [flat, calibration("stairs", truth, depth, confidence, sigma)]
    for scene in ("dome", "pebble"):
        shares.append(calibration(scene, *merge(scene, 16)))
    # 68.3 % is a Gaussian's; so far off lie scenes that sigma was never tuned on (docs/depth.md)
    check("68 % of the errors within one deviation, more or less", 0.58 < min(shares) and max(shares) < 0.85)


with tempfile.TemporaryDirectory() as folder:
    os.chdir(folder)
    depth, confidence, picture = make_map()
    measures(depth, confidence)
    profile(depth)
    levelled(depth)
    meshes(depth, confidence, picture)
    views()
    colours()
    takes()
    os.chdir("/")
print(f"{len(faults)} faults")
sys.exit(bool(faults))

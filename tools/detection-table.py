#!/usr/bin/python3
"""What `railfold check` finds, and what it only imagines: takes with one fault each, at three strengths and several
seeds, and takes without any. Prints the table of docs/check.md.

  tools/detection-table.py [--build build/release] [--cache FOLDER] [--seeds N] [--clean N] [--first-seed N] [--only KIND] [--render-only] [-v]
  tools/detection-table.py --harm ...              how much each fault costs the merged picture, against the truth

Takes are rendered once by the take maker (small: 480 x 320 pixels, 20 frames) and kept in the cache folder. What the take
maker cannot spoil is spoilt here, by changing the finished files.
"""
import argparse
import collections
import json
import os
import shutil
import subprocess
import sys

import cv2
import numpy as np

SIZE, FRAMES = (480, 320), 20
COMMON = ["--size", "%dx%d" % SIZE, "--frames", str(FRAMES), "--dust", "0", "--hot-pixels", "1", "--threads", "2"]
# row of the table: (what is done, strengths, kinds any of which counts as found, kinds that may come with it)
ROWS = [
    ("bump", (4, 12, 30), {"bump"}, set()),
    ("shake", (1.5, 3, 6), {"blur"}, set()),
    ("lamp", (0.08, 0.2, 0.4), {"lamp"}, set()),
    ("flicker", (0.03, 0.06, 0.12), {"lamp"}, set()),
    ("settings", (1.26, 2, 0.5), {"settings"}, {"clipped"}),
    ("missing-step", (1, 2, 4), {"missing-step"}, {"coarse-step"}),
    ("double", (1, 2, 3), {"duplicate"}, set()),
    ("back", (1, 3, 6), {"order"}, {"uncovered-end", "duplicate"}),
    ("swapped", (1, 3, 8), {"order"}, {"missing-step", "uncovered-start", "uncovered-end"}),
    ("uncovered-start", (1.5, 3, 6), {"uncovered-start"}, set()),
    ("uncovered-end", (1.5, 3, 6), {"uncovered-end"}, set()),
    ("coarse", (1.5, 2.5, 4), {"coarse-step"}, set()),
    ("fine", (2, 4, 6), {"fine-step"}, set()),
    ("clipped", (1.5, 2.5, 4), {"clipped"}, set()),
    ("hot-pixels", (10, 40, 70), {"sensor"}, set()),
    ("dust", (1, 3, 6), {"sensor"}, set()),
    ("moved", (2, 5, 12), {"moved"}, {"bump"}),
    ("backdrop", (0.5, 1, 2), {"backdrop"}, set()),
    ("unreadable", (0.2, 0.5, 0.9), {"unreadable"}, set()),
    ("size", (0.5, 0.9, 1.1), {"size"}, set()),
]
RENDERED = {"bump", "shake", "lamp", "settings", "missing-step", "double", "back", "uncovered-start", "uncovered-end",
            "coarse", "fine", "clipped", "moved"}
BY_OPTION = {"flicker": "--flicker", "hot-pixels": "--hot-pixels", "dust": "--dust"}
# whose harm to the merged picture can be measured; the others refuse to merge, or cost time alone
HARMED = RENDERED - {"double", "fine"} | {"flicker", "dust", "hot-pixels", "swapped", "backdrop"}
SCENES = ("pebble", "dome", "bristles", "stairs", "pebble")
CLEAN_SCENES = ("pebble", "dome", "bristles", "pebble", "stairs", "plane", "grid")
# so that no two takes of a row are of one kind: blur a step, noise, softness of the lens, sideways jitter
LENSES = (("1.1", "1", "0.6", "0.6"), ("0.8", "2", "0.9", "0.4"), ("1.4", "0.5", "0.6", "0.8"), ("1.1", "1.5", "0.8", "0.6"))


def render(build, folder, scene, seed, extra):
    if os.path.exists(os.path.join(folder, "truth", "truth.json")):
        return
    blur, noise, mtf, bumps = LENSES[seed % len(LENSES)]
    subprocess.run(["nice", os.path.join(build, "tools", "take-maker"), "--quiet", "--force", "--scene", scene, "--seed",
                    str(seed), "--blur", blur, "--noise", noise, "--mtf", mtf, "--bumps", bumps, *COMMON, *extra, folder],
                   check=True)


def frame_names(folder):
    return sorted(os.listdir(os.path.join(folder, "frames")))


def swap(frames, names, strength):
    """Two files change places that are `strength` frames apart."""
    a = os.path.join(frames, names[FRAMES // 3])
    b = os.path.join(frames, names[FRAMES // 3 + int(strength)])
    os.rename(a, a + ".away")
    os.rename(b, a)
    os.rename(a + ".away", b)


def cut(frames, names, strength):
    path = os.path.join(frames, names[FRAMES // 2])
    os.truncate(path, int(os.path.getsize(path) * strength))


def resize(frames, names, strength):
    path = os.path.join(frames, names[FRAMES // 2])
    picture = cv2.imread(path)
    cv2.imwrite(path, cv2.resize(picture, None, fx=strength, fy=strength, interpolation=cv2.INTER_AREA))


def backdrop(frames, names, strength):
    """A print behind the subject that is nearly in focus in every frame: noise of 3 px, 0.08 * strength rms, where the
    truth has no subject."""
    subject = cv2.imread(os.path.join(frames, "..", "truth", "subject.png"), 0) > 127
    clear = cv2.erode((~subject).astype(np.uint8), np.ones((9, 9), np.uint8)).astype(np.float32)
    clear = cv2.GaussianBlur(clear, None, 3)[:, :, None]
    print_ = cv2.GaussianBlur(np.random.default_rng(5).normal(size=(SIZE[1], SIZE[0])).astype(np.float32), None, 1.5)
    print_ *= 0.08 * strength / print_.std()
    for name in names:
        path = os.path.join(frames, name)
        picture = cv2.imread(path).astype(np.float32)
        picture *= 1 + clear * 2 * print_[:, :, None]
        cv2.imwrite(path, np.clip(picture + 0.5, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 95])


EDITED = {"swapped": swap, "unreadable": cut, "size": resize, "backdrop": backdrop}


def make(options, what, strength, seed):
    """The folder of frames of one spoilt take."""
    scene = SCENES[seed % len(SCENES)]
    if what == "moved" and scene in ("dome", "stairs"):
        scene = "bristles"  # these have nothing loose
    if what == "backdrop":
        scene = "pebble"  # the others fill the picture
    folder = os.path.join(options.cache, "%s-%g-%d" % (what, strength, seed))
    if what in RENDERED:
        render(options.build, folder, scene, seed, ["--fault", "%s:%g" % (what, strength)])
    elif what in BY_OPTION:
        render(options.build, folder, scene, seed, [BY_OPTION[what], "%g" % strength])
    else:
        clean = os.path.join(options.cache, "base-%s-%d" % (scene, seed))
        render(options.build, clean, scene, seed, [])
        if not os.path.exists(folder):
            shutil.copytree(clean, folder + ".part", ignore=shutil.ignore_patterns("quality.json"))
            frames = os.path.join(folder + ".part", "frames")
            EDITED[what](frames, frame_names(folder + ".part"), strength)
            os.rename(folder + ".part", folder)
    return os.path.join(folder, "frames")


def make_clean(options, seed):
    scene = CLEAN_SCENES[seed % len(CLEAN_SCENES)]
    folder = os.path.join(options.cache, "clean-%s-%d" % (scene, seed))
    render(options.build, folder, scene, seed, ["--retreat"] if seed % 4 == 3 else [])
    return os.path.join(folder, "frames")


def findings(options, frames):
    run = subprocess.run([os.path.join(options.build, "railfold"), "check", "-q", "--report", "-", frames],
                         stdout=subprocess.PIPE, check=True)
    report = json.loads(run.stdout)
    return report["verdict"], report["findings"]


TILE = 24  # px: about what an eye takes in at 100 %


def quality(options, folder):
    """The merged picture against the rendered truth, over the subject: dB over the whole, and the error in its worst places
    (mean of the worst 2 % of the tiles, rms in levels of 255). None when it cannot be merged. Kept beside the take."""
    kept = os.path.join(folder, "quality.json")
    if os.path.exists(kept):
        with open(kept, encoding="utf-8") as file:
            return json.load(file)
    out = os.path.join(folder, "merged.tif")
    run = subprocess.run(["nice", "-n", "19", os.path.join(options.build, "railfold"), "merge", "-q", "--force", "-o", out,
                          os.path.join(folder, "frames")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    found = None
    if run.returncode == 0:
        merged = cv2.imread(out, cv2.IMREAD_UNCHANGED).astype(np.float64) / 65535
        truth = cv2.imread(os.path.join(folder, "truth", "sharp.tif"), cv2.IMREAD_UNCHANGED).astype(np.float64) / 65535
        subject = cv2.imread(os.path.join(folder, "truth", "subject.png"), 0) > 127
        subject[:12] = subject[-12:] = subject[:, :12] = subject[:, -12:] = False
        square = np.where(subject, np.mean((merged - truth) ** 2, axis=2), 0)
        share = cv2.blur(subject.astype(np.float64), (TILE, TILE))
        tiles = (cv2.blur(square, (TILE, TILE)) / np.maximum(share, 1e-9))[share > 0.5]
        worst = np.sort(tiles)[-max(1, len(tiles) // 50):]
        found = [float(-10 * np.log10(np.mean(square[subject]))), float(255 * np.sqrt(np.mean(worst)))]
        os.remove(out)
    with open(kept, "w", encoding="utf-8") as file:
        json.dump(found, file)
    return found


def clean_quality(options, folder):
    """That of the same scene and seed without the fault."""
    with open(os.path.join(folder, "truth", "truth.json"), encoding="utf-8") as file:
        made = json.load(file)["options"]
    clean = os.path.join(options.cache, "base-%s-%d" % (made["scene"], made["seed"]))
    render(options.build, clean, made["scene"], made["seed"], [])
    return quality(options, clean)


def is_hurt(options, folder):
    """Whether the fault shows: the merge fails, or loses half a dB over the whole, or its worst places are half as wrong
    again as those without the fault."""
    spoilt, clean = quality(options, folder), clean_quality(options, folder)
    return spoilt is None or spoilt[0] < clean[0] - 0.5 or spoilt[1] > 1.5 * clean[1]


def harm(options):
    print("| spoilt | strengths | dB lost | worst places, times | visibly hurt |\n|---|---|---|---|---|")
    for what, strengths, _, _ in ROWS:
        if what not in HARMED or options.only not in (None, what):
            continue
        lost, worse, hurt = [], [], []
        for strength in strengths:
            folders = [os.path.dirname(make(options, what, strength, seed))
                       for seed in range(options.first_seed, options.first_seed + options.seeds)]
            both = [(quality(options, folder), clean_quality(options, folder)) for folder in folders]
            merged = [(a, b) for a, b in both if a is not None]
            lost.append("%.1f" % np.mean([b[0] - a[0] for a, b in merged]) if merged else "-")
            worse.append("%.1f" % np.mean([a[1] / b[1] for a, b in merged]) if merged else "-")
            hurt.append("%d/%d" % (sum(is_hurt(options, folder) for folder in folders), len(folders)))
        print("| %s | %s | %s | %s | %s |" % (what, ", ".join("%g" % s for s in strengths), ", ".join(lost), ", ".join(worse),
                                             ", ".join(hurt)), flush=True)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--build", default="build/release")
    parser.add_argument("--cache", default="build/takes")
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--clean", type=int, default=20)
    parser.add_argument("--first-seed", type=int, default=1, help="others than those the thresholds were settled on")
    parser.add_argument("--only")
    parser.add_argument("--render-only", action="store_true")
    parser.add_argument("--harm", action="store_true")
    parser.add_argument("--of-hurt", action="store_true", help="also how many of the takes that harm shows in were found")
    parser.add_argument("-v", action="store_true")
    options = parser.parse_args()
    os.makedirs(options.cache, exist_ok=True)
    if options.harm:
        harm(options)
        return
    false = collections.Counter()
    wrong = 0
    if options.only in (None, "clean"):
        for seed in range(options.first_seed + 1000, options.first_seed + 1000 + options.clean):
            frames = make_clean(options, seed)
            if options.render_only:
                continue
            verdict, found = findings(options, frames)
            wrong += bool(found)
            for f in found:
                false[f["kind"]] += 1
                print("clean %s: %s" % (frames, f["text"]), file=sys.stderr)
        if not options.render_only:
            print("clean takes: %d of %d with any finding %s\n" % (wrong, options.clean, dict(false)), flush=True)
    print("| spoilt | strengths | found | of those hurt | verdicts good/usable/retake | other kinds raised |\n|---|---|---|---|---|---|")
    for what, strengths, wanted, allowed in ROWS:
        if options.only not in (None, what):
            continue
        shares, others, of_hurt, hurt = [], collections.Counter(), 0, 0
        tally = []
        for strength in strengths:
            hits = 0
            verdicts = collections.Counter()
            for seed in range(options.first_seed, options.first_seed + options.seeds):
                frames = make(options, what, strength, seed)
                if options.render_only:
                    continue
                verdict, found = findings(options, frames)
                kinds = {f["kind"] for f in found}
                hits += bool(kinds & wanted)
                if options.of_hurt and what in HARMED and is_hurt(options, os.path.dirname(frames)):
                    hurt += 1
                    of_hurt += bool(kinds & wanted)
                verdicts[verdict] += 1
                for kind in kinds - wanted:
                    others[kind + ("" if kind in allowed else "!")] += 1
                if options.v:
                    print(what, strength, seed, verdict, [(f["kind"], f["frames"], f["text"]) for f in found],
                          file=sys.stderr)
            shares.append("%d/%d" % (hits, options.seeds))
            tally.append("/".join(str(verdicts[v]) for v in ("good", "usable", "retake")))
        print("| %s | %s | %s | %s | %s | %s |" % (what, ", ".join("%g" % s for s in strengths), ", ".join(shares),
                                             "%d/%d" % (of_hurt, hurt) if hurt else "-", ", ".join(tally),
                                             ", ".join("%s %d" % o for o in sorted(others.items())) or "none"), flush=True)


if __name__ == "__main__":
    main()

#!/usr/bin/python3
"""What `railfold check` finds, and what it only imagines: takes with one fault each, at three strengths and several
seeds, and takes without any. Prints the tables of docs/check.md, row by row as they are ready.

  tools/detection-table.py [--build build/release] [--cache FOLDER] [--seeds N] [--clean N] [--first-seed N] [--only KIND,...]
                           [--harm] [--jobs N] [-v]

Takes are rendered once by the take maker (small: 480 x 320 pixels, 20 frames) and kept in the cache folder. What the take
maker cannot spoil is spoilt here, by changing the finished files. --harm also merges each take and holds the picture against
the truth; that is done once a take and kept. What check says is kept as long as the program is the same file. So a run that
was broken off goes on where it was.
"""
import argparse
import collections
import concurrent.futures
import hashlib
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
    if os.path.exists(folder):
        return
    blur, noise, mtf, bumps = LENSES[seed % len(LENSES)]
    part = "%s.part-%d" % (folder, os.getpid())
    subprocess.run([os.path.join(build, "tools", "take-maker"), "--quiet", "--force", "--scene", scene, "--seed", str(seed),
                    "--blur", blur, "--noise", noise, "--mtf", mtf, "--bumps", bumps, *COMMON, *extra, part], check=True)
    settle(part, folder)


def settle(part, folder):
    """A take appears under its name once it is whole; another process may have made the same one meanwhile."""
    try:
        os.rename(part, folder)
    except OSError:
        shutil.rmtree(part)


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
            part = "%s.part-%d" % (folder, os.getpid())
            shutil.copytree(clean, part, ignore=shutil.ignore_patterns("*.json.kept"))
            EDITED[what](os.path.join(part, "frames"), frame_names(part), strength)
            settle(part, folder)
    return os.path.join(folder, "frames")


def make_clean(options, seed):
    scene = CLEAN_SCENES[seed % len(CLEAN_SCENES)]
    folder = os.path.join(options.cache, "clean-%s-%d" % (scene, seed))
    render(options.build, folder, scene, seed, ["--retreat"] if seed % 4 == 3 else [])
    return os.path.join(folder, "frames")


def findings(options, frames):
    """Verdict and findings of check. Kept beside the take together with the digest of the program."""
    kept = os.path.join(os.path.dirname(frames), "check.json.kept")
    if os.path.exists(kept):
        with open(kept, encoding="utf-8") as file:
            report = json.load(file)
        if report["program"] == options.program:
            return report["verdict"], report["findings"]
    run = subprocess.run([os.path.join(options.build, "railfold"), "check", "-q", "--report", "-", frames],
                         stdout=subprocess.PIPE, check=True)
    report = json.loads(run.stdout)
    keep(kept, {"program": options.program, "verdict": report["verdict"], "findings": report["findings"]})
    return report["verdict"], report["findings"]


def keep(path, value):
    part = "%s.part-%d" % (path, os.getpid())
    with open(part, "w", encoding="utf-8") as file:
        json.dump(value, file)
    os.replace(part, path)


TILE = 24  # px: about what an eye takes in at 100 %


def read_16(folder, name):
    return cv2.imread(os.path.join(folder, "truth", name), cv2.IMREAD_UNCHANGED).astype(np.float64) / 65535


def dimmed(coded, light):
    """A picture as it would be with 1 / light of the light (sRGB curve, IEC 61966-2-1)."""
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4) / light
    return np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)


def made_with(folder):
    with open(os.path.join(folder, "truth", "truth.json"), encoding="utf-8") as file:
        return json.load(file)["options"]


def without_fault(options, folder):
    """The take of the same scene and seed without the fault."""
    made = made_with(folder)
    clean = os.path.join(options.cache, "base-%s-%d" % (made["scene"], made["seed"]))
    render(options.build, clean, made["scene"], made["seed"], [])
    return clean


def quality(options, folder):
    """The merged picture against the rendered truth, over the subject: dB over the whole, and the error in its worst places
    (mean of the worst 2 % of the tiles, rms in levels of 255). None when it cannot be merged. Kept beside the take.
    A take with more light than usual is merged, brought to the usual light, and held against the truth of that: errors in
    a brighter picture are larger by as much as it is brighter, and what is lost in the whites is not in its own truth."""
    fault = made_with(folder).get("fault") or {}
    light = fault["strength"] if fault.get("kind") == "clipped" else 1
    kept = os.path.join(folder, "quality.json.kept" if light == 1 else "quality-at-usual-light.json.kept")
    if os.path.exists(kept):
        with open(kept, encoding="utf-8") as file:
            return json.load(file)
    out = os.path.join(folder, "merged-%d.tif" % os.getpid())
    run = subprocess.run([os.path.join(options.build, "railfold"), "merge", "-q", "--force", "-o", out,
                          os.path.join(folder, "frames")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    found = None
    if run.returncode < 0:
        raise RuntimeError("merge of %s was killed" % folder)
    if run.returncode == 0:
        merged = cv2.imread(out, cv2.IMREAD_UNCHANGED).astype(np.float64) / 65535
        found = errors(merged if light == 1 else dimmed(merged, light),
                       folder if light == 1 else without_fault(options, folder))
        os.remove(out)
    keep(kept, found)
    return found


def errors(picture, folder):
    """[dB over the subject, rms of the worst tiles] of a picture against the truth in `folder`."""
    truth = read_16(folder, "sharp.tif")
    subject = cv2.imread(os.path.join(folder, "truth", "subject.png"), 0) > 127
    subject[:12] = subject[-12:] = subject[:, :12] = subject[:, -12:] = False
    square = np.where(subject, np.mean((picture - truth) ** 2, axis=2), 0)
    share = cv2.blur(subject.astype(np.float64), (TILE, TILE))
    tiles = (cv2.blur(square, (TILE, TILE)) / np.maximum(share, 1e-9))[share > 0.5]
    worst = np.sort(tiles)[-max(1, len(tiles) // 50):]
    return [float(-10 * np.log10(np.mean(square[subject]))), float(255 * np.sqrt(np.mean(worst)))]


def look(options, what, strength, seed):
    """All there is to say of one take: verdict, findings, and what the fault costs: the quality of the merge, that without
    the fault, and whether it shows: the merge fails, or loses half a dB over the whole, or its worst places are half as
    wrong again as those without the fault."""
    frames = make(options, what, strength, seed) if what != "clean" else make_clean(options, seed)
    verdict, found = findings(options, frames)
    folder = os.path.dirname(frames)
    if not options.harm or what not in HARMED:
        return verdict, found, None
    spoilt, clean = quality(options, folder), quality(options, without_fault(options, folder))
    hurt = spoilt is None or spoilt[0] < clean[0] - 0.5 or spoilt[1] > 1.5 * clean[1]
    return verdict, found, (spoilt, clean, hurt)


def clean_row(options, seeds, looks):
    false = collections.Counter()
    wrong = 0
    for seed, future in zip(seeds, looks):
        _, found, _ = future.result()
        wrong += bool(found)
        for f in found:
            false[f["kind"]] += 1
            print("clean %d: %s" % (seed, f["text"]), file=sys.stderr)
    print("clean takes, seeds %d to %d: %d of %d with any finding %s\n" % (seeds[0], seeds[-1], wrong, len(seeds),
                                                                         dict(false) or ""), flush=True)


def faulty_row(options, row, looks, totals):
    """looks[strength][seed]. One line of the table."""
    what, strengths, wanted, allowed = row
    cells = collections.defaultdict(list)
    others, hurt_in_all, found_in_all = collections.Counter(), 0, 0
    for strength, futures in zip(strengths, looks):
        verdicts, hits, hurt, costs = collections.Counter(), 0, 0, []
        for future in futures:
            verdict, found, harm = future.result()
            kinds = {f["kind"] for f in found}
            hit = bool(kinds & wanted)
            hits += hit
            verdicts[verdict] += 1
            others.update(kind + ("" if kind in allowed else "!") for kind in kinds - wanted)
            if options.v:
                print(what, strength, verdict, harm, [(f["kind"], f["frames"], f["text"]) for f in found], file=sys.stderr)
            if harm is not None:
                hurt += harm[2]
                found_in_all += harm[2] and hit
                if harm[0] is not None:
                    costs.append((harm[1][0] - harm[0][0], harm[0][1] / harm[1][1]))
        cells["lost"].append("%.1f" % np.mean([c[0] for c in costs]) if costs else "-")
        cells["worse"].append("%.1f" % np.mean([c[1] for c in costs]) if costs else "-")
        cells["hurt"].append("%d/%d" % (hurt, len(futures)) if what in HARMED else "-")
        cells["found"].append("%d/%d" % (hits, len(futures)))
        cells["verdicts"].append("/".join(str(verdicts[v]) for v in ("good", "usable", "retake")))
        hurt_in_all += hurt
    totals["hurt"] += hurt_in_all
    totals["found"] += found_in_all
    columns = [what, ", ".join("%g" % s for s in strengths)]
    if options.harm:
        columns += [", ".join(cells[c]) if what in HARMED else "-" for c in ("lost", "worse", "hurt")]
    columns.append(", ".join(cells["found"]))
    if options.harm:
        columns.append("%d/%d" % (found_in_all, hurt_in_all) if hurt_in_all else "-")
    columns += [", ".join(cells["verdicts"]), ", ".join("%s %d" % o for o in sorted(others.items())) or "none"]
    print("| %s |" % " | ".join(columns), flush=True)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--build", default="build/release")
    parser.add_argument("--cache", default="build/takes")
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--clean", type=int, default=20)
    parser.add_argument("--first-seed", type=int, default=1, help="others than those the thresholds were settled on")
    parser.add_argument("--only", help="rows of the table, or clean; several with commas")
    parser.add_argument("--harm", action="store_true", help="also merge, and tell in how many takes the fault shows")
    parser.add_argument("--jobs", type=int, default=2, help="takes at once")
    parser.add_argument("-v", action="store_true")
    options = parser.parse_args()
    os.makedirs(options.cache, exist_ok=True)
    with open(os.path.join(options.build, "railfold"), "rb") as file:
        options.program = hashlib.sha256(file.read()).hexdigest()
    only = options.only.split(",") if options.only else [row[0] for row in ROWS] + ["clean"]
    seeds = range(options.first_seed, options.first_seed + options.seeds)
    clean_seeds = range(options.first_seed + 1000, options.first_seed + 1000 + options.clean)
    totals = collections.Counter()
    with concurrent.futures.ProcessPoolExecutor(options.jobs) as pool:
        clean = [pool.submit(look, options, "clean", 0, seed) for seed in clean_seeds if "clean" in only]
        rows = [row for row in ROWS if row[0] in only]
        looks = [[[pool.submit(look, options, row[0], strength, seed) for seed in seeds] for strength in row[1]] for row in rows]
        if clean:
            clean_row(options, clean_seeds, clean)
        harm = " dB lost | worst places, times | visibly hurt |" if options.harm else ""
        print("| spoilt | strengths |%s found |%s verdicts good/usable/retake | other kinds raised |" %
              (harm, " found of those hurt |" if options.harm else ""))
        print("|" + "---|" * (9 if options.harm else 5), flush=True)
        for row, futures in zip(rows, looks):
            faulty_row(options, row, futures, totals)
    if totals["hurt"]:
        print("\nOf %d takes in which the fault shows %d were found: %.1f %%" %
              (totals["hurt"], totals["found"], 100 * totals["found"] / totals["hurt"]))


if __name__ == "__main__":
    main()

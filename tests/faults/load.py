"""Much of everything: 1000 frames, frames of 100 megapixels, 50 merges at once in 4 GB, 200 merges in one process.

Usage: load.py BUILD [--only PART[,PART]]     parts: frames pixels crowd soak
"""
import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time

import cv2
import numpy as np

parser = argparse.ArgumentParser()
parser.add_argument("build")
parser.add_argument("--only", default="")
options = parser.parse_args()
build, here = os.path.abspath(options.build), os.path.dirname(os.path.abspath(__file__))
program, maker = f"{build}/railfold", f"{build}/tools/take-maker"
GROUP = "/sys/fs/cgroup/memory/railfold-load"  # of version 1; version 2 is tried where there is no such folder
faults = []


def check(good, what):
    print(("ok    " if good else "FAULT ") + what)
    if not good:
        faults.append(what)


def take(folder, size, frames, *more):
    subprocess.run([maker, "--quiet", "--size", size, "--frames", str(frames), *more, folder], check=True)


def merge(arguments, cwd, **more):
    """The run, its processor seconds and its report when it wrote one."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    result = subprocess.run([program, "merge", "-q", "--force", "--report", "r.json", *arguments], cwd=cwd,
                            capture_output=True, text=True, **more)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    report = None
    if result.returncode == 0:
        with open(f"{cwd}/r.json") as file:
            report = json.load(file)
    return result, seconds, report


def frames(scratch):
    """Memory does not grow with the number of frames, and time grows with it."""
    figures = []
    for count in (100, 1000):
        subprocess.run([sys.executable, f"{here}/../cli/make_frames.py", f"{scratch}/take{count}", str(count), "--size", "240x160"],
                       check=True)
        result, seconds, report = merge(["-o", "m.tif", "--depth", "d.tif", f"take{count}"], scratch)
        check(result.returncode == 0, f"{count} frames: {result.stderr.strip() or 'merged'}")
        if report:
            figures.append((seconds, report["peak_memory_bytes"]))
            print(f"      {count} frames of 240 x 160: {seconds:.1f} s of processor time, holding "
                  f"{report['peak_memory_bytes'] / 1e6:.2f} MB at most")
        shutil.rmtree(f"{scratch}/take{count}")
    if len(figures) == 2:
        grown = figures[1][1] - figures[0][1]  # poses, focus curves of the aligner: a few kB a frame, no picture (115 kB)
        check(grown < 900 * 8192, f"900 more frames hold {grown / 900:.0f} bytes more each")


def pixels(scratch):
    """Three frames of 12000 x 8400."""
    width, height, count = 12000, 8400, 3
    os.makedirs(f"{scratch}/large")
    rng = np.random.default_rng(3)
    surface = rng.integers(0, 256, (height // 4, width // 4, 3), dtype=np.uint8)
    surface = cv2.resize(cv2.GaussianBlur(surface, (0, 0), 1.2), (width, height), interpolation=cv2.INTER_CUBIC)
    surface = cv2.normalize(surface, None, 10, 245, cv2.NORM_MINMAX)
    for k in range(count):
        frame = cv2.GaussianBlur(surface, (0, 0), 5)
        x0, x1 = k * width // count, (k + 1) * width // count
        frame[:, x0:x1] = surface[:, x0:x1]
        cv2.imwrite(f"{scratch}/large/f{k}.jpg", frame, [cv2.IMWRITE_JPEG_QUALITY, 92])
    result, seconds, _ = merge(["-o", "m.tif", "--memory", "2G", "large"], scratch)
    check(result.returncode == 6 and "--memory" in result.stderr, f"100 megapixels in 2 GB are refused: {result.stderr.strip()}")
    print(f"      after {seconds:.2f} s of processor time")
    result, seconds, report = merge(["-o", "m.tif", "--depth", "d.tif", "large"], scratch)
    check(result.returncode == 0, f"3 frames of {width} x {height}: {result.stderr.strip() or 'merged'}")
    if report:
        print(f"      {seconds:.0f} s of processor time, holding {report['peak_memory_bytes'] / 1e9:.2f} GB at most, "
              f"{os.path.getsize(f'{scratch}/m.tif') / 1e6:.0f} MB written")
    shutil.rmtree(f"{scratch}/large")


class Group:
    """A control group of 4 GB, where that can be made."""

    def __enter__(self):
        self.path = None
        for path, name in ((GROUP, "memory.limit_in_bytes"), ("/sys/fs/cgroup/railfold-load", "memory.max")):
            try:
                os.makedirs(path, exist_ok=True)
                with open(f"{path}/{name}", "w") as file:
                    file.write(str(4 << 30))
                self.path = path
                break
            except OSError:
                continue
        return self

    def enter(self):
        if self.path:
            with open(f"{self.path}/cgroup.procs", "w") as file:
                file.write(str(os.getpid()))

    def killed(self):
        for name in ("memory.oom_control", "memory.events"):
            try:
                with open(f"{self.path}/{name}") as file:
                    return sum(int(line.split()[1]) for line in file if line.startswith("oom_kill "))
            except OSError:
                continue
        return 0

    def peak(self):
        for name in ("memory.max_usage_in_bytes", "memory.peak"):
            try:
                with open(f"{self.path}/{name}") as file:
                    return int(file.read())
            except OSError:
                continue
        return 0

    def __exit__(self, *_):
        if self.path:
            os.rmdir(self.path)


def at_once(count, scratch, prepare, *arguments):
    children = []
    for k in range(count):
        children.append(subprocess.Popen([program, "merge", "-q", "-o", f"crowd-{k}.tif", *arguments], cwd=scratch,
                                         stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, preexec_fn=prepare))
    results = [(child.communicate()[1], child.returncode) for child in children]
    codes = sorted({code for _, code in results})
    for k in range(count):
        path = f"{scratch}/crowd-{k}.tif"
        there = os.path.exists(path)
        if there != (results[k][1] == 0):
            faults.append(f"output of run {k} is {'there' if there else 'missing'} after exit {results[k][1]}")
        if there:
            os.unlink(path)
    sentences = all(err.count("\n") == (1 if code else 0) for err, code in results)
    left = [n for n in os.listdir(scratch) if n.startswith(".railfold")]
    return codes, {c: sum(code == c for _, code in results) for c in codes}, sentences and not left, results[0][0].strip()


def crowd(scratch):
    take(f"{scratch}/small", "1500x1000", 5)
    take(f"{scratch}/wide", "3000x2000", 4)
    with Group() as group:
        print("      in a control group of 4 GB" if group.path else "      no control group can be made: limits a process only")
        begun = time.monotonic()
        codes, tally, clean, _ = at_once(50, scratch, group.enter, "--threads", "2", "small/frames")
        check(set(codes) <= {0, 6} and clean, f"50 merges at once, 82 MB each: exit codes {tally}")
        print(f"      {time.monotonic() - begun:.0f} s, the group held {group.peak() / 1e9:.2f} GB at most")
        codes, tally, clean, said = at_once(50, scratch, group.enter, "--threads", "2", "--memory", "80M", "wide/frames")
        check(codes == [6] and clean, f"50 at once of 270 MB each, --memory 80M: exit codes {tally}; {said}")

        def limited():
            group.enter()
            resource.setrlimit(resource.RLIMIT_AS, (80 << 20, 80 << 20))

        codes, tally, clean, said = at_once(50, scratch, limited, "--threads", "1", "wide/frames")
        check(codes == [6] and clean, f"50 at once, address space of 80 MB each: exit codes {tally}; {said}")
        if group.path:
            check(group.killed() == 0, f"the system killed {group.killed()}")
    for k in ("small", "wide"):
        shutil.rmtree(f"{scratch}/{k}")


def soak(scratch):
    take(f"{scratch}/take", "360x240", 8)
    paths = [f"{scratch}/take/frames/{n}" for n in sorted(os.listdir(f"{scratch}/take/frames"))]
    result = subprocess.run([f"{build}/tools/soak", "200", f"{scratch}/soak.tif", *paths], capture_output=True, text=True)
    print("      " + result.stdout.strip().replace("\n", "\n      "))
    check(result.returncode == 0, "200 merges in one process")


def main():
    scratch = tempfile.mkdtemp(prefix="railfold-load-")
    try:
        for part in (frames, pixels, crowd, soak):
            if not options.only or part.__name__ in options.only.split(","):
                part(scratch)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())

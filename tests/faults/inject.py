"""Every system call and allocation of a run fails in turn: what is left, and what is said.

Usage: inject.py BUILD [--quick] [--only COMMAND[,COMMAND]] [--calls CALL[,CALL]] [--seconds LIMIT] [--jobs N]

A run under the shim (tests/shim/fault.c) ends in one of two ways. Either with 0: then every output is what a run without
a fault writes, byte for byte (times in the report aside). Or with a code of the README's table: then there is one sentence
on stderr, nothing on stdout, no output of a merge and no half output of any command, an older output as it was, and no
temporary. Either way the inputs are untouched and the run is over in time. --quick takes every so many-th call only.
"""
import argparse
import collections
import errno
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import zlib

parser = argparse.ArgumentParser()
parser.add_argument("build")
parser.add_argument("--quick", action="store_true")
parser.add_argument("--only", default="")
parser.add_argument("--calls", default="")
parser.add_argument("--seconds", type=float, default=0)
parser.add_argument("--jobs", type=int, default=2)
options = parser.parse_args()
build = os.path.abspath(options.build)
here = os.path.dirname(os.path.abspath(__file__))
program, shim = f"{build}/railfold", f"{build}/tests/fault.so"
program = os.environ.get("RAILFOLD", program)

# What each class of calls is made to say: 0 is a short count, "+" means the call fails from then on.
ERRORS = {
    "malloc": ["ENOMEM", "ENOMEM+"],
    "map": ["ENOMEM"],
    "read": ["EIO", "EIO+", "EINTR", "0"],
    "write": ["ENOSPC", "ENOSPC+", "EIO", "EINTR", "0"],
    "open": ["EIO", "EMFILE", "EMFILE+"],
    "stat": ["EIO"],
    "list": ["EIO"],
    "close": ["EIO"],
    "fsync": ["EIO", "ENOSPC"],
    "link": ["EIO", "EPERM"],
    "rename": ["ENOSPC", "EINVAL"],
    "unlink": ["EIO"],
    "lock": ["ENOLCK"],
}
DOCUMENTED = {0, 3, 4, 5, 6}
# Times differ from run to run, and so does the digest of the page, which holds them.
TIMES = re.compile(rb'"seconds": (\{[^}]*\}|[0-9.e+-]+)|"peak_memory_bytes": [0-9]+|"p.html", "sha256": "[0-9a-f]+"')


class Command:
    def __init__(self, name, arguments, outputs, whole_set=False, tells_unreadable=False):
        self.name, self.arguments, self.outputs, self.whole_set = name, arguments, outputs, whole_set
        self.tells_unreadable = tells_unreadable
        self.reference = {}


def commands(inputs):
    take, depth = f"{inputs}/take", f"{inputs}/maps"
    yield Command("merge", ["merge", "-q", "-o", "m.tif", "--depth", "d.tif", "--confidence", "c.png", "--page", "p.html",
                            "--report", "r.json", take], ["m.tif", "d.tif", "c.png", "p.html", "r.json"], whole_set=True)
    yield Command("merge-png", ["merge", "-q", "--force", "--step", "0.1mm", "-o", "m.png", "--sigma", "s.tif", "--depth-view",
                                "v.png", "--list", f"{inputs}/list.txt"], ["m.png", "s.tif", "v.png"], whole_set=True)
    yield Command("merge-jpg", ["merge", "-q", "--force", "--no-align", "-o", "m.jpg", "--report", "-", f"{inputs}/tiffs"],
                  ["m.jpg"], whole_set=True)
    yield Command("check", ["check", "-q", "--report", "r.json", take], ["r.json"], tells_unreadable=True)
    yield Command("takes", ["takes", "-q", "--lists", "lists", "--report", "r.json", f"{inputs}/card"],
                  ["lists/take-001.txt", "lists/take-002.txt", "r.json"], tells_unreadable=True)
    yield Command("plan", ["plan", "--focal", "100", "--magnification", "2", "--sensor", "36x24", "--pixels", "6000x4000",
                           "--subject-depth", "5", "--aperture", "11", "--report", "p.json", "--csv", "p.csv"],
                  ["p.json", "p.csv"])
    yield Command("depth", ["depth", f"{depth}/d.tif", "--confidence", f"{depth}/c.tif", "--picture", f"{depth}/m.png",
                            "--profile", "2,30,90,30", "--csv", "p.csv", "--plot", "p.svg", "--plane", "fit", "--levelled",
                            "l.tif", "--colour", "v.png", "--drape", "a.jpg", "--mesh", "s.obj", "--points", "400",
                            "--cloud", "c.ply", "--report", "r.json"],
                  ["p.csv", "p.svg", "l.tif", "v.png", "a.jpg", "s.obj", "s.mtl", "s.png", "c.ply", "r.json"])


def make_inputs(folder):
    maker = [sys.executable, f"{here}/../cli/make_frames.py"]
    os.makedirs(folder)
    small = ["--size", "96x64"]
    subprocess.run([*maker, "take", "4", *small], cwd=folder, check=True)
    subprocess.run([*maker, "pngs", "3", "--ending", "png", "--depth", "16", *small], cwd=folder, check=True)
    subprocess.run([*maker, "tiffs", "3", "--ending", "tif", "--depth", "16", *small], cwd=folder, check=True)
    subprocess.run([*maker, "card/a", "3", "--times", "5", *small], cwd=folder, check=True)
    subprocess.run([*maker, "card/b", "3", "--times", "-7", "--first", "9", *small], cwd=folder, check=True)
    with open(f"{folder}/list.txt", "w") as out:
        out.writelines(f"{folder}/pngs/f{k}.png\n" for k in (1, 2, 3))
    os.makedirs(f"{folder}/maps")
    subprocess.run([program, "merge", "-q", "--step", "0.1mm", "--pixel", "20um", "-o", "m.png", "--depth", "d.tif",
                    "--confidence", "c.tif", "../take"], cwd=f"{folder}/maps", check=True, stdout=subprocess.DEVNULL)


def state_of(folder):
    found = {}
    for root, _, files in os.walk(folder):
        for name in files:
            path = os.path.join(root, name)
            with open(path, "rb") as file:
                found[os.path.relpath(path, folder)] = hashlib.sha256(file.read()).hexdigest()
    return found


def content(path):
    try:
        with open(path, "rb") as file:
            data = file.read()
    except FileNotFoundError:
        return None
    return TIMES.sub(b"", data) if path.endswith((".json", ".html")) else data


def run(command, cwd, variables):
    environment = {**os.environ, "LC_ALL": "C", **variables, "LD_PRELOAD": shim}
    return subprocess.run([program, *command.arguments], cwd=cwd, env=environment, stdin=subprocess.DEVNULL,
                          capture_output=True, timeout=120)


def fresh(command, cwd, old):
    shutil.rmtree(cwd, ignore_errors=True)
    os.makedirs(cwd)
    for name in command.outputs if old else []:
        with open(f"{cwd}/{name}", "wb") as file:
            file.write(b"precious")


def faults_of(command, cwd, old, result, call):
    """What is wrong with how the run ended, as a list of phrases."""
    wrong = []
    code, said = result.returncode, result.stderr.decode("utf-8", "replace")
    temporaries = [n for _, _, names in os.walk(cwd) for n in names if n.startswith(".railfold-")]
    if temporaries and call != "unlink":
        wrong.append("a temporary is left")
    if code not in DOCUMENTED:
        return wrong + [f"ended with {code}: {said[-300:]}"]
    before = b"precious" if old else None
    now = {name: content(f"{cwd}/{name}") for name in command.outputs}
    if code == 0 and command.tells_unreadable and b"cannot be read" in result.stdout + result.stderr:
        return wrong  # such a frame is a finding, or a warning, and the rest goes on
    if code == 0:
        wrong += [f"{name} differs without a word" for name in command.outputs if now[name] != command.reference[name]]
        if TIMES.sub(b"", result.stdout) != command.reference["stdout"]:
            wrong.append(f"stdout differs without a word: {result.stdout[:200]}")
        if said.strip():
            wrong.append(f"talks: {said[:200]}")
        return wrong
    if said.count("\n") != 1 or not said.startswith("railfold "):
        wrong.append(f"not one sentence: {said[:300]!r}")
    at_the_end = "standard output" in said  # the results stand by then
    if result.stdout and not at_the_end:
        wrong.append("talks on stdout")
    for name in command.outputs:
        if now[name] == before or (now[name] == command.reference[name] and (at_the_end or not command.whole_set)):
            continue
        wrong.append(f"{name} is {'there' if now[name] == command.reference[name] else 'half'} after exit {code}: {said.strip()}")
    return wrong


class Tally:
    def __init__(self):
        self.lock, self.runs, self.injected = threading.Lock(), 0, collections.Counter()
        self.codes, self.failures = collections.defaultdict(collections.Counter), []


def worker(index, jobs, tally, scratch):
    while True:
        with tally.lock:
            if not jobs or (options.seconds and time.monotonic() > deadline):
                return
            command, call, error, at = jobs.pop()
        old = "--force" in command.arguments
        cwd = f"{scratch}/work{index}"
        fresh(command, cwd, old)
        number = 0 if error == "0" else getattr(errno, error.rstrip("+"))
        variables = {"FAULT_CALL": call, "FAULT_AT": str(at), "FAULT_ERROR": str(number),
                     "FAULT_ON": "1" if error.endswith("+") else "0"}
        try:
            result = run(command, cwd, variables)
            wrong, code = faults_of(command, cwd, old, result, call), result.returncode
        except subprocess.TimeoutExpired:
            wrong, code = ["it hangs"], "hang"
        with tally.lock:
            tally.runs += 1
            tally.injected[call] += 1
            tally.codes[f"{command.name} {call} {error}"][code] += 1
            if wrong:
                tally.failures.append((command.name, call, error, at, wrong))


def plan_jobs(scratch, inputs):
    jobs = []
    for command in commands(inputs):
        if options.only and command.name not in options.only.split(","):
            continue
        for call, errors in ERRORS.items():
            if options.calls and call not in options.calls.split(","):
                continue
            cwd = f"{scratch}/reference"
            fresh(command, cwd, "--force" in command.arguments)
            counted = run(command, cwd, {"FAULT_CALL": call, "FAULT_COUNT": f"{scratch}/count"})
            assert counted.returncode == 0, (command.name, call, counted)
            command.reference = {name: content(f"{cwd}/{name}") for name in command.outputs}
            command.reference["stdout"] = TIMES.sub(b"", counted.stdout)
            with open(f"{scratch}/count") as file:
                calls = int(file.read())
            for error in errors:
                step = 1
                if options.quick:
                    step = max(1, calls // (6 if call == "malloc" else 3))
                first = 1 + zlib.crc32(repr((command.name, call, error)).encode()) % step if options.quick else 1
                jobs += [(command, call, error, at) for at in range(first, calls + 1, step)]
    return jobs


def main():
    global deadline
    deadline = time.monotonic() + options.seconds
    scratch = tempfile.mkdtemp(prefix="railfold-faults-")
    try:
        inputs = f"{scratch}/inputs"
        make_inputs(inputs)
        before = state_of(inputs)
        jobs = plan_jobs(scratch, inputs)
        import random
        random.Random(7).shuffle(jobs)
        wanted, tally = len(jobs), Tally()
        threads = [threading.Thread(target=worker, args=(i, jobs, tally, scratch)) for i in range(options.jobs)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        if state_of(inputs) != before:
            tally.failures.append(("", "", "", 0, ["the inputs were changed"]))
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    for name in sorted(tally.codes):
        print(f"{name:28} " + "  ".join(f"{code}: {count}" for code, count in sorted(tally.codes[name].items(), key=str)))
    kinds = collections.Counter()
    for command, call, error, at, wrong in sorted(tally.failures):
        for phrase in wrong:
            kinds[(command, call, error, phrase[:60])] += 1
            if kinds[(command, call, error, phrase[:60])] <= 2:
                print(f"FAULT: {command}, {call} number {at}, {error}: {phrase}")
    print(f"{tally.runs} of {wanted} runs, each with a fault: {len(tally.failures)} ended as they should not")
    return 1 if tally.failures or tally.runs == 0 else 0


if __name__ == "__main__":
    sys.exit(main())

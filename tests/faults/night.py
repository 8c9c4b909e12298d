"""What may befall a script at night: signals, a kill, a full disk, a limit on file size, frames that change under a run,
folders that take no files, outputs on other file systems.

Usage: night.py BUILD [--quick] [--only PART[,PART]]      parts: stop kill limit full changed closed elsewhere

After each run the same holds as after an injected fault (inject.py). After a kill each output is there whole or not at
all, and the next run of the same output removes what the killed one left. Tests that need a file system of their own
(tmpfs) need root; without it they are left out, and said to be.
"""
import argparse
import collections
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time

from common import commands, content, faults_of, fresh, keep_reference, make_inputs, run, state_of, temporaries

parser = argparse.ArgumentParser()
parser.add_argument("build")
parser.add_argument("--quick", action="store_true")
parser.add_argument("--only", default="")
options = parser.parse_args()
build = os.path.abspath(options.build)
program = os.environ.get("RAILFOLD", f"{build}/railfold")
chance = random.Random(11)
tally = collections.defaultdict(collections.Counter)
failures = []


def note(part, command, outcome, wrong):
    tally[f"{part} {command.name}"][outcome] += 1
    for phrase in wrong:
        failures.append(f"{part}, {command.name}: {phrase}")


def start(command, cwd):
    return subprocess.Popen([program, *command.arguments], cwd=cwd, env={**os.environ, "LC_ALL": "C"},
                            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def references(all_commands, scratch):
    """Each command once without a fault; its time in `seconds`."""
    for command in all_commands:
        cwd = f"{scratch}/reference-{command.name}"
        fresh(command, cwd)
        begun = time.monotonic()
        keep_reference(command, cwd, run(program, command, cwd))
        command.seconds = time.monotonic() - begun


def wait_for_moment(child, command, cwd, writing):
    """Up to a random moment of the run; or, when `writing`, until a temporary is seen."""
    end = time.monotonic() + (30 if writing else chance.uniform(0, 1.1 * command.seconds))
    while time.monotonic() < end and child.poll() is None:
        if writing and temporaries(cwd):
            return
        time.sleep(0.0002)


def finish(child):
    try:
        out, err = child.communicate(timeout=120)
    except subprocess.TimeoutExpired:
        child.kill()
        out, err = child.communicate()
        err += b"\nit hangs"
    return subprocess.CompletedProcess(child.args, child.returncode, out, err)


# ---- signals ----

def stop(command, scratch, turn):
    cwd, number = f"{scratch}/work", (signal.SIGINT, signal.SIGTERM)[turn % 2]
    fresh(command, cwd)
    child = start(command, cwd)
    wait_for_moment(child, command, cwd, writing=turn % 4 >= 2)
    child.send_signal(number)
    result = finish(child)
    if result.returncode == -number:  # it came before the program had begun
        wrong = ["a temporary is left"] if temporaries(cwd) else []
        note("stop", command, "before it began", wrong)
        return
    if result.returncode != 130:
        note("stop", command, f"exit {result.returncode}", faults_of(command, cwd, result))
        return
    said, before = result.stderr.decode(), b"precious" if "--force" in command.arguments else None
    wrong = [] if said.count("\n") == 1 and "stopped" in said else [f"says {said!r}"]
    wrong += [f"{name} was touched" for name in command.outputs if content(f"{cwd}/{name}") != before]
    wrong += ["a temporary is left"] if temporaries(cwd) else []
    note("stop", command, "exit 130", wrong)


def kill(command, scratch, turn):
    cwd = f"{scratch}/work"
    fresh(command, cwd)
    child = start(command, cwd)
    wait_for_moment(child, command, cwd, writing=turn % 2 == 1)
    child.kill()
    result, left, wrong = finish(child), len(temporaries(cwd)), []
    before = b"precious" if "--force" in command.arguments else None
    for name in command.outputs:
        if content(f"{cwd}/{name}") not in (before, command.reference[name]):
            wrong.append(f"{name} is half after a kill")
    note("kill", command, "killed" if result.returncode == -signal.SIGKILL else "over before", wrong)
    tally["kill, temporaries left"][left] += 1
    again = [*command.arguments, "--force"]
    second = subprocess.run([program, *again], cwd=cwd, stdin=subprocess.DEVNULL, capture_output=True, timeout=120)
    wrong = [] if second.returncode == 0 else [f"the run after a kill ends with {second.returncode}: {second.stderr}"]
    wrong += [f"{name} differs after a kill" for name in command.outputs
              if content(f"{cwd}/{name}") != command.reference[name]]
    wrong += [f"left by a kill: {temporaries(cwd)}"] if temporaries(cwd) else []
    note("kill, the run after", command, f"exit {second.returncode}", wrong)


# ---- space ----

def limit(command, scratch, turn):
    """RLIMIT_FSIZE between nothing and the largest output."""
    cwd, largest = f"{scratch}/work", max(len(d) for n, d in command.reference.items() if n != "stdout")
    fresh(command, cwd)
    bytes_most = int(largest * 1.02 * chance.random() ** 2)
    result = run(program, command, cwd,
                 preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (bytes_most, bytes_most)))
    note("limit", command, f"exit {result.returncode}", faults_of(command, cwd, result))


def mounted(folder, size, body, *arguments):
    os.makedirs(folder, exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", size, "railfold-test", folder], check=True)
    try:
        return body(*arguments)
    finally:
        subprocess.run(["umount", folder], check=True)


def full(command, scratch, turn):
    """A disk of a random size between one page and what all outputs and their temporaries take."""
    disk = f"{scratch}/disk"
    whole = sum(len(d) + 4096 for n, d in command.reference.items() if n != "stdout")
    pages = 1 + int(chance.random() * whole * 1.1 / 4096)

    def fill():
        cwd = f"{disk}/work"
        fresh(command, cwd)
        return run(program, command, cwd), cwd

    def body():
        try:
            result, cwd = fill()
        except OSError:  # too small even for the older outputs
            return
        note("full", command, f"exit {result.returncode}", faults_of(command, cwd, result))

    mounted(disk, f"size={pages * 4096}", body)


# ---- frames that change ----

def changed(command, scratch, turn):
    inputs, cwd = f"{scratch}/inputs", f"{scratch}/work"
    frames = sorted(f"{root}/{name}" for root, _, names in os.walk(inputs) for name in names
                    if name.startswith("f") and root in command_roots(command, inputs))
    path = chance.choice(frames)
    with open(path, "rb") as file:
        before = file.read()
    times = os.stat(path)
    fresh(command, cwd)
    child = start(command, cwd)
    wait_for_moment(child, command, cwd, writing=False)
    how = ("truncated", "removed", "overwritten", "replaced")[turn % 4]
    if how == "truncated":
        os.truncate(path, len(before) // 2)
    elif how == "removed":
        os.unlink(path)
    elif how == "overwritten":
        with open(path, "r+b") as file:
            file.seek(len(before) // 2)
            file.write(bytes(64))
    else:
        shutil.copy(chance.choice([f for f in frames if f != path]), f"{path}.new")
        os.rename(f"{path}.new", path)
    result = finish(child)
    wrong = faults_of(command, cwd, result)
    # So early that the run saw one state only; or zeros in the coded data that leave a good picture.
    if result.returncode == 0 and how != "truncated" and wrong and same_as_now(command, scratch):
        wrong = []
    if result.returncode not in (0, 3, 4) and not wrong:  # 4: removed so early that two frames are left to align
        wrong = [f"ended with {result.returncode}: {result.stderr}"]
    with open(path, "wb") as file:
        file.write(before)
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
    note(f"changed, {how}", command, f"exit {result.returncode}", wrong)


def command_roots(command, inputs):
    named = {"merge-png": "pngs", "merge-jpg": "tiffs"}.get(command.name, "take")
    return [f"{inputs}/{named}"]


def same_as_now(command, scratch):
    """Whether the outputs are those of a run over the frames as they lie now."""
    cwd = f"{scratch}/now"
    fresh(command, cwd)
    result = run(program, command, cwd)
    return result.returncode == 0 and all(content(os.path.join(cwd, n)) == content(os.path.join(scratch, "work", n)) for n in command.outputs)


# ---- folders ----

def closed(command, scratch, turn):
    """A file system that may only be read."""
    disk = f"{scratch}/disk"

    def body():
        cwd = f"{disk}/work"
        fresh(command, cwd)
        subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
        result = run(program, command, cwd)
        wrong = faults_of(command, cwd, result) + ([] if result.returncode == 5 else [f"ended with {result.returncode}"])
        note("closed", command, f"exit {result.returncode}", wrong)

    mounted(disk, "size=4m", body)


def elsewhere(command, scratch, turn):
    """Every second output on another file system than the rest."""
    disk, cwd = f"{scratch}/disk", f"{scratch}/work"

    def body():
        moved = {name: f"{disk}/{name}" for name in command.outputs[::2] if "/" not in name}
        if command.name == "depth":  # the mesh's material and texture lie beside it
            moved = {name: path for name, path in moved.items() if not name.startswith("s.")}
        fresh(command, cwd)
        arguments = [moved.get(a, a) for a in command.arguments]
        result = subprocess.run([program, *arguments], cwd=cwd, stdin=subprocess.DEVNULL, capture_output=True, timeout=120)
        wrong = [] if result.returncode == 0 else [f"ended with {result.returncode}: {result.stderr}"]
        for name in command.outputs:
            now, then = content(moved.get(name, f"{cwd}/{name}")), command.reference[name]
            if now != then and not name.endswith((".json", ".html")):  # those hold the paths
                wrong.append(f"{name} differs")
            if now is None:
                wrong.append(f"{name} is missing")
        wrong += ["a temporary is left"] if temporaries(cwd) or temporaries(disk) else []
        note("elsewhere", command, f"exit {result.returncode}", wrong)

    mounted(disk, "size=8m", body)


# Part, commands it is tried on (None: all), runs in all: quick, full.
PARTS = {
    "stop": (stop, None, 36, 400),
    "kill": (kill, None, 36, 400),
    "limit": (limit, None, 24, 300),
    "full": (full, None, 24, 300),
    "changed": (changed, ["merge", "merge-png", "merge-jpg"], 24, 400),
    "closed": (closed, None, 7, 7),
    "elsewhere": (elsewhere, None, 7, 7),
}


def main():
    scratch = tempfile.mkdtemp(prefix="railfold-night-")
    try:
        inputs = f"{scratch}/inputs"
        make_inputs(program, inputs)
        before = state_of(inputs)
        everything = commands(inputs)
        references(everything, scratch)
        for part, (body, only, quick, whole) in PARTS.items():
            if options.only and part not in options.only.split(","):
                continue
            if part in ("full", "closed", "elsewhere") and os.geteuid() != 0:
                print(f"{part}: left out, since mounting takes root")
                continue
            some = [c for c in everything if only is None or c.name in only]
            for turn in range(quick if options.quick else whole):
                body(some[turn % len(some)], scratch, turn // len(some))
        if state_of(inputs) != before:
            failures.append("the inputs were changed")
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    for name in sorted(tally):
        print(f"{name:32} " + "  ".join(f"{k}: {v}" for k, v in sorted(tally[name].items(), key=str)))
    for phrase, count in collections.Counter(f[:400] for f in failures).items():
        print(f"FAULT ({count}x): {phrase}")
    runs = sum(sum(c.values()) for name, c in tally.items() if "temporaries" not in name)
    print(f"{runs} runs: {len(failures)} faults")
    return 1 if failures or runs == 0 else 0


if __name__ == "__main__":
    sys.exit(main())

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
import os
import platform
import random
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import zlib

from common import commands, faults_of, fresh, keep_reference, make_inputs, run, state_of

parser = argparse.ArgumentParser()
parser.add_argument("build")
parser.add_argument("--quick", action="store_true")
parser.add_argument("--only", default="")
parser.add_argument("--calls", default="")
parser.add_argument("--seconds", type=float, default=0)
parser.add_argument("--jobs", type=int, default=2)
options = parser.parse_args()
build = os.path.abspath(options.build)
program, shim = os.environ.get("RAILFOLD", f"{build}/railfold"), f"{build}/tests/fault.so"

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
        cwd = f"{scratch}/work{index}"
        fresh(command, cwd)
        number = 0 if error == "0" else getattr(errno, error.rstrip("+"))
        variables = {"FAULT_CALL": call, "FAULT_AT": str(at), "FAULT_ERROR": str(number),
                     "FAULT_ON": "1" if error.endswith("+") else "0", "LD_PRELOAD": shim}
        try:
            result = run(program, command, cwd, variables)
            wrong, code = faults_of(command, cwd, result, call == "unlink"), result.returncode
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
    for command in commands(inputs, options.only):
        for call, errors in ERRORS.items():
            if options.calls and call not in options.calls.split(","):
                continue
            cwd = f"{scratch}/reference"
            fresh(command, cwd)
            counted = run(program, command, cwd,
                          {"FAULT_CALL": call, "FAULT_COUNT": f"{scratch}/count", "LD_PRELOAD": shim})
            keep_reference(command, cwd, counted)
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
    if platform.machine() != "x86_64":
        print("the shim knows the registers of x86-64 alone")
        return 77
    deadline = time.monotonic() + options.seconds
    scratch = tempfile.mkdtemp(prefix="railfold-faults-")
    try:
        inputs = f"{scratch}/inputs"
        make_inputs(program, inputs)
        before = state_of(inputs)
        jobs = plan_jobs(scratch, inputs)
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

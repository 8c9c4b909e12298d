"""What the fault tests share: the commands that are tried, their inputs, and what must hold after each run."""
import hashlib
import os
import re
import shutil
import subprocess
import sys

here = os.path.dirname(os.path.abspath(__file__))
DOCUMENTED = {0, 3, 4, 5, 6}
# Times differ from run to run, and so does the digest of the page, which holds them.
TIMES = re.compile(rb'"seconds": (\{[^}]*\}|[0-9.e+-]+)|"peak_memory_bytes": [0-9]+|"p.html", "sha256": "[0-9a-f]+"')


class Command:
    def __init__(self, name, arguments, outputs, whole_set=False, tells_unreadable=False):
        self.name, self.arguments, self.outputs, self.whole_set = name, arguments, outputs, whole_set
        self.tells_unreadable = tells_unreadable
        self.reference = {}


def commands(inputs, only=""):
    """Those named, with commas between; all when none is."""
    return [c for c in all_commands(inputs) if not only or c.name in only.split(",")]


def all_commands(inputs):
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
                  ["p.json", "p.csv"], whole_set=True)
    yield Command("depth", ["depth", f"{depth}/d.tif", "--confidence", f"{depth}/c.tif", "--picture", f"{depth}/m.png",
                            "--profile", "2,30,90,30", "--csv", "p.csv", "--plot", "p.svg", "--plane", "fit", "--levelled",
                            "l.tif", "--colour", "v.png", "--drape", "a.jpg", "--mesh", "s.obj", "--points", "400",
                            "--cloud", "c.ply", "--report", "r.json"],
                  ["p.csv", "p.svg", "l.tif", "v.png", "a.jpg", "s.obj", "s.mtl", "s.png", "c.ply", "r.json"], whole_set=True)


def make_inputs(program, folder):
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


def run(program, command, cwd, variables=None, **more):
    return subprocess.run([program, *command.arguments], cwd=cwd, env={**os.environ, "LC_ALL": "C", **(variables or {})},
                          stdin=subprocess.DEVNULL, capture_output=True, timeout=120, **more)


def keep_reference(command, cwd, result):
    """What a run without a fault made: the one there is to compare with."""
    assert result.returncode == 0, (command.name, result)
    command.reference = {name: content(f"{cwd}/{name}") for name in command.outputs}
    command.reference["stdout"] = TIMES.sub(b"", result.stdout)


def fresh(command, cwd):
    """An empty folder, or one with older outputs for a command that replaces them."""
    os.makedirs(cwd, exist_ok=True)
    for name in os.listdir(cwd):
        shutil.rmtree(f"{cwd}/{name}") if os.path.isdir(f"{cwd}/{name}") else os.unlink(f"{cwd}/{name}")
    for name in command.outputs if "--force" in command.arguments else []:
        with open(f"{cwd}/{name}", "wb") as file:
            file.write(b"precious")


def temporaries(cwd):
    return [n for _, _, names in os.walk(cwd) for n in names if n.startswith(".railfold-")]


def faults_of(command, cwd, result, may_leave_temporaries=False):
    """What is wrong with how the run ended, as a list of phrases."""
    wrong = []
    old = "--force" in command.arguments
    code, said = result.returncode, result.stderr.decode("utf-8", "replace")
    if temporaries(cwd) and not may_leave_temporaries:
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



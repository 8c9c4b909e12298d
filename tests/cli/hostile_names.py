"""Names and texts made to break what quotes them: every report parses and says the name, every page stays one page.

Usage: hostile_names.py RAILFOLD, in an empty folder."""
import html.parser
import json
import os
import subprocess
import sys
import xml.dom.minidom

from PIL import Image

here = os.path.dirname(os.path.abspath(__file__))

program = sys.argv[1]
NAMES = [b"my take", b"it's", b'a "quoted" one', b"two\nlines", b"\ttab\r", b"lichen \xff\xfe", b"-o", b"--force",
         b"<script>alert(1)<", b"<img src=x onerror=alert(1)>", b"&amp;&#60;",
         b"%s%n%d", b"$(touch oops)", b"`touch oops`", b";touch oops", b"a\\b\\\\", b"\x1b[31mred\x1b[0m", b"\xe2\x80\xaeright",
         "Flechte \u00e4\u00f6 \U0001f33f".encode(), b"*?[x]", b"]]>", b"{\"a\":1}", b",;", b"~", b"x" * 200]
MODEL = "</script><script>alert(1)</script>\"'<b>\u00e9"
faults = []


class Page(html.parser.HTMLParser):
    """Collects elements, attributes that run code, and the text of each script."""

    def __init__(self):
        super().__init__()
        self.tags, self.bad, self.scripts, self.inside = [], [], [], False

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.bad += [a for a, _ in attributes if a.startswith("on") or a == "src" and not _.startswith("data:")]
        self.inside = tag == "script"
        if self.inside:
            self.scripts.append([dict(attributes).get("type", ""), ""])

    def handle_endtag(self, tag):
        self.inside = False

    def handle_data(self, data):
        if self.inside:
            self.scripts[-1][1] += data


def shown(name):
    return name.decode("utf-8", "replace")


def check(name, what, good, detail=""):
    if not good:
        print(f"FAULT: {name!r}: {what} {detail}")
        faults.append(f"{name!r}: {what} {detail}")


def run(name, *arguments):
    result = subprocess.run([program, *arguments], stdin=subprocess.DEVNULL, capture_output=True)
    check(name, f"{arguments[0]!r} ends with {result.returncode}", result.returncode == 0, result.stderr)
    for line in (result.stdout + result.stderr).split(b"\n"):
        if arguments[0] != b"merge" or line not in MERGED:  # merge prints the paths it wrote, as they are
            check(name, f"{arguments[0]!r} prints control bytes", not any(b < 32 or b == 127 for b in line), line)
    return result


def report(name, path, kinds):
    with open(path, encoding="utf-8", errors="strict") as file:
        data = json.load(file)
    os.unlink(path)
    check(name, f"{kinds} does not say the name", shown(name) in json.dumps(data, ensure_ascii=False).replace('\\"', '"')
          .replace("\\n", "\n").replace("\\t", "\t").replace("\\r", "\r").replace("\\\\", "\\").replace("\\u001b", "\x1b"))
    return data


def page_of(path):
    with open(path, encoding="utf-8", errors="strict") as file:
        page = Page()
        page.feed(file.read())
    os.unlink(path)
    return page


def frames(folder, name):
    os.makedirs(folder)
    exif = Image.Exif()
    exif[0x0110], exif[0x010F], exif[0x010E] = MODEL, MODEL, MODEL  # model, make, description
    for k in range(3):
        Image.open(f"plain/f{k + 1}.jpg").save("frame.jpg", quality=95, exif=exif)
        os.rename("frame.jpg", os.path.join(folder, name[:180] + b"%d.jpg" % k))


subprocess.run([sys.executable, f"{here}/make_frames.py", "plain", "3", "--size", "96x64"], check=True)
plain = None
for name in NAMES:
    folder = os.path.join(os.getcwdb(), name)
    MERGED = (name + b"-merged.tif\n" + folder + b"-depth.tif\np.html\nr.json").split(b"\n")
    frames(folder, name)
    run(name, b"merge", b"-q", b"--no-align", b"--report", b"r.json", b"--page", b"p.html", b"--depth", folder + b"-depth.tif",
        b"--", name)
    data = report(name, "r.json", "the report of merge")
    check(name, "files of the report", [f["file"] for f in data["frames"]] ==
          [shown(os.path.join(name, name[:180] + b"%d.jpg" % k)) for k in range(3)], [f["file"] for f in data["frames"]])
    page = page_of("p.html")
    plain = plain or (page.tags, len(page.scripts))
    check(name, "the page has other elements", page.tags == plain[0], set(page.tags) ^ set(plain[0]))
    check(name, "the page runs code of an attribute", not page.bad, page.bad)
    for kind, text in page.scripts:
        if "json" in kind:
            json.loads(text)
    run(name, b"check", b"-q", b"--report", b"r.json", b"--", name)
    report(name, "r.json", "the report of check")
    run(name, b"takes", b"-q", b"--no-look", b"--report", b"r.json", b"--", name)
    report(name, "r.json", "the report of takes")
    run(name, b"depth", b"--step", b"0.1mm", b"--report", b"r.json", b"--profile", b"1,1,40,20", b"--plot", b"p.svg", b"--",
        folder + b"-depth.tif")
    report(name, "r.json", "the report of depth")
    xml.dom.minidom.parse("p.svg")
    os.unlink("p.svg")
    missing = subprocess.run([program, b"merge", b"-o", b"x.tif", b"--", name + b"/none.jpg"], capture_output=True)
    check(name, "a fault is not one sentence", missing.returncode == 3 and missing.stderr.count(b"\n") == 1, missing.stderr)
if os.path.exists("oops"):
    check(b"", "a name was run as a command", False)
print(f"{len(NAMES)} names, {len(faults)} faults")
sys.exit(bool(faults))

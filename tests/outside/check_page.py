#!/usr/bin/env python3
"""The page of a run, opened from disk in a real headless Chromium: no console message, no request, and everything a hand or
a keyboard can do works. Usage: check_page.py build/release [SCREENSHOT.png]"""
import base64
import html
import json
import os
import re
import sys
import tempfile

from page_test import NASTY, check, finish, names_for_readers, page_text, railfold, render, render_nasty, use_page

try:
    import cv2
    import numpy as np
except ImportError as missing:
    print("needs OpenCV:", missing)
    sys.exit(77)

STEP, PIXEL = 0.1, 0.012
WIDTH, HEIGHT = 420, 280


def make_page():
    names = render_nasty("--scene", "pebble", "--size", f"{WIDTH}x{HEIGHT}", "--frames", "12", "--seed", "2")
    with open(os.path.join(NASTY, names[3]), "r+b") as frame:  # one that cannot be read: a warning
        frame.truncate(3000)
    railfold("merge", "-q", "--skip-bad", "--step", "0.1mm", "--pixel", "12um", "-o", "m.tif", "--depth", "d.tif", "--confidence",
             "c.tif", "--sigma", "s.tif", "--report", "r.json", "--page", "page.html", NASTY)
    return names


def parallel():
    """In the parallel view a frame of the page lies right on the merged picture where it is sharp, far from the centre too."""
    render("near", "--scene", "pebble", "--size", f"{WIDTH}x{HEIGHT}", "--frames", "12", "--seed", "4", "--distance", "150")
    railfold("merge", "-q", "--view", "parallel", "-o", "n.png", "--depth", "n.tif", "--sigma", "ns.tif", "--page", "near.html",
             os.path.join("near", "frames"))
    text, merged, depth = open("near.html", encoding="utf-8").read(), cv2.imread("n.png", 0).astype(float), cv2.imread("n.tif", -1)
    check("the page says that it is to scale", "To scale at every depth" in text)
    sigma = cv2.imread("ns.tif", -1)
    check("sigma of the parallel view is known everywhere", sigma.shape == depth.shape and bool((sigma > 0).all()))
    seen = 0
    for number, data in re.findall(r'class="frame-picture" data-frame="(\d+)">([^<]+)<', text):
        frame = cv2.imdecode(np.frombuffer(base64.b64decode(data), np.uint8), 0).astype(float)
        y, x = np.indices(depth.shape)
        sharp = (np.abs(depth - int(number)) < 0.4) & (np.hypot(x - WIDTH / 2, y - HEIGHT / 2) > 100)
        sharp[:12], sharp[-12:], sharp[:, :12], sharp[:, -12:] = False, False, False, False
        if sharp.sum() < 1500 or abs(int(number) - 6) < 3:
            continue
        seen += 1
        error = {(dx, dy): np.abs(np.roll(frame, (dy, dx), (0, 1)) - merged)[sharp].mean() for dx in range(-2, 3) for dy in range(-2, 3)}
        check(f"frame {number} lies where it is sharp", min(error, key=error.get) == (0, 0), str(min(error, key=error.get)))
    check("and that was seen on some frames", seen >= 2, str(seen))


def number(text, pattern):
    found = re.search(pattern, text)
    return float(found.group(1)) if found else float("nan")


def length(text, pattern):
    found = re.search(pattern + r"(-?[\d.e+-]+) (mm|um)", text)
    return float(found.group(1)) * (1 if found.group(2) == "mm" else 0.001) if found else float("nan")


def static_checks(names):
    text = page_text()
    check("names are escaped", html.escape(NASTY).replace("&#x27;", "&#39;") in text)
    check("the broken frame is named", "Frame 3 was left out" in text and names[3] in text)
    check("size within reason", len(text) < 8e6, f"{len(text) / 1e6:.2f} MB")


def hover(b, depth, confidence, report):
    left, top, width = (b.js(f"document.getElementById('stage').getBoundingClientRect().{side}") for side in ("left", "top", "width"))

    def at(x, y):
        return left + (x + 0.5) * width / WIDTH, top + (y + 0.5) * width / WIDTH

    for x, y in ((60, 200), (210, 140), (300, 220)):
        b.mouse("mouseMoved", *at(x, y))
        said = b.js("document.getElementById('readout').textContent")
        got, wanted = length(said, "depth "), float(depth[y, x])
        check(f"depth under the pointer at {x},{y}", abs(got - wanted) < 2e-3 and f"x {x}, y {y}:" in said, f"{said} | {wanted:.4f}")
        frame = int(number(said, r"from frame (\d+)"))
        used = [f["index"] for f in report["frames"] if f["used"]]
        check("the frame it came from", abs(frame - wanted / STEP) < min(abs(k - wanted / STEP) for k in used) + 1e-4 and os.path.basename(report["frames"][frame]["file"]) in said)
        sigma = float(cv2.imread("s.tif", cv2.IMREAD_UNCHANGED)[y, x])
        # 2 % of the code and half of the second digit
        check("its standard deviation", abs(length(said, "\u00b1 ") / sigma - 1) < 0.07, f"{sigma:.4f}")
        check("its confidence", abs(number(said, r"confidence ([\d.]+)") - float(confidence[y, x])) < 0.01)
    return at


def profile(b, at, depth):
    b.drag(*at(80, 150), *at(330, 190))
    check("a dragged line shows its profile", not b.js("document.getElementById('profile').hidden"))
    said = b.js("document.getElementById('profile-text').textContent")
    check("from where to where", "From 80, 150 to 330, 190" in said, said)
    check("its length", abs(length(said, r"190: ") - (250**2 + 40**2) ** 0.5 * PIXEL) < 0.02)
    check("its rise", abs(length(said, r"across, ") - float(depth[190, 330] - depth[150, 80])) < 0.02)
    points = b.js("document.querySelector('#plot-profile .one').getAttribute('d').split('L').length")
    check("as many samples as pixels", abs(points - 254) < 20, str(points))
    check("with a band of one deviation", b.js("document.querySelector('#plot-profile .band').getAttribute('d').length") > 1000)
    check("a drag does not change the layer", b.js("document.getElementById('show-merged').checked"))
    b.js("document.getElementById('x1').value = 100; document.getElementById('y1').value = 150; document.getElementById('draw').click()")
    check("a line by numbers", "to 100, 150" in b.js("document.getElementById('profile-text').textContent"))
    b.js("document.getElementById('clear').click()")
    check("cleared", b.js("document.getElementById('profile').hidden"))


def visible_frames(b):
    return b.js("Array.from(document.querySelectorAll('#stage img.over')).filter(i => !i.hidden).map(i => i.alt)")


def layers(b, at, depth, report):
    check("at first the merged picture", visible_frames(b) == [])
    b.mouse("mousePressed", *at(300, 220), "left", 1)
    b.mouse("mouseReleased", *at(300, 220), "left")
    shown = visible_frames(b)
    place = float(depth[220, 300]) / STEP
    wanted = min((f["index"] for f in report["frames"] if f["used"]), key=lambda k: abs(k - place))
    check("a click shows the frame a place came from", shown == [f"Frame {wanted} of the take, moved into place"], str(shown))
    check("every kept frame is a picture", b.js("Array.from(document.querySelectorAll('#stage img')).every(i => i.complete && i.naturalWidth > 100)"))
    b.js("document.getElementById('frame').focus()")
    before = b.js("document.getElementById('frame').value")
    b.key("ArrowRight")
    after = b.js("document.getElementById('frame').value")
    check("the slider moves by keyboard", int(after) == int(before) + 1 and len(visible_frames(b)) == 1)
    check("and says which frame", b.js("document.getElementById('frame').getAttribute('aria-valuetext')").endswith(".jpg"))
    check("the plots mark it", b.js("document.querySelectorAll('svg.plot .now').length") == 3)
    b.js("document.getElementById('show-depth').click()")
    check("the depth view", visible_frames(b) == ["Depth as colours"] and not b.js("document.getElementById('depth-key').hidden"))
    b.js("document.getElementById('show-merged').click()")
    check("back to the merged picture", visible_frames(b) == [])


def keyboard(b):
    b.js("document.activeElement.blur(); window.scrollTo(0, 0)")
    for _ in range(3):
        b.key("Tab")
        if b.js("document.activeElement.id") == "stage":
            break
    check("Tab reaches the picture", b.js("document.activeElement.id") == "stage")
    check("and shows a cross", not b.js("document.getElementById('cross-x').hasAttribute('hidden')"))
    b.key("ArrowRight")
    said = b.js("document.getElementById('readout').textContent")
    check("arrows tell the depth", f"x {WIDTH // 2 + 2}, y {HEIGHT // 2}" in said, said)
    b.key("Enter")
    for _ in range(3):
        b.key("ArrowDown", shift=True)
    b.key("Enter")
    said = b.js("document.getElementById('readout').textContent")
    check("Enter starts and ends a line", f"to {WIDTH // 2 + 2}, {HEIGHT // 2 + 63}" in said, said)
    b.key("Escape")
    check("Escape clears it", b.js("document.getElementById('profile').hidden"))
    for key, wanted in (("d", 1), ("m", 0), ("f", 1), ("m", 0)):
        b.key(key, "Key" + key.upper())
        check(f"key {key}", len(visible_frames(b)) == wanted)


def plots(b, report):
    used = sum(f["used"] for f in report["frames"])
    for name, values in (("sharp", 12), ("drift", used), ("gain", used)):
        points = b.js(f"document.querySelector('#plot-{name} .one').getAttribute('d').split(/[ML]/).length - 1")
        check(f"plot {name} has a point a frame", points == values, f"{points} {values}")
    check("the table has every frame", b.js("document.querySelectorAll('tbody tr').length") == 12)


with tempfile.TemporaryDirectory() as folder:
    os.chdir(folder)
    names = make_page()
    static_checks(names)
    depth, confidence = (cv2.imread(n, cv2.IMREAD_UNCHANGED) for n in ("d.tif", "c.tif"))
    report = json.load(open("r.json", encoding="utf-8"))

    def use(b):
        plots(b, report)
        at = hover(b, depth, confidence, report)
        profile(b, at, depth)
        layers(b, at, depth, report)
        keyboard(b)
        names_for_readers(b, {"slider": 1, "radio": 3, "button": 0, "image": 1, "status": 1, "heading": 4}, ("status",))
        b.js("window.scrollTo(0, 0)")
        b.drag(*at(80, 150), *at(330, 190))

    use_page(NASTY, use)
    shot = cv2.imread("shot.png")
    check("the screenshot is not blank", shot is not None and shot.std() > 20)
    parallel()
    os.chdir("/")
finish()

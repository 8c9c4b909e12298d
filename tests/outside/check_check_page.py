#!/usr/bin/env python3
"""The page of a check, opened from disk in a real headless Chromium: no console message, no request, every control by
keyboard and with a name, and what it draws is what the report says. Usage: check_check_page.py build/release [SHOT.png]"""
import json
import os
import re
import tempfile

from page_test import NASTY, check, finish, names_for_readers, page_text, railfold, render_nasty, use_page

FRAMES = 16


def make_page():
    names = render_nasty("--scene", "bristles", "--size", "480x320", "--frames", str(FRAMES), "--seed", "5", "--dust", "3",
                         "--fault", "bump:14:10")
    os.truncate(os.path.join(NASTY, names[3]), 0)  # one that cannot be read
    railfold("check", "-q", "--report", "r.json", "--page", "page.html", NASTY)
    with open("r.json", encoding="utf-8") as file:
        return json.load(file)


def findings(b, report):
    kinds = {f["kind"] for f in report["findings"]}
    check("the take has what was done to it", {"bump", "unreadable", "sensor"} <= kinds, str(kinds))
    check("the verdict", b.js("document.querySelector('.verdict strong').textContent") == report["verdict"] == "retake")
    bump = next(f for f in report["findings"] if f["kind"] == "bump")
    b.js("document.querySelector('button.show[aria-label^=\"Show bump\"]').click()")
    said = b.js("document.getElementById('readout').textContent")
    check("a finding shows its frame", f"Frame {bump['frames'][0]}, " in said and "bump" in said, said)
    check("and its row", b.js("document.querySelector('tr.chosen').id") == f"row-{bump['frames'][0]}")
    unreadable = next(f for f in report["findings"] if f["kind"] == "unreadable")
    b.js("document.querySelector('button.show[aria-label^=\"Show unreadable\"]').click()")
    check("also that of a frame without a picture", b.js("document.querySelector('tr.chosen').id") == f"row-{unreadable['frames'][0]}")


def drawings(b, report):
    used = [f for f in report["frames"] if f["used"]]
    for name, values in (("moved", len(used)), ("light", len(used))):
        points = b.js(f"document.querySelector('#plot-{name} .one').getAttribute('d').split(/[ML]/).length - 2")
        check(f"plot {name} has a point a frame", points == values, f"{points} {values}")
    steps = b.js("document.querySelector('#plot-steps .one').getAttribute('d').split('V').length - 1")
    check("a bar for each known step", steps == sum(f["used"] and f["step"] is not None for f in report["frames"]))
    check("the frames with a finding are marked", b.js("document.querySelectorAll('#plot-moved path.fault, #plot-moved path.warning, "
                                                       "#plot-moved path.note').length") == sum(bool(f["note"]) for f in report["frames"]))
    d = b.js("document.querySelector('#plot-moved .one').getAttribute('d')")
    ends = [float(y) for y in re.findall(r"[ML][\d.]+ ([\d.]+)", d)][1:]
    right = [f["shift_px"][0] for f in used]
    scale = (ends[-1] - ends[0]) / (right[-1] - right[0])
    error = max(abs(ends[0] + scale * (x - right[0]) - y) for x, y in zip(right, ends))
    check("the curve is the report's", scale < 0 and error < 0.2, f"{error:.2f}")
    check("dust is drawn", b.js("document.querySelectorAll('#dust circle').length") == len(report["dust_spots"]) > 0)
    check("the table has every frame", b.js("document.querySelectorAll('tbody tr').length") == FRAMES)


def keyboard(b):
    b.js("document.activeElement.blur(); window.scrollTo(0, 0)")
    for _ in range(20):
        b.key("Tab")
        if b.js("document.activeElement.className") == "strip":
            break
    check("Tab reaches the strip of frames", b.js("document.activeElement.className") == "strip")
    b.key("Home")
    first = b.js("document.getElementById('picture').src")
    check("Home: the first frame", "Frame 0," in b.js("document.getElementById('picture').alt"))
    b.key("ArrowRight")
    check("an arrow: the next one", "Frame 1," in b.js("document.getElementById('readout').textContent"))
    check("its picture is another", b.js("document.getElementById('picture').src") != first)
    check("one frame is chosen, and said to be", b.js("document.querySelectorAll('[aria-selected=true]').length") == 1
          and b.js("document.querySelector('.strip').getAttribute('aria-activedescendant')") == "thumb-1")
    b.key("End")
    check("End: the last one", f"Frame {FRAMES - 1}," in b.js("document.getElementById('readout').textContent"))
    before = b.js("document.querySelector('#plot-light .now').getAttribute('d')")
    b.key("ArrowLeft")
    check("the plots follow", b.js("document.querySelector('#plot-light .now').getAttribute('d')") != before)
    b.js("document.getElementById('show-dust').click()")
    check("dust can be left out", b.js("document.getElementById('dust').hasAttribute('hidden')"))
    b.js("document.getElementById('show-dust').click()")
    check("every picture is one", b.js("Array.from(document.images).every(i => i.complete && i.naturalWidth > 100)"))
    check("a frame that cannot be read has none", b.js("document.querySelectorAll('.thumb').length") == FRAMES - 1)


with tempfile.TemporaryDirectory() as folder:
    os.chdir(folder)
    report = make_page()
    check("every finding is told", page_text().count('<li class="') == len(report["findings"]), str(len(report["findings"])))

    def use(b):
        findings(b, report)
        drawings(b, report)
        keyboard(b)
        names_for_readers(b, {"checkbox": 3, "button": 2, "image": 4, "heading": 6, "option": FRAMES - 1, "listbox": 1})
        b.js("window.scrollTo(0, 0)")

    use_page(NASTY + ": retake", use)
    os.chdir("/")
finish()

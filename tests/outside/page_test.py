"""What the tests of the two pages share: the tally, a take in a folder with a hostile name, the page in a browser, and the
names that a screen reader says, which are those of Chromium's accessibility tree."""
import os
import re
import shutil
import subprocess
import sys

import browser

if browser.program() is None:
    print("needs chromium")
    sys.exit(77)

BUILD = os.path.abspath(sys.argv[1])
SHOT = os.path.abspath(sys.argv[2]) if len(sys.argv) > 2 else None
NASTY = "a <b>'moss' & \"pebble\" <script>alert(1)<"
faults = []


def check(name, good, detail=""):
    print(("ok   " if good else "FAIL ") + name, detail)
    if not good:
        faults.append(name)


def railfold(*arguments):
    subprocess.run([os.path.join(BUILD, "railfold"), *arguments], check=True, stdout=subprocess.DEVNULL)


def render(folder, *arguments):
    """A take of the take maker in `folder`: folder/frames."""
    subprocess.run([os.path.join(BUILD, "tools", "take-maker"), *arguments, "--quiet", "--threads", "2", folder], check=True)


def render_nasty(*arguments):
    """The frames of a rendered take in NASTY, and their names."""
    render("take", *arguments)
    os.rename(os.path.join("take", "frames"), NASTY)
    return sorted(os.listdir(NASTY))


def page_text():
    with open("page.html", encoding="utf-8") as file:
        text = file.read()
    check("nothing from elsewhere", not re.search(r"(src|href)=[\"'](?!data:)", text) and "https://" not in text
          and "http://" not in text.replace("http://www.w3.org/2000/svg", ""))
    check("no name of a file can end its place", NASTY not in text and "<script>alert" not in text and "<b>" not in text)
    return text


def names_for_readers(b, least_of, may_be_nameless=()):
    """Each role of `least_of` is there that often, and every one of it has a name."""
    roles = {}
    for node in b.call("Accessibility.getFullAXTree")["nodes"]:
        if not node.get("ignored"):
            role = {"ListBox": "listbox"}.get(node["role"]["value"], node["role"]["value"])
            roles.setdefault(role, []).append(node.get("name", {}).get("value", ""))
    for role, least in least_of.items():
        found = roles.get(role, [])
        check(f"{role}: there, and each with a name", len(found) >= least and (role in may_be_nameless or all(found)), str(len(found)))
    check("the language is said", b.js("document.documentElement.lang") == "en")


def use_page(title, use):
    """Opens the page, has `use` try everything, takes the screenshot shot.png, and looks for complaints."""
    b = browser.Browser()
    try:
        b.open("page.html")
        check("the script ran to its end", b.js("document.documentElement.dataset.ready") == "yes")
        check("the title is the take's", b.js("document.title") == title, b.js("document.title"))
        use(b)
        b.screenshot("shot.png")
        said = b.complaints()
        check("no console message and no request", not said, str(said[:3]))
        if SHOT:
            shutil.copy("shot.png", SHOT)
    finally:
        b.close()


def finish():
    for fault in faults:
        print("FAULT", fault)
    sys.exit(1 if faults else 0)

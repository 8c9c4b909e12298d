"""A headless Chromium steered over its debugging pipe (Chrome DevTools Protocol: JSON texts with a NUL behind each)."""
import base64
import json
import os
import select
import shutil
import subprocess
import tempfile
import time


def program():
    for name in ("chromium", "chromium-browser"):
        if shutil.which(name):
            return name
    return None


class Browser:
    def __init__(self, width=1200, height=1400):
        self.folder = tempfile.mkdtemp()
        to_browser, self.out = os.pipe()
        self.into, from_browser = os.pipe()

        def take_places():  # the protocol reads from 3 and writes to 4; above 10 first, so that neither closes the other
            a, b = os.dup2(to_browser, 60), os.dup2(from_browser, 61)
            os.dup2(a, 3)
            os.dup2(b, 4)

        self.process = subprocess.Popen(
            [program(), "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-extensions",
             "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run",
             "--host-resolver-rules=MAP * ~NOTFOUND", "--remote-debugging-pipe", f"--user-data-dir={self.folder}",
             f"--window-size={width},{height}", "about:blank"],
            preexec_fn=take_places, close_fds=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        os.close(to_browser)
        os.close(from_browser)
        self.number, self.rest, self.events, self.session = 0, b"", [], None
        target = next(t for t in self.call("Target.getTargets")["targetInfos"] if t["type"] == "page")
        self.session = self.call("Target.attachToTarget", targetId=target["targetId"], flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network", "Accessibility"):
            self.call(domain + ".enable")
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)

    def _read(self, until):
        while b"\0" not in self.rest:
            if not select.select([self.into], [], [], max(0, until - time.monotonic()))[0]:
                raise TimeoutError("the browser does not answer")
            self.rest += os.read(self.into, 1 << 20)
        text, self.rest = self.rest.split(b"\0", 1)
        return json.loads(text)

    def call(self, method, **parameters):
        self.number += 1
        message = {"id": self.number, "method": method, "params": parameters}
        if self.session:
            message["sessionId"] = self.session
        os.write(self.out, json.dumps(message).encode() + b"\0")
        until = time.monotonic() + 120
        while True:
            answer = self._read(until)
            if answer.get("id") == self.number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]
            self.events.append(answer)

    def open(self, path):
        self.call("Page.navigate", url="file://" + os.path.abspath(path))
        for _ in range(600):
            if self.js("document.readyState") == "complete":
                return
            time.sleep(0.1)
        raise TimeoutError("the page does not load")

    def js(self, expression):
        got = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in got:
            raise RuntimeError(got["exceptionDetails"].get("exception", {}).get("description", "?"))
        return got["result"].get("value")

    def mouse(self, kind, x, y, button="none", buttons=0):
        self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button=button, buttons=buttons, clickCount=1)

    def drag(self, x0, y0, x1, y1):
        self.mouse("mousePressed", x0, y0, "left", 1)
        for i in range(1, 6):
            self.mouse("mouseMoved", x0 + (x1 - x0) * i / 5, y0 + (y1 - y0) * i / 5, "left", 1)
        self.mouse("mouseReleased", x1, y1, "left")

    def key(self, name, code=None, shift=False):
        codes = {"ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40, "Enter": 13, "Escape": 27, "Tab": 9}
        more = {"text": "\r"} if name == "Enter" else {}
        if len(name) == 1:
            more = {"text": name}
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=name, code=code or name, modifiers=8 if shift else 0,
                      windowsVirtualKeyCode=codes.get(name, ord(name[0].upper())), **(more if kind == "keyDown" else {}))

    def screenshot(self, path, whole=True):
        data = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)["data"]
        open(path, "wb").write(base64.b64decode(data))

    def complaints(self):
        """Console messages, log entries, exceptions, and requests for anything but the file itself and its own data."""
        self.js("0")  # so that what has happened so far has arrived
        out = []
        for event in self.events:
            method, what = event.get("method"), event.get("params", {})
            if method == "Runtime.exceptionThrown":
                out.append("exception: " + json.dumps(what["exceptionDetails"])[:400])
            elif method == "Runtime.consoleAPICalled":
                out.append("console: " + json.dumps(what["args"])[:400])
            elif method == "Log.entryAdded":
                out.append("log: " + what["entry"]["text"][:400])
            elif method == "Network.requestWillBeSent" and not what["request"]["url"].startswith(("file:", "data:", "about:")):
                out.append("request: " + what["request"]["url"][:200])
        return out

    def close(self):
        try:
            session, self.session = self.session, None
            self.call("Browser.close")
            self.process.wait(20)
        except (RuntimeError, TimeoutError, OSError, subprocess.TimeoutExpired):
            self.process.kill()
            self.process.wait()
        os.close(self.out)
        os.close(self.into)
        shutil.rmtree(self.folder, ignore_errors=True)

"""A browser without a screen, driven over its DevTools protocol through two pipes: no port, no network, no library.

The protocol is JSON with a zero byte behind each message (https://chromedevtools.github.io/devtools-protocol/).
"""

import base64
import fcntl
import json
import os
import select
import subprocess
import tempfile
import time

FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--hide-scrollbars", "--remote-debugging-pipe",
]
KEYS = {"ArrowRight": 39, "ArrowLeft": 37, "PageUp": 33, "PageDown": 34, "Home": 36, "End": 35, "Escape": 27, "Tab": 9,
        "Enter": 13}


class Browser:
    """A context: the browser and its profile are gone at its end."""

    def __init__(self, program):
        self.program = program

    def __enter__(self):
        self.profile = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        high = lambda fd: fcntl.fcntl(fd, fcntl.F_DUPFD_CLOEXEC, 20)  # the child's 3 and 4 must be free
        ends = [os.pipe(), os.pipe()]
        (child_in, self.out), (self.back, child_out) = [tuple(map(high, pair)) for pair in ends]
        for fd in sum(ends, ()):
            os.close(fd)
        self.process = subprocess.Popen(
            [self.program, *FLAGS, f"--user-data-dir={self.profile.name}", "about:blank"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, pass_fds=(3, 4),
            preexec_fn=lambda: (os.dup2(child_in, 3), os.dup2(child_out, 4)))
        os.close(child_in)
        os.close(child_out)
        self.read, self.count, self.events = b"", 0, []
        return self

    def __exit__(self, *_):
        self.process.terminate()
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        os.close(self.out)
        os.close(self.back)
        self.profile.cleanup()

    def _message(self, deadline):
        while b"\0" not in self.read:
            if not select.select([self.back], [], [], max(0, deadline - time.monotonic()))[0]:
                raise TimeoutError("the browser does not answer")
            piece = os.read(self.back, 1 << 20)
            if not piece:
                raise ConnectionError(f"the browser ended: is {self.program} whole?")
            self.read += piece
        one, self.read = self.read.split(b"\0", 1)
        return json.loads(one)

    def call(self, method, session=None, **parameters):
        self.count += 1
        message = {"id": self.count, "method": method, "params": parameters}
        if session:
            message["sessionId"] = session
        bytes_ = json.dumps(message).encode() + b"\0"
        while bytes_:
            bytes_ = bytes_[os.write(self.out, bytes_):]
        deadline = time.monotonic() + 60
        while True:
            answer = self._message(deadline)
            if answer.get("id") == self.count:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                return answer["result"]
            self.events.append(answer)

    def wait_for(self, method, session):
        deadline = time.monotonic() + 60
        while not any(event["method"] == method and event.get("sessionId") == session for event in self.events):
            self.events.append(self._message(deadline))


class Tab:
    """A page as a person has it before them, `width` CSS pixels wide."""

    def __init__(self, browser, file, width, height=900):
        self.browser, self.url = browser, file if "://" in file else "file://" + file
        target = browser.call("Target.createTarget", url="about:blank")["targetId"]
        self.target = target
        self.session = browser.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(domain + ".enable")
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1,
                  mobile=width < 600)
        self.call("Page.navigate", url=self.url)
        browser.wait_for("Page.loadEventFired", self.session)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.browser.call("Target.closeTarget", targetId=self.target)

    def call(self, method, **parameters):
        return self.browser.call(method, self.session, **parameters)

    def eval(self, expression):
        result = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in result:
            raise RuntimeError(result["exceptionDetails"].get("exception", {}).get("description", expression))
        return result["result"].get("value")

    def point_at(self, x, y):
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def press(self, key):
        text = {"text": "\r"} if key == "Enter" else {}
        self.call("Input.dispatchKeyEvent", type="keyDown", key=key, code=key, windowsVirtualKeyCode=KEYS[key], **text)
        self.call("Input.dispatchKeyEvent", type="keyUp", key=key, code=key, windowsVirtualKeyCode=KEYS[key])

    def complaints(self):
        """Errors and warnings of scripts, console and browser, and what was asked of a network."""
        self.eval("new Promise((done) => setTimeout(done, 50))")
        found = []
        for event in self.browser.events:
            if event.get("sessionId") != self.session:
                continue
            method, what = event["method"], event["params"]
            if method == "Runtime.exceptionThrown":
                found.append("exception: " + json.dumps(what["exceptionDetails"])[:400])
            elif method == "Runtime.consoleAPICalled" and what["type"] in ("error", "warning", "assert"):
                found.append("console: " + json.dumps(what["args"])[:400])
            elif method == "Log.entryAdded" and what["entry"]["level"] in ("error", "warning"):
                found.append("log: " + what["entry"]["text"])
            elif method == "Network.requestWillBeSent":
                url = what["request"]["url"]
                if url != self.url and not url.startswith("data:"):
                    found.append("request: " + url)
        return found

    def picture(self, file, whole=True):
        if whole:
            size = self.call("Page.getLayoutMetrics")["cssContentSize"]
            clip = {"clip": dict(x=0, y=0, width=size["width"], height=size["height"], scale=1)}
        else:
            clip = {}
        data = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole, **clip)["data"]
        with open(file, "wb") as stream:
            stream.write(base64.b64decode(data))

    def printed(self):
        return base64.b64decode(self.call("Page.printToPDF", preferCSSPageSize=True, printBackground=False)["data"])

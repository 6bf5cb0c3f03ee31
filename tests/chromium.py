"""Headless Chromium for the tests, driven over its debugging pipe with the standard library."""

import base64
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
NO_CHROMIUM = "Chromium is not installed (Debian package chromium)"
_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--remote-debugging-pipe",
)
_PATIENCE_S = 60.0


class Browser:
    """One Chromium; use as a context."""

    def __enter__(self) -> "Browser":
        self._profile = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        their_in, our_out = os.pipe()
        our_in, their_out = os.pipe()
        # The browser reads from 3 and writes to 4; the shell puts the pipes there.
        flags = " ".join([*_FLAGS, f"--user-data-dir='{self._profile.name}'"])
        run = f"exec '{CHROMIUM}' {flags} about:blank 3<&{their_in} 4>&{their_out}"
        self._process = subprocess.Popen(
            ["bash", "-c", run],
            pass_fds=(their_in, their_out),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(their_in)
        os.close(their_out)
        self._out, self._in, self._left = our_out, our_in, b""
        self._id, self.events = 0, []
        return self

    def __exit__(self, *_) -> None:
        self._process.terminate()
        self._process.wait(timeout=30)
        os.close(self._out)
        os.close(self._in)
        self._profile.cleanup()

    def send(self, method: str, session: str | None = None, **params) -> dict:
        """Send one command and wait for its answer; events meanwhile are kept."""
        self._id += 1
        message = {"id": self._id, "method": method, "params": params}
        if session:
            message["sessionId"] = session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self._out, data) :]
        while True:
            found = self._next()
            if found.get("id") == self._id:
                if "error" in found:
                    raise RuntimeError(f"{method}: {found['error']}")
                return found["result"]
            self.events.append(found)

    def wait_for(self, method: str, session: str) -> None:
        """Wait until an event has come."""
        while not any(
            e.get("method") == method and e.get("sessionId") == session for e in self.events
        ):
            self.events.append(self._next())

    def _next(self) -> dict:
        end = time.monotonic() + _PATIENCE_S
        while b"\0" not in self._left:
            if not select.select([self._in], [], [], max(end - time.monotonic(), 0))[0]:
                raise TimeoutError("Chromium does not answer")
            part = os.read(self._in, 1 << 20)
            if not part:
                raise RuntimeError("Chromium has ended")
            self._left += part
        message, _, self._left = self._left.partition(b"\0")
        return json.loads(message)

    def open(self, path: Path, **how) -> "Tab":
        """A page in a tab of its own; see `Tab`."""
        return Tab(self, path, **how)


class Tab:
    """A page that is open.

    Parameters
    ----------
    browser : Browser
        Which shows it.
    path : Path
        File of the page.
    width, height : int
        Of the window. [px]
    dark, paper, scripts : bool
        Whether it is shown in the dark, as on paper, with scripts on.
    """

    def __init__(
        self,
        browser: Browser,
        path: Path,
        *,
        width: int = 1280,
        height: int = 800,
        dark: bool = False,
        paper: bool = False,
        scripts: bool = True,
    ):
        self.browser, self.url = browser, path.resolve().as_uri()
        self.target = browser.send("Target.createTarget", url="about:blank")["targetId"]
        self.session = browser.send("Target.attachToTarget", targetId=self.target, flatten=True)[
            "sessionId"
        ]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.send(f"{domain}.enable")
        self.send(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width < 600,
        )
        self.send(
            "Emulation.setEmulatedMedia",
            media="print" if paper else "screen",
            features=[{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}],
        )
        self.send("Emulation.setScriptExecutionDisabled", value=not scripts)
        self.send("Page.navigate", url=self.url)
        browser.wait_for("Page.loadEventFired", self.session)

    def send(self, method: str, **params) -> dict:
        return self.browser.send(method, self.session, **params)

    def run(self, script: str):
        """The value of an expression in the page (also where its own scripts are off)."""
        found = self.send(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        if "exceptionDetails" in found:
            raise RuntimeError(str(found["exceptionDetails"])[:2000])
        return found["result"].get("value")

    def press(self, key: str, code: int, text: str = "") -> None:
        """Press a key as a hand would."""
        for kind in ("keyDown", "keyUp"):
            self.send(
                "Input.dispatchKeyEvent",
                type=kind,
                key=key,
                windowsVirtualKeyCode=code,
                **({"text": text} if text and kind == "keyDown" else {}),
            )

    def screenshot(self) -> bytes:
        return base64.b64decode(self.send("Page.captureScreenshot", format="png")["data"])

    def complaints(self) -> list[str]:
        """What the browser had to say: errors, warnings, addresses asked for beside the page."""
        self.run("0")
        found = []
        for event in self.browser.events:
            if event.get("sessionId") != self.session:
                continue
            method, params = event["method"], event["params"]
            if method == "Runtime.exceptionThrown":
                found.append(str(params["exceptionDetails"])[:500])
            elif method == "Runtime.consoleAPICalled":
                found.append(f"console: {params['args']}"[:500])
            elif method == "Log.entryAdded":
                found.append(params["entry"]["text"])
            elif method == "Network.requestWillBeSent":
                url = params["request"]["url"]
                if url.split("#")[0] != self.url and not url.startswith("data:"):
                    found.append(f"asked for {url}")
        return found

    def close(self) -> None:
        self.browser.send("Target.closeTarget", targetId=self.target)

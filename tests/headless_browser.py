"""A headless browser for tests, driven over its debugging pipe with the standard library alone."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = ("--headless=new", "--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--hide-scrollbars", "--no-first-run",
         "--disable-background-networking", "--remote-debugging-pipe")
# The browser talks on descriptors 3 and 4; the pipe ends are moved aside first so that neither overwrites the other.
LAUNCH = ("import fcntl, os, sys; r, w = (fcntl.fcntl(int(n), fcntl.F_DUPFD, 20) for n in sys.argv[1:3]); os.dup2(r, 3); os.dup2(w, 4); "
          "os.execvp(sys.argv[3], sys.argv[3:])")


class Page:
    """One open page: what it logged, what it asked for, and ways to act on it."""

    def __init__(self, folder: Path, size_px: tuple[int, int] = (1200, 900), flags: tuple[str, ...] = ()) -> None:
        from_here, to_browser = os.pipe()
        from_browser, from_it = os.pipe()
        command = [sys.executable, "-c", LAUNCH, str(from_here), str(from_it), str(BROWSER), *FLAGS, *flags, f"--user-data-dir={folder}/profile",
                   f"--window-size={size_px[0]},{size_px[1]}", "about:blank"]
        with (folder / "browser.log").open("wb") as log:
            self.browser = subprocess.Popen(command, pass_fds=(from_here, from_it), stderr=log, stdout=log)
        os.close(from_here)
        os.close(from_it)
        self.to_browser, self.from_browser = os.fdopen(to_browser, "wb", buffering=0), os.fdopen(from_browser, "rb", buffering=0)
        self.buffer, self.n_sent, self.session = b"", 0, None
        self.events: list[dict[str, Any]] = []
        target = next(t for t in self.send("Target.getTargets")["targetInfos"] if t["type"] == "page")
        self.session = self.send("Target.attachToTarget", targetId=target["targetId"], flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.send(f"{domain}.enable")
        self.send("Emulation.setDeviceMetricsOverride", width=size_px[0], height=size_px[1], deviceScaleFactor=1, mobile=False)

    def __enter__(self) -> Page:
        return self

    def __exit__(self, *_: object) -> None:
        self.browser.terminate()
        self.browser.wait(20)
        self.to_browser.close()
        self.from_browser.close()

    def send(self, method: str, **params: Any) -> dict[str, Any]:
        """Send one command and wait for its answer; events that come first are kept."""
        self.n_sent += 1
        message = {"id": self.n_sent, "method": method, "params": params} | ({"sessionId": self.session} if self.session else {})
        self.to_browser.write(json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self.n_sent:
                assert "error" not in answer, (method, answer["error"])
                return answer["result"]
            self.events.append(answer)

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self.buffer:
            more = self.from_browser.read(1 << 20)
            assert more, "the browser ended"
            self.buffer += more
        message, self.buffer = self.buffer.split(b"\0", 1)
        return json.loads(message)

    def open(self, path: Path, ready: str = "true") -> None:
        """Open a file and wait until the JavaScript expression `ready` holds, 30 s at most."""
        self.send("Page.navigate", url=path.as_uri())
        end = time.monotonic() + 30
        while not self.evaluate(f"document.readyState === 'complete' && Boolean({ready})"):
            assert time.monotonic() < end, f"{path.name}: {ready} did not come true"
            time.sleep(0.05)

    def evaluate(self, expression: str) -> Any:
        """Value of a JavaScript expression in the page; promises are awaited."""
        answer = self.send("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def press(self, key: str) -> None:
        """One key, down and up."""
        for kind in ("keyDown", "keyUp"):
            self.send("Input.dispatchKeyEvent", type=kind, key=key)

    def mouse(self, kind: str, x: float, y: float) -> None:
        """A mouse event in page pixels: mousePressed, mouseMoved, mouseReleased."""
        self.send("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", buttons=0 if kind == "mouseReleased" else 1, clickCount=1)

    def screenshot(self, is_whole: bool = False) -> bytes:
        """The page as PNG: what is in the window, or all of it."""
        return base64.b64decode(self.send("Page.captureScreenshot", format="png", captureBeyondViewport=is_whole)["data"])

    @property
    def complaints(self) -> list[dict[str, Any]]:
        """Uncaught exceptions, console errors and warnings, and errors that the browser itself logged."""
        self.evaluate("0")
        return [
            event for event in self.events
            if event["method"] == "Runtime.exceptionThrown"
            or (event["method"] == "Runtime.consoleAPICalled" and event["params"]["type"] in ("error", "warning", "assert"))
            or (event["method"] == "Log.entryAdded" and event["params"]["entry"]["level"] == "error")
        ]

    @property
    def requests(self) -> list[str]:
        """Addresses that the page asked for, data addresses left out."""
        self.evaluate("0")
        asked = [event["params"]["request"]["url"] for event in self.events if event["method"] == "Network.requestWillBeSent"]
        return [address for address in asked if not address.startswith("data:")]

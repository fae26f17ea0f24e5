"""A real browser over its own debugging pipe: pages loaded, keys pressed, scripts asked, what its console says."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

__all__ = ["Browser", "browser"]

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--hide-scrollbars", "--mute-audio", "--autoplay-policy=no-user-gesture-required",
)  # fmt: skip
# Longer than this [s] no answer takes.
PATIENCE = 60.0


class Browser:
    """One page of a browser."""

    def __init__(self, to_browser: int, from_browser: int) -> None:
        self.to_browser, self.from_browser = to_browser, from_browser
        self.rest = b""
        self.numbers = itertools.count(1)
        self.session = ""
        self.console: list[str] = []
        self.loaded = 0
        page = next(one for one in self.asks("Target.getTargets")["targetInfos"] if one["type"] == "page")
        self.session = self.asks("Target.attachToTarget", targetId=page["targetId"], flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.asks(f"{domain}.enable")

    def asks(self, method: str, **given: Any) -> Any:
        """Ask and wait for the answer; what comes in between is kept."""
        number = next(self.numbers)
        message = {"id": number, "method": method, "params": given} | ({"sessionId": self.session} if self.session else {})
        os.write(self.to_browser, json.dumps(message).encode() + b"\0")
        while True:
            found = self._next()
            if found.get("id") == number:
                assert "error" not in found, (method, found["error"])
                return found["result"]

    def _next(self) -> Any:
        begun = time.monotonic()
        while b"\0" not in self.rest:
            assert time.monotonic() - begun < PATIENCE
            part = os.read(self.from_browser, 1 << 20)
            assert part, "the browser is gone"
            self.rest += part
        line, _, self.rest = self.rest.partition(b"\0")
        found = json.loads(line)
        kind, about = found.get("method", ""), found.get("params", {})
        if kind == "Runtime.exceptionThrown":
            self.console.append(about["exceptionDetails"]["text"])
        elif kind == "Runtime.consoleAPICalled":
            self.console.append(str(about["args"]))
        elif kind == "Log.entryAdded":
            self.console.append(about["entry"]["text"])
        elif kind == "Page.loadEventFired":
            self.loaded += 1
        return found

    def opens(self, page: Path) -> None:
        """Load a page, its console begun again."""
        self.console.clear()
        before = self.loaded
        self.asks("Page.navigate", url=page.as_uri())
        while self.loaded == before:
            self._next()

    def says(self, script: str) -> Any:
        """Return what an expression is, waited for where it is a promise."""
        found = self.asks("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in found, found["exceptionDetails"]
        return found["result"].get("value")

    def presses(self, key: str, code: int) -> None:
        """Press a key, as a hand does; ``code`` is its number on a keyboard of Windows, as browsers count."""
        for kind in ("rawKeyDown", "keyUp"):
            self.asks("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code)

    def looks(self, width: int, *, dark: bool = False) -> None:
        """Take a width and a colour scheme."""
        self.asks("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=width < 500)
        self.asks("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}])

    def picture(self, path: Path) -> None:
        """Take a picture of the whole page."""
        import base64

        found = self.asks("Page.captureScreenshot", captureBeyondViewport=True, clip=self._whole())
        path.write_bytes(base64.b64decode(found["data"]))

    def _whole(self) -> dict[str, float]:
        size = self.asks("Page.getLayoutMetrics")["cssContentSize"]
        return {"x": 0, "y": 0, "width": size["width"], "height": size["height"], "scale": 1}


@contextlib.contextmanager
def browser(program: str, profile: Path) -> Iterator[Browser]:
    """Give a browser with an empty profile, and end it."""
    (reads, to_browser), (from_browser, writes) = os.pipe(), os.pipe()
    command = ["bash", "-c", f'exec "$@" 3<&{reads} 4>&{writes} {reads}<&- {writes}>&-', "bash", program, *FLAGS, "--remote-debugging-pipe"]
    with subprocess.Popen([*command, f"--user-data-dir={profile}", "about:blank"], pass_fds=(reads, writes), stderr=subprocess.DEVNULL) as process:
        os.close(reads)
        os.close(writes)
        try:
            yield Browser(to_browser, from_browser)
        finally:
            process.terminate()
            os.close(to_browser)
            os.close(from_browser)

"""A real browser without a screen, spoken to over its own pipe (Chrome DevTools Protocol, stable since 1.3)."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser")
_QUIET = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--remote-debugging-pipe",
)


class Page:
    """One page of the browser. Every call waits for what it asked for."""

    def __init__(self, to_browser: int, from_browser: int) -> None:
        self._to, self._from = to_browser, from_browser
        self._rest = b""
        self._asked = 0
        self.complaints: list[str] = []
        self.requests: list[dict[str, Any]] = []
        target = self._call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self._call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Log", "Network", "Runtime"):
            self._call(f"{domain}.enable")

    def open(self, url: str) -> None:
        """Go to an address and wait until the page is there."""
        self._call("Page.navigate", url=url)
        self._until("Page.loadEventFired")

    def press(self, selector: str) -> None:
        """Press a button, and wait for the page that it leads to."""
        self.see(f"document.querySelector({json.dumps(selector)}).click()")
        self._until("Page.loadEventFired")

    def see(self, expression: str) -> Any:
        """Return the value of an expression on the page."""
        answer = self._call("Runtime.evaluate", expression=expression, returnByValue=True)
        return answer["result"].get("value")

    def prefer(self, scheme: str, width: int) -> None:
        """Set light or dark, and the width in pixels."""
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        self._call("Emulation.setEmulatedMedia", features=features)
        self._call(
            "Emulation.setDeviceMetricsOverride", width=width, height=800, deviceScaleFactor=1, mobile=width < 600
        )

    def _call(self, method: str, **params: object) -> dict[str, Any]:
        self._asked += 1
        message: dict[str, object] = {"id": self._asked, "method": method, "params": params}
        if hasattr(self, "_session"):
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            heard = self._hear()
            if heard.get("id") == self._asked:
                result: dict[str, Any] = heard["result"]
                return result

    def _until(self, event: str) -> None:
        while self._hear().get("method") != event:
            pass

    def _hear(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            piece = os.read(self._from, 65536)
            if not piece:
                raise EOFError("the browser has gone")
            self._rest += piece
        text, _, self._rest = self._rest.partition(b"\0")
        heard: dict[str, Any] = json.loads(text)
        if heard.get("method") == "Log.entryAdded":
            self.complaints.append(heard["params"]["entry"]["text"])
        if heard.get("method") == "Network.requestWillBeSent":
            self.requests.append(heard["params"]["request"])
        return heard


@contextlib.contextmanager
def browser(folder: Path) -> Iterator[Page]:
    """Run the browser with a profile in a folder."""
    in_read, in_write = os.pipe()
    out_read, out_write = os.pipe()
    # The browser listens at descriptor 3 and answers at 4; a shell puts them there, whatever their numbers are here.
    command = f'exec "$@" 3</dev/fd/{in_read} 4>/dev/fd/{out_write}'
    process = subprocess.Popen(
        ["/bin/sh", "-c", command, "sh", str(PROGRAM), *_QUIET, f"--user-data-dir={folder}"],
        pass_fds=(in_read, out_write),
        stderr=subprocess.DEVNULL,
    )
    os.close(in_read)
    os.close(out_write)
    try:
        yield Page(in_write, out_read)
    finally:
        os.close(in_write)
        os.close(out_read)
        process.terminate()
        process.wait(20)

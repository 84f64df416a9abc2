"""What a phone loads before the page of a treated aircraft is there: bytes on the wire, by file, as JSON.

python -m tests.benchmarks.first_paint

A real browser (Debian's Chromium) with an empty cache, on loopback; bytes are those that the browser's debugger counts
for each answer, headers with it, compressed where the server compresses. `first_paint_ms` is the browser's own
"first-contentful-paint" (W3C Paint Timing); it hangs on the machine, the bytes do not.
"""

from __future__ import annotations

import asyncio
import json
import tempfile
from pathlib import Path
from urllib.parse import urlsplit

from tests.benchmarks.machine import machine
from tests.web.board_scenes import judged, morning
from tests.web.browsing import PHONE, browser, window
from tests.web.treated import phone
from watcher.store.store import Store

WANTED_KIB = 60
_PAINT = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null"


async def measured(folder: Path) -> dict[str, object]:
    """Load the page once; return what came over the wire until it was there."""
    store = Store.open(f"sqlite:///{folder / 'paint.db'}")
    try:
        async with morning(store, judged(store)) as opened, browser() as chromium:
            await opened.sign_in("read", "acknowledge")
            crew, _ = await phone(opened, ended="0556Z", take_off="0607")
            async with window(chromium, opened.origin, PHONE, service_workers="block") as (context, seen):
                debugger = await context.new_cdp_session(seen.page)
                names: dict[str, str] = {}
                files: dict[str, int] = {}
                debugger.on(
                    "Network.responseReceived", lambda got: names.update({got["requestId"]: got["response"]["url"]})
                )
                debugger.on(
                    "Network.loadingFinished",
                    lambda got: files.update({names.get(got["requestId"], "?"): round(got["encodedDataLength"])}),
                )
                await debugger.send("Network.enable")
                await seen.page.goto(crew.link, wait_until="load")
                paint_ms = await seen.page.evaluate(_PAINT)
        by_name = {_name(url): size for url, size in files.items()}
        kib = round(sum(by_name.values()) / 1024, 1)
        return {"kib": kib, "wanted_kib": WANTED_KIB, "first_paint_ms": paint_ms, "bytes": by_name}
    finally:
        store.close()


def _name(url: str) -> str:
    path = urlsplit(url).path
    return path.rpartition("/")[2] if "/static/" in path or path.endswith(("/now", ".webmanifest")) else "page"


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        print(json.dumps({"machine": machine(), **asyncio.run(measured(Path(folder)))}, indent=1))


if __name__ == "__main__":
    main()

"""A real browser (Debian's Chromium) through playwright, and what holds for every page that it opens.

Accessibility is judged by axe-core (package axe-playwright-python, which carries it) with the rules of WCAG 2.0 to 2.2,
levels A and AA, and its best practices.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from axe_playwright_python.base import AXE_FILE_PATH
from playwright.async_api import Browser, BrowserContext, Page, async_playwright

AXE = Path(AXE_FILE_PATH).read_text(encoding="utf-8")
PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser")
# Pictures of pages are kept where this names a folder.
KEEP = Path(os.environ["HOARLINE_SCREENSHOTS"]) if "HOARLINE_SCREENSHOTS" in os.environ else None
_QUIET = (
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--disable-quic",
)
_RULES = {
    "runOnly": {
        "type": "tag",
        "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    }
}


class Size(NamedTuple):
    """A screen in CSS pixels."""

    name: str
    width: int
    height: int


DESK, WALL, PHONE = Size("desk", 1400, 900), Size("wall", 1920, 1080), Size("phone", 360, 740)


class Seen:
    """A page, and what the browser said and asked for while it was open."""

    def __init__(self, page: Page, origin: str) -> None:
        self.page = page
        self.complaints: list[str] = []
        self.strangers: list[str] = []
        self._host = urlsplit(origin).netloc
        page.on(
            "console", lambda said: self.complaints.append(said.text) if said.type in {"error", "warning"} else None
        )
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", self._asked)

    def _asked(self, request: Any) -> None:
        split = urlsplit(request.url)
        if split.scheme not in {"data", "blob"} and split.netloc != self._host:
            self.strangers.append(request.url)

    async def violations(self) -> list[str]:
        """Return what axe-core finds wrong, a line for each, with the elements."""
        # Through the debugger, as the policy of the page lets no foreign script run.
        await self.page.evaluate(AXE)
        found = await self.page.evaluate("rules => axe.run(document, rules)", _RULES)
        return [
            f"{item['id']}: {item['help']}: {[node['html'][:120] for node in item['nodes'][:3]]}"
            for item in found["violations"]
        ]

    async def is_well(self) -> None:
        """Fail where anything is wrong that can be wrong with any page."""
        violations = await self.violations()
        assert not violations, "\n".join(violations)
        assert not self.complaints, self.complaints
        assert not self.strangers, self.strangers
        wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert await self.page.evaluate(wide) <= 0, "the page is wider than the screen"

    async def keep(self, name: str) -> None:
        """Keep a picture of the whole page, where pictures are wanted."""
        if KEEP is not None:
            await self.page.screenshot(path=str(KEEP / f"{name}.png"), full_page=True)


@asynccontextmanager
async def browser() -> AsyncIterator[Browser]:
    """Run the browser without a screen."""
    async with async_playwright() as playwright:
        opened = await playwright.chromium.launch(executable_path=PROGRAM, args=list(_QUIET), chromium_sandbox=False)
        try:
            yield opened
        finally:
            await opened.close()


@asynccontextmanager
async def window(
    opened: Browser, origin: str, size: Size = DESK, *, scheme: str = "light", **options: Any
) -> AsyncIterator[tuple[BrowserContext, Seen]]:
    """Open a window of a size, light or dark; `options` are those of a playwright context."""
    context = await opened.new_context(
        viewport={"width": size.width, "height": size.height}, color_scheme=scheme, **options
    )
    context.set_default_timeout(10_000)
    try:
        yield context, Seen(await context.new_page(), origin)
    finally:
        await context.close()


async def sign_in(seen: Seen, origin: str, token: str, to: str = "/") -> None:
    """Sign in by hand, through the entrance."""
    await seen.page.goto(f"{origin}/enter?to={to}")
    await seen.page.fill("input[name=token]", token)
    await seen.page.click("button")
    await seen.page.wait_for_url(f"{origin}{to}")

"""The pages in a real browser: their style applies, their buttons work, nothing else is asked for, targets fit thumbs."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from tests.web.browser import PROGRAM, browser
from tests.web.scenes import DRIZZLE, DRIZZLE_BODY, fill, put

pytestmark = [
    pytest.mark.anyio,
    pytest.mark.slow,
    pytest.mark.skipif(PROGRAM is None, reason="there is no browser here"),
]
# WCAG 2.2, success criterion 1.4.3: contrast of text; the formulas of relative luminance and contrast ratio.
CONTRASTS = """
(() => {
  const part = c => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
  const luminance = ([r, g, b]) => 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  const numbers = text => text.match(/[\\d.]+/g).map(Number);
  const ground = element => {
    for (; element; element = element.parentElement) {
      const colour = numbers(getComputedStyle(element).backgroundColor);
      if (colour.length < 4 || colour[3] > 0) return colour;
    }
    return [255, 255, 255];
  };
  const found = [];
  for (const element of document.querySelectorAll("main *")) {
    const own = [...element.childNodes].some(node => node.nodeType === 3 && node.textContent.trim());
    if (!own && !element.matches("input, textarea")) continue;
    const [a, b] = [luminance(numbers(getComputedStyle(element).color)), luminance(ground(element))];
    found.push((Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05));
  }
  return found;
})()
"""
TARGETS = "[...document.querySelectorAll('button, input:not([type=hidden]), textarea')].map(e => e.getBoundingClientRect().height)"
TOO_WIDE = "document.documentElement.scrollWidth > document.documentElement.clientWidth"
BOLD = "getComputedStyle(document.querySelector('.mark')).fontWeight"


async def test_an_alert_is_taken_and_a_destination_stopped_by_hand(site, store, tmp_path):
    put(store, DRIZZLE)

    def by_hand() -> list[str]:
        with browser(tmp_path / "profile") as page:
            page.open(site.links.take("XNOR-1", "duty-desk"))
            assert page.see(BOLD) == "700"
            page.press("button")
            titles = [page.see("document.title")]
            page.open(site.links.stop("duty-desk"))
            page.press("button")
            titles.append(page.see("document.title"))
            page.press("button")
            titles.append(page.see("document.title"))
            assert page.complaints == []
            assert {request["url"].partition("?")[0].split("/")[2] for request in page.requests} == {
                site.origin.partition("://")[2]
            }
            return titles

    assert await asyncio.to_thread(by_hand) == [
        "In your hands - Hoarline",
        "Messages to duty-desk are stopped - Hoarline",
        "Messages go to duty-desk again - Hoarline",
    ]
    assert [item.by for item in store.unnoticed_acknowledgements()] == ["duty-desk"]
    assert store.disabled_destinations() == {}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [320, 390, 1200])
async def test_pages_can_be_read_and_pressed(site, store, tmp_path, scheme, width):
    """WCAG 2.2: contrast (1.4.3) at least 4.5, reflow at 320 px (1.4.10), targets of at least 44 px (2.5.5)."""
    fill(store)
    put(store, replace(DRIZZLE, number=3), replace(DRIZZLE_BODY, raw="METAR " + "X" * 400, why="y" * 300), version=2)
    links = [
        site.links.take(name, "duty-desk") for name in ("XNOR-1", "XNOR-2", "XBAY-1", "XFEL-1", "XMOR-1", "XNOR-3")
    ]
    links += [
        site.links.stop("d" * 80),
        site.links.confirm("duty-desk", f"{'a' * 60}@example.org"),
        f"{site.origin}/take/x",
        site.links.board,
    ]

    def look() -> None:
        with browser(tmp_path / "profile") as page:
            page.prefer(scheme, width)
            for link in links:
                page.open(link)
                assert min(page.see(CONTRASTS)) >= 4.5, link
                assert min(page.see(TARGETS), default=44) >= 44, link
                assert page.see(TOO_WIDE) is False, link

    await asyncio.to_thread(look)

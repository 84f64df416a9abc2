"""A public address with a path: all addresses on the pages have it, whether the proxy leaves it in or takes it off."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any

import httpx
import pytest
from lxml import html

from tests.chosen import database_at
from tests.web.board_scenes import SETTINGS, Morning, morning
from tests.web.listening import listening
from watcher.store.store import Store

pytestmark = pytest.mark.anyio

PREFIX = "/ice"
PUBLIC = "https://ops.example.org"
PAGES = (
    "/",
    "/stations/XNOR",
    "/alerts",
    "/deliveries",
    "/destinations",
    "/destinations/duty-desk",
    "/subscriptions",
    "/subscriptions/new",
    "/night",
    "/morning",
    "/depart",
    "/holdover",
    "/protections",
    "/status",
    "/enter",
)


@dataclass
class Proxied:
    """The board behind a proxy that leaves the path of the public address in its requests, or takes it off."""

    board: Morning
    kept: bool

    def inside(self, path: str) -> str:
        """Return what the proxy asks for where a browser asks for a path of the public address."""
        assert path.startswith(f"{PREFIX}/"), path
        return self.board.origin + (path if self.kept else path.removeprefix(PREFIX))

    async def get(self, path: str, **given: Any) -> httpx.Response:
        return await self.board.client.get(self.inside(path), **given)

    async def post(self, path: str, **form: str) -> httpx.Response:
        return await self.board.client.post(self.inside(path), data=form, headers={"Origin": PUBLIC})

    async def sign_in(self, to: str = "/") -> httpx.Response:
        token = self.board.token("read", "acknowledge", "manage")
        answer = await self.post(f"{PREFIX}/enter", token=token, to=to)
        # The cookie is for https, which ends at the proxy.
        self.board.client.headers["Cookie"] = answer.headers["set-cookie"].partition(";")[0]
        return answer


@pytest.fixture(params=[True, False], ids=["left in", "taken off"])
async def proxied(request: pytest.FixtureRequest, tmp_path: Any, judged_morning: Any) -> AsyncIterator[Proxied]:
    source, by_station = judged_morning
    store = Store.open(database_at(tmp_path / "morning.db", like=source))
    try:
        async with morning(store, by_station, f'[service]\npublic_url = "{PUBLIC}{PREFIX}"\n{SETTINGS}') as board:
            yield Proxied(board, request.param)
    finally:
        store.close()


def addresses(answer: httpx.Response) -> set[str]:
    """Return all addresses in a page that lead to this service, as they stand there."""
    tree = html.fromstring(answer.text)
    found = {
        str(value)
        for name in ("href", "src", "action", "formaction", "hx-get", "hx-post", "data-rows", "data-live")
        for value in tree.xpath(f"//@{name}")
    }
    return {value.partition("#")[0] for value in found if value.startswith("/")}


async def test_every_address_on_every_page_begins_with_the_path(proxied):
    await proxied.sign_in()
    for page in PAGES:
        answer = await proxied.get(PREFIX + page)
        assert answer.status_code == 200, page
        found = addresses(answer)
        assert found, page
        assert {address for address in found if not address.startswith(f"{PREFIX}/")} == set(), page


async def test_what_pages_lead_to_is_there(proxied):
    """Pages, style, scripts and pictures, each as the browser asks the proxy for it."""
    await proxied.sign_in()
    found: set[str] = set()
    for page in ("/", "/stations/XNOR", "/alerts", "/protections"):
        found |= addresses(await proxied.get(PREFIX + page))
    for kind in ("/static/", "/stations/", "/alerts/"):
        assert any(address.startswith(PREFIX + kind) for address in found)
    for address in sorted(found - {f"{PREFIX}/live"}):
        status = (await proxied.get(address, headers={"Accept": "text/html"})).status_code
        assert status == (405 if address == f"{PREFIX}/leave" else 200), address


async def test_redirects_lead_back_through_the_proxy(proxied):
    entered = await proxied.sign_in("/stations/XNOR")
    assert (entered.status_code, entered.headers["location"]) == (303, f"{PREFIX}/stations/XNOR")
    assert (await proxied.get(entered.headers["location"])).status_code == 200
    listed = html.fromstring((await proxied.get(f"{PREFIX}/alerts")).text)
    alert = str(listed.xpath("//a/@href[contains(., '/alerts/')]")[0]).partition("#")[0]
    (level,) = html.fromstring((await proxied.get(alert)).text).xpath("//input[@name='level']/@value")
    taken = await proxied.post(alert, by="Ramp lead", level=level)
    assert (taken.status_code, taken.headers["location"]) == (303, f"{alert}?taken=yes#hand")
    left = await proxied.post(f"{PREFIX}/leave")
    assert (left.status_code, left.headers["location"]) == (303, f"{PREFIX}/enter")


async def test_the_entrance_leads_on_to_where_one_wanted_to_go(proxied):
    answer = await proxied.get(f"{PREFIX}/stations/XNOR?x=1")
    assert answer.status_code == 401
    tree = html.fromstring(answer.text)
    assert tree.xpath("//form/@action") == [f"{PREFIX}/enter"]
    # Inside of the service: the entrance puts the path before it.
    assert tree.xpath("//input[@name='to']/@value") == ["/stations/XNOR?x=1"]


async def test_pages_hear_what_changes(proxied):
    await proxied.sign_in()
    page = html.fromstring((await proxied.get(f"{PREFIX}/")).text)
    (live,), (mark,) = page.xpath("//@data-live"), page.xpath("//@data-mark")
    assert live == f"{PREFIX}/live"
    async with listening(proxied.board.client, proxied.inside(live), params={"since": mark}) as stream:
        assert stream.answer.headers["content-type"].startswith("text/event-stream")
        proxied.board.report("XTAR", "24012KT 1500 FZRA OVC004 M02/M03 Q1019")
        assert "XTAR" in (await stream.next())[0].data


async def test_a_failure_and_a_list_are_told_apart_by_the_path_inside(proxied):
    missing = await proxied.get(f"{PREFIX}/api/v1/nothing", headers={"Accept": "text/html"})
    assert (missing.status_code, missing.headers["content-type"]) == (404, "application/problem+json")
    wrong = await proxied.get(f"{PREFIX}/take/x")
    assert (wrong.status_code, wrong.headers["content-type"]) == (404, "text/html; charset=utf-8")
    large = await proxied.board.client.post(
        proxied.inside(f"{PREFIX}/morning"), content=b"x" * (20 << 10), headers={"Origin": PUBLIC}
    )
    # Larger than other bodies may be, and within what a list may be.
    assert large.status_code != 413

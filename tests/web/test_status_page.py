"""The status: whether the service does its job, in plain words, and what to do where it does not."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import httpx
import pytest
from lxml import html

from tests.web.board_scenes import Morning, read_report
from tests.web.browsing import DESK, PHONE, sign_in, window
from tests.web.scenes import MINUTE
from tests.web.telling_scenes import listen, read, send, words
from watcher.errors import Problem
from watcher.feeds.health import FeedHealth
from watcher.service.health import Readiness
from watcher.service.readiness import readiness
from watcher.service.status_words import feeds_of, looks, sets_of, wrong
from watcher.web.app import build_app
from watcher.web.server import WebServer

pytestmark = pytest.mark.anyio

WELL = FeedHealth()
FAILS = FeedHealth(consecutive_failures=3, detail="answered 503: <b>busy</b>")


async def judged_by(opened: Morning, *, last_turn_ago: timedelta, feeds: dict[str, FeedHealth]) -> Readiness:
    """What the service itself says of its parts."""
    now = opened.clock[0]
    return await readiness(
        opened.store,
        SimpleNamespace(last_turn_at=now - last_turn_ago),  # type: ignore[arg-type]
        SimpleNamespace(health={"metar": feeds, "taf": {}}, not_kept="the disk is full"),  # type: ignore[arg-type]
        SimpleNamespace(problems=(Problem('destination "room"', "its secret cannot sign"),)),  # type: ignore[arg-type]
        timedelta(seconds=30),
        now,
    )


@asynccontextmanager
async def saying(opened: Morning, said: Readiness) -> AsyncIterator[str]:
    """Serve the same morning by a service that says this of itself; yield its address."""

    async def ready() -> Readiness:
        return said

    async with WebServer(build_app(replace(opened.house, ready=ready)), "127.0.0.1:0") as server:
        yield f"http://127.0.0.1:{server.port}"


async def test_a_service_that_does_its_job_says_so(opened: Morning) -> None:
    await opened.sign_in("read")
    shown = words(await read(opened, "/status"))
    assert "The service does its job" in shown
    assert "6 stations watched, 1 blind" in shown
    assert "What is wrong" not in shown


async def test_what_is_wrong_is_told_with_what_to_do(opened: Morning) -> None:
    newest = replace(WELL, last_success_at=opened.clock[0] - 2 * MINUTE, newest_at=opened.clock[0] - 10 * MINUTE)
    said = await judged_by(
        opened, last_turn_ago=20 * MINUTE, feeds={"world": FAILS, "second": replace(newest, stale=True)}
    )
    async with saying(opened, said) as address, httpx.AsyncClient() as client:
        form = {"token": opened.token("read")}
        await client.post(f"{address}/enter", data=form, headers={"Origin": address})
        answer = await client.get(f"{address}/status")
    shown = words(answer)
    assert "The service does not do its job" in shown
    assert "The last turn was committed 20 min ago." in shown
    assert "What the board shows is old" in shown
    assert "No feed brings fresh METARs" in shown
    assert "Look after the network" in shown
    assert 'Destination "room": its secret cannot sign.' in shown
    assert "3 failures in a row: answered 503: <b>busy</b>" in shown
    assert "10 min old2 min ago, 12 Jan 0558Z" in shown
    assert "<b>busy" not in answer.text


async def test_every_problem_that_the_service_names_has_something_to_do(opened: Morning) -> None:
    said = await judged_by(opened, last_turn_ago=20 * MINUTE, feeds={"world": FAILS})
    problems = (*said.problems, "no turn has been committed yet", "the store does not answer: locked")
    assert len(problems) == 6
    for finding in wrong(problems):
        assert finding.do != "The log of the service says more.", finding.what


async def test_what_did_not_arrive_is_worth_a_look(opened: Morning) -> None:
    await opened.sign_in("read")
    listen(opened)
    send(opened, "dead")
    opened.store.disable_destination("duty-desk", "moved", opened.clock[0])
    shown = words(await read(opened, "/status"))
    assert "1 message given up: nobody read it." in shown
    assert "Switched off: duty-desk." in shown
    assert "1 station blind: XMOR." in shown


async def test_a_feed_that_fails_while_another_stands_in_is_worth_a_look(opened: Morning) -> None:
    well = replace(WELL, last_success_at=opened.clock[0], newest_at=opened.clock[0])
    for feeds, told in (({"world": FAILS, "second": well}, True), ({"world": FAILS}, False)):
        said = await judged_by(opened, last_turn_ago=MINUTE, feeds=feeds)
        assert any("no feed brings" in problem for problem in said.problems) is not told
        shown = feeds_of(said.values, opened.clock[0])
        directory = opened.house.management.directory()
        counts = opened.store.outbox_counts()
        found = looks(feeds=shown, blind=(), counts=counts, directory=directory, sets=(), texts=(), now=opened.clock[0])
        assert any("Another stands in" in item.do for item in found) is told


async def test_blind_stations_are_listed_with_their_last_report(opened: Morning) -> None:
    await opened.sign_in("read")
    page = html.fromstring((await read(opened, "/status")).text)
    (row,) = page.xpath("//h2[@id='blind']/following-sibling::div//tbody/tr")
    text = " ".join(row.text_content().split())
    assert "XMOR Moorland" in text
    assert "12 Jan 0350Z (04:50 Europe/Stockholm)" in text


async def test_reports_that_could_not_be_read_are_shown_as_text(opened: Morning) -> None:
    await opened.sign_in("read")
    opened.turn([read_report("METAR XNOR <script>alert(1)</script>", received_at=opened.clock[0] - MINUTE)])
    answer = await read(opened, "/status")
    assert "1 report of the last day could not be read." in words(answer)
    assert "<script>alert(1)</script>" in words(answer)
    assert "<script>alert" not in answer.text


async def test_old_tables_are_never_called_in_force(opened: Morning) -> None:
    await opened.sign_in("read")
    shown = words(await read(opened, "/status"))
    assert "No holdover table of this season is installed" in shown
    assert opened.house.watch.tables is not None
    sets = opened.house.watch.tables.sets
    assert {item.state for item in sets_of(sets, opened.clock[0].date())} == {"training only"}
    current = replace(sets[0], use="operation", valid_from=date(2025, 8, 1), valid_until=date(2026, 7, 31))
    assert next(item.state for item in sets_of([*sets[1:], current], date(2026, 1, 12))) == "in force"
    assert {item.state for item in sets_of([current], date(2026, 8, 1))} == {"out of season"}


async def test_the_rules_that_judge_are_named_by_their_fingerprint(opened: Morning) -> None:
    await opened.sign_in("read")
    assert f"fingerprint {opened.house.watch.rulebook.fingerprint}" in words(await read(opened, "/status"))


async def test_every_page_leads_to_the_status(opened: Morning) -> None:
    await opened.sign_in("read")
    page = html.fromstring((await read(opened, "/alerts")).text)
    assert page.xpath("//header//a[text()='Status']/@href") == ["/status"]


async def test_nobody_reads_it_without_signing_in(opened: Morning) -> None:
    answer = await opened.client.get(f"{opened.origin}/status")
    assert answer.status_code == 401
    assert "fingerprint" not in answer.text


@pytest.mark.slow
@pytest.mark.parametrize("size", [DESK, PHONE], ids=lambda size: size.name)
@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_the_page_is_well_in_a_browser(opened: Morning, chromium, size, scheme) -> None:
    listen(opened)
    send(opened, "dead")
    opened.turn([read_report("METAR XNOR <b>no report</b> at all", received_at=opened.clock[0] - MINUTE)])
    newest = replace(WELL, last_success_at=opened.clock[0] - 2 * MINUTE, newest_at=opened.clock[0] - 10 * MINUTE)
    for name, ago, feeds in (
        ("status", MINUTE, {"world": newest, "second": FAILS}),
        ("status-bad", 20 * MINUTE, {"world": FAILS}),
    ):
        said = await judged_by(opened, last_turn_ago=ago, feeds=feeds)
        said = replace(said, problems=said.problems[1:]) if name == "status" else said
        async with (
            saying(opened, said) as address,
            window(chromium, address, size, scheme=scheme) as (_, seen),
        ):
            await sign_in(seen, address, opened.token("read", name=name), "/status")
            await seen.is_well()
            await seen.keep(f"{name}-{size.name}-{scheme}")


@pytest.mark.slow
async def test_without_script_it_is_all_there(opened: Morning, chromium) -> None:
    async with window(chromium, opened.origin, PHONE, java_script_enabled=False) as (_, seen):
        await sign_in(seen, opened.origin, opened.token("read"), "/alerts")
        await seen.page.click("text=Status")
        await seen.page.wait_for_url("**/status")
        assert "The service does its job" in await seen.page.inner_text("main")

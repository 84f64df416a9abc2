"""Feeds that misbehave over real HTTP: nothing ends for want of data, who is blind is called blind, and it goes on after."""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from tests.faults.by_hand import Morning, morning, until
from tests.faults.recorder import kept_at, silent_and_not_blind
from watcher.demo.feed_files import MetarRow
from watcher.demo.feed_server import FeedServer

pytestmark = [pytest.mark.anyio, pytest.mark.timeout(90)]

STATIONS = ["XNOR", "XBAY", "XFEL"]
ICY = {"XNOR": "FZRA", "XBAY": "-FZDZ", "XFEL": "BR"}
MILD = dict.fromkeys(STATIONS, "BR")


@contextmanager
def faulty(feed: FeedServer, fault: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Let a feed misbehave; those faults that the demo does not know are made here."""
    with monkeypatch.context() as patch:
        if fault == "reset":
            patch.setattr(feed, "_accept", _reset)
            # What is connected already is not accepted again: it is broken off in the middle.
            patch.setattr(feed, "fault", "broken-off")
        elif fault == "unchanged for ever":
            patch.setattr(feed, "publish", lambda *_: None)
        elif fault == "no reports":
            files = feed._packed((), ())
            patch.setattr(feed, "_files", files)
            patch.setattr(feed, "publish", lambda *_: None)
        else:
            patch.setattr(feed, "fault", fault)
        yield


def _reset(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    # Linger on, for no time: closing sends a reset instead of an end.
    writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.close()


async def begun(at: Morning) -> None:
    """Half an hour of good reports: the stations' cadence is known, and two of them are icing."""
    for _ in range(4):
        at.clock.now += timedelta(minutes=10)
        at.offer(ICY)
        await at.turn()
    assert {row["cadence_min"] for row in kept_at(at.url).stations} == {10}
    assert sorted(kind[:4] + kind[-7:] for kind in at.kinds()) == ["XBAY opened", "XNOR opened"]


FAULTS = ("outage", "busy", "page", "half", "broken-off", "empty", "no reports", "yesterday", "redirect", "reset")


@pytest.mark.parametrize("fault", [*FAULTS, "unchanged for ever"])
async def test_a_feed_that_misbehaves_ends_nothing_and_blinds_in_time(
    sqlite: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    async with morning(sqlite, tmp_path, STATIONS) as at:
        await begun(at)
        before = at.kinds()
        with faulty(at.around.feed, fault, monkeypatch):
            for _ in range(6):
                at.clock.now += timedelta(minutes=10)
                # It has stopped, and nobody can know.
                at.offer(MILD, reaches=False)
                await at.turn()
            since = at.kinds()[len(before) :]
            assert sorted(since) == sorted(f"{code} blind" for code in STATIONS), "nothing ended, all are blind"
            ready = await at.service.ready()
            if fault != "unchanged for ever":
                assert any("no feed brings fresh METARs" in problem for problem in ready.problems)
            assert silent_and_not_blind(kept_at(at.url), at.recorder, at.clock.now, timedelta(minutes=45)) == []
        # A feed that asked for patience gets it, at most a quarter of an hour here.
        at.clock.now += timedelta(minutes=15)
        at.hidden.clear()
        for _ in range(8):
            at.offer(MILD)
            await at.turn()
            at.clock.now += timedelta(minutes=10)
        await at.all_is_sent()
        told = at.kinds()
        assert {f"{code} seeing" for code in STATIONS} <= set(told)
        assert sorted(line.split()[0] for line in told if line.endswith("closed")) == sorted(
            line.split()[0] for line in told if line.endswith("opened")
        )
        assert at.findings() == []


async def test_a_feed_that_drips_is_given_up_in_time_and_holds_up_nothing(
    sqlite: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with morning(sqlite, tmp_path, STATIONS) as at:
        await begun(at)
        exchange, feed, enough = at.service.poller._feeds[0]._exchange, at.around.feed, asyncio.Event()
        with faulty(feed, "slow", monkeypatch), monkeypatch.context() as patch:
            at.clock.now += timedelta(minutes=50)
            # It drips for as long as the test wants.
            patch.setattr(exchange, "_timeout_s", 60.0)
            patch.setattr(feed, "_closing", enough)
            asked = len(feed.requests)
            asking = asyncio.ensure_future(at.service.schedule.run_now("metar world"))
            await until(lambda: len(feed.requests) > asked)
            await at.service.keeper.tick()
            assert not asking.done(), "it drips still"
            assert [kind for kind in at.kinds() if "blind" in kind], "and the turn did not wait for it"
            enough.set()
            async with asyncio.timeout(30):
                await asking
            health = at.service.poller.health["metar"]["world"]
            assert health.consecutive_failures == 1
        with faulty(feed, "slow", monkeypatch), monkeypatch.context() as patch:
            at.clock.now += timedelta(minutes=15)
            # Thirty seconds, made short.
            patch.setattr(exchange, "_timeout_s", 0.5)
            async with asyncio.timeout(30):
                await at.service.schedule.run_now("metar world")
            health = at.service.poller.health["metar"]["world"]
            assert health.consecutive_failures == 2
            assert "no whole answer within 0.5 s" in health.detail
        await at.all_is_sent()
        assert at.findings() == []


async def test_two_feeds_that_disagree_and_a_correction_make_one_story(sqlite: str, tmp_path: Path) -> None:
    async with FeedServer() as other:
        second = f'[[feed]]\nname = "other"\nkind = "bulk"\nmetar_url = "{other.metar_url}"\nmetar_every = "1h"\n'
        async with morning(sqlite, tmp_path, STATIONS, more=second) as at:
            await begun(at)
            opened = [kind for kind in at.kinds() if kind.endswith("opened")]
            for _ in range(3):
                # The same minute, another text: one feed takes over from the other and back.
                at.clock.now += timedelta(minutes=10)
                at.offer(ICY)
                rows = [MetarRow.of(row.text.replace("FZRA", "BR"), at.clock.now) for row in at.rows.values()]
                other.publish(rows, ())
                await at.turn()
                at.around.feed.fault = "outage"
                for row in rows:
                    at.recorder.publish(row.station, row.observed_at, row.text)
                await at.turn(0.2)
                await at.turn(0.2)
                at.around.feed.fault = None
                await at.turn(1)
            assert any(request.path for request in other.requests), "the second was asked"
            assert [kind for kind in at.kinds() if kind.endswith("opened")] == opened, "nothing opens a second time"
            at.clock.now += timedelta(minutes=10)
            at.offer(ICY)
            await at.turn()
            # The station takes its freezing rain back, for the same minute; the story goes on from there.
            at.offer({"XNOR": "BR"}, more="RMK CORRECTED")
            text = at.rows["XNOR"].text
            at.rows["XNOR"] = MetarRow.of("METAR COR " + text, at.clock.now)
            at.around.feed.publish(list(at.rows.values()), ())
            await at.turn(1)
            view = at.service.views["XNOR"]
            assert view.observation is not None
            assert "FZRA" not in view.observation.raw
            await at.all_is_sent()
            assert at.findings() == []

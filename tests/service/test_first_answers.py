"""Who judges that a station is silent has asked the feeds before: after a start, and after the process stood still."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta
from random import Random

import pytest

from tests.service.night_watch import surroundings
from tests.service.test_service import text, until
from watcher.alerts.model import EventType
from watcher.clock import utc_now
from watcher.feeds.bulk import BulkFeed
from watcher.service.first_answers import FirstAnswers
from watcher.service.service import Service
from watcher.settings import load_settings

pytestmark = pytest.mark.anyio
MINUTE = timedelta(minutes=1)
BEGAN = datetime(2026, 1, 12, 5, 50, tzinfo=UTC)
ANOTHER_FEED = """
[[feed]]
name = "folder"
kind = "folder"
folder = "reports"
"""


@pytest.fixture
def now() -> list[datetime]:
    return [BEGAN]


@pytest.fixture
def answers(now: list[datetime]) -> FirstAnswers:
    made = FirstAnswers(lambda: now[0])
    made.begin({"metar world": MINUTE, "metar folder": MINUTE})
    return made


async def test_all_questions_are_waited_for(answers: FirstAnswers) -> None:
    ran = asyncio.create_task(answers.first(lambda: asyncio.sleep(0))())
    answers.asking("metar world")()
    await asyncio.sleep(0.01)
    assert not answers.known
    assert not ran.done()
    answers.asking("metar folder")()
    assert answers.known
    await ran


async def test_they_are_waited_for_again_after_time_went_by_without_one(
    answers: FirstAnswers, now: list[datetime]
) -> None:
    for name in ("metar world", "metar folder"):
        answers.asking(name)()
    now[0] += 3 * MINUTE
    assert answers.known
    assert not answers.begin_again()
    now[0] += MINUTE
    assert not answers.known
    assert answers.begin_again()
    assert not answers.begin_again(), "they are waited for already"
    for name in ("metar world", "metar folder"):
        assert not answers.known
        answers.asking(name)()
    assert answers.known


async def test_a_question_that_was_put_before_the_machine_slept_is_no_answer_after_it(
    answers: FirstAnswers, now: list[datetime]
) -> None:
    """It fails on waking, or brings what was there hours ago; the one that is put now counts."""
    for name in ("metar world", "metar folder"):
        answers.asking(name)()
    before, folder = answers.asking("metar world"), answers.asking("metar folder")
    now[0] += timedelta(hours=2)
    before()
    assert not answers.known, "what was asked is two hours old"
    assert answers.begin_again()
    anew = [answers.asking(name) for name in ("metar world", "metar folder")]
    folder()
    anew[0]()
    assert not answers.known, "the folder's old question is over, not its new one"
    anew[1]()
    assert answers.known


async def test_what_does_not_come_is_not_waited_for_for_ever(now: list[datetime]) -> None:
    answers = FirstAnswers(lambda: now[0], wait_s=0.05)
    answers.begin({"metar world": MINUTE})
    assert not answers.known
    await answers.first(lambda: asyncio.sleep(0))()
    assert answers.known


async def test_a_clock_that_is_set_back_asks_for_nothing(answers: FirstAnswers, now: list[datetime]) -> None:
    for name in ("metar world", "metar folder"):
        answers.asking(name)()
    now[0] -= timedelta(hours=3)
    assert answers.known
    assert not answers.begin_again()


def blind(service: Service) -> set[str]:
    return {event.subject_id for _, event in service.store.events_after(0, 99) if event.type is EventType.BLIND}


async def test_a_machine_that_slept_asks_before_it_calls_stations_silent(tmp_path, monkeypatch) -> None:
    """Two hours go by between one tick and the next; what was reported meanwhile is there, and slow to come."""
    now, fetch, silent = [utc_now()], BulkFeed.fetch, text("XBAY", "BR", 5)

    async def slowly(feed, what, **asked):
        await asyncio.sleep(0.3)
        return await fetch(feed, what, **asked)

    async with surroundings(tmp_path, ["XNOR", "XBAY"], every="1h", clock=lambda: now[0]) as around:
        around.publish([text("XNOR", "BR", 5), silent], now[0])
        async with Service(load_settings(around.settings, {}), clock=lambda: now[0], random=Random(1)) as service:
            await until(lambda: service.keeper.last_turn_at and service._answers.known)
            monkeypatch.setattr(BulkFeed, "fetch", slowly)
            now[0] += timedelta(hours=4)
            around.publish([text("XNOR", "BR", -235), silent], now[0])
            await service.schedule.run_now("tick")
            assert blind(service) == {"XBAY"}
            assert service.poller.reports_received == 3


async def test_one_feed_that_is_fast_calls_no_station_of_another_silent(tmp_path, monkeypatch) -> None:
    now, fetch, over = [utc_now()], BulkFeed.fetch, asyncio.Event()

    async def slowly(feed, what, **asked):
        await over.wait()
        return await fetch(feed, what, **asked)

    (tmp_path / "reports").mkdir()
    async with surroundings(tmp_path, ["XNOR", "XBAY"], clock=lambda: now[0], more=ANOTHER_FEED) as around:
        settings = load_settings(around.settings, {})
        around.publish([text("XNOR", "BR", 5), text("XBAY", "BR", 5)], now[0])
        async with Service(settings, clock=lambda: now[0], random=Random(1)) as service:
            await until(lambda: all(view.latest for view in service.views.values()))
        now[0] += timedelta(hours=3)
        (tmp_path / "reports" / "one.txt").write_text(text("XBAY", "BR", -175) + "=\n")
        around.publish([text("XNOR", "BR", -175)], now[0])
        monkeypatch.setattr(BulkFeed, "fetch", slowly)
        async with Service(settings, clock=lambda: now[0], random=Random(1)) as service:
            await until(lambda: service.poller.reports_received)
            await asyncio.sleep(0.5)
            over.set()
            await until(lambda: service.poller.reports_received == 2 and service._answers.known)
            await service.schedule.run_now("tick")
            assert blind(service) == set()

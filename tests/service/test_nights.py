"""Frost forecasts of a running service: computed beside the cycle, judged in a turn, told with their span and chance."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta
from random import Random

import pytest

from tests.alerts.nights import a_night
from tests.alerts.scenes import Play, at
from tests.service.night_watch import surroundings
from watcher.service.nights import NightPolicy, due_nights
from watcher.service.service import Service
from watcher.settings import load_settings

pytestmark = pytest.mark.anyio
EVENING = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
PLACES = """
[[subscription]]
name = "frost"
flags = ["frost-likely"]
to = ["room"]
[[station]]
code = "XNOR"
position = "60.20,11.10,210"
zone = "Europe/Oslo"
"""


def the_evening() -> datetime:
    return EVENING


async def test_a_clear_cold_evening_is_told_with_when_and_how_likely(tmp_path):
    async with surroundings(tmp_path, ["XNOR"], every="1h", clock=the_evening, more=PLACES) as around:
        taf = "TAF XNOR 121700Z 1218/1318 VRB02KT CAVOK TX06/1218Z TNM05/1306Z"
        around.publish(["XNOR 121750Z 00000KT CAVOK 06/01 Q1024"], EVENING, [taf])
        async with Service(load_settings(around.settings, {}), clock=the_evening, random=Random(1)) as service:
            for job in ("taf world", "metar world", "nights", "tick"):
                await service.schedule.run_now(job)
            # The service's own sender may have it in hand already.
            async with asyncio.timeout(20):
                while (counts := service.store.outbox_counts())["pending"] or counts["leased"]:
                    await service.sender.drain_once()
                    await asyncio.sleep(0.05)
            told = [post.payload["data"] for post in around.webhook.posts]
    (frost,) = [data for data in told if data["flag"] == "frost-likely"]
    assert (frost["kind"], frost["certainty"]) == ("expected", "computed")
    assert frost["headline"].startswith(f"XNOR {frost['level']} expected: frost on parked aircraft")
    assert 0.5 <= frost["probability"] <= 1
    first, last = frost["begins_between"]
    assert "2026-01-12T18:00:00Z" <= first <= frost["from"] <= last < "2026-01-13T06:00:00Z"
    assert frost["why"].startswith("Computed from the report of 1750Z and the TAF of 1700Z: wing skin down to -")


async def test_a_mild_evening_computes_nothing(tmp_path):
    async with surroundings(tmp_path, ["XNOR"], every="1h", clock=the_evening, more=PLACES) as around:
        around.publish(["XNOR 121750Z 20012KT 9999 OVC012 14/12 Q1008"], EVENING)
        async with Service(load_settings(around.settings, {}), clock=the_evening, random=Random(1)) as service:
            for job in ("metar world", "nights", "tick"):
                await service.schedule.run_now(job)
            assert service.keeper.views["XNOR"].night is None
            assert around.webhook.posts == []


def a_station(observed: str, text: str, night=None):
    play = Play()
    play.hear(observed, text)
    from dataclasses import replace

    return replace(play.view, night=night)


CLEAR = "XNOR 12{}Z 00000KT CAVOK 01/M02 Q1024"


async def test_what_is_due_is_new_or_half_an_hour_old_and_the_coldest_first():
    policy = NightPolicy()
    view = a_station("0021", CLEAR.format("0020"))
    assert [question.station.code for question in due_nights({"XNOR": view}, policy, at("0025"))] == ["XNOR"]
    computed = a_station("0021", CLEAR.format("0020"), a_night(at("0020"), [0.1] * 4, observed_at=at("0020")))
    assert due_nights({"XNOR": computed}, policy, at("0045")) == []
    assert len(due_nights({"XNOR": computed}, policy, at("0050"))) == 1, "half an hour later"
    older = a_station(
        "0021", CLEAR.format("0020"), a_night(at("0020"), [0.1] * 4, observed_at=at("0020") - timedelta(hours=1))
    )
    assert len(due_nights({"XNOR": older}, policy, at("0030"))) == 1, "a new report"
    warm = a_station("0021", "XNOR 120020Z 00000KT CAVOK 18/10 Q1024")
    assert due_nights({"XNOR": warm}, policy, at("0025")) == []
    colder = a_station("0021", "XNOR 120020Z 00000KT CAVOK M11/M13 Q1024")
    both = due_nights({"XAAA": view, "XNOR": colder}, NightPolicy(most=1), at("0025"))
    assert [question.latest.temp_c for question in both] == [-11.0]

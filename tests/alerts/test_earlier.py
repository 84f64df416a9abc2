"""What is expected earlier than was told: people plan by the times that they were told."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta

import pytest

from tests.alerts.desk import LADDER, PELLETS, Desk, everything, metar
from tests.alerts.nights import a_night
from tests.alerts.scenes import RULES, Play, at, small_book
from watcher.alerts.judge import judge
from watcher.alerts.model import Episode, EventType, Policy
from watcher.alerts.subscribers import Hours
from watcher.rulebook.words import Certainty, Kind, Level, NoTime

DRY = "METAR XNOR 12{}Z 12005KT 9999 OVC040 M03/M09 Q1006"
HOUR = timedelta(hours=1)
# No report comes in between: these stories are of forecasts.
PATIENT = Policy(blind_margin=12 * HOUR)


def taf(issued: str, begins: str, ends: str, weather: str = "FZRA", *, amended: bool = True) -> str:
    """Return a TAF that gives this weather between two times, as FM groups give them: to the minute."""
    name = "TAF AMD" if amended else "TAF"
    return (
        f"{name} XNOR 12{issued}Z 1206/1306 12005KT 9999 OVC040 "
        f"FM12{begins} 12005KT 3000 {weather} OVC006 FM12{ends} 12005KT 9999 OVC040"
    )


@pytest.fixture
def play() -> Play:
    play = Play(book=small_book(RULES + LADDER + PELLETS), may_call_blind=False)
    assert play.hear("0450", DRY.format("0450")) == []
    return play


@pytest.fixture
def expecting(play: Play) -> Play:
    """Freezing rain is expected from 1800Z, and that was told."""
    assert play.hear("0501", taf("0500", "1800", "2300", amended=False)) == ["opened"]
    return play


def the_episode(play: Play) -> Episode:
    (episode,) = play.view.episodes
    return episode


def test_what_is_expected_an_hour_or_more_earlier_is_told_with_both_times(expecting: Play) -> None:
    assert expecting.hear("0631", taf("0630", "0800", "1200")) == ["raised"]
    event = expecting.events[-1]
    body = event.body
    assert (event.subject_id, event.seq) == ("XNOR-1", 2)
    assert body.headline == (
        "XNOR no-time expected (from 0800Z, was 1800Z): moderate or heavy freezing rain 0800Z-1200Z, prevailing"
    )
    assert (body.level, body.previous_level, body.no_time) == (Level.NO_TIME, None, NoTime.NONE)
    assert (body.begins_at, body.until) == (at("0800"), at("1200"))
    assert expecting.hear("0632") == []
    assert expecting.hear("0640", DRY.format("0640")) == []
    assert expecting.hear("0641", taf("0640", "0800", "1200")) == [], "told once"


@pytest.mark.parametrize(("begins", "told"), [("1701", []), ("1700", ["raised"]), ("1830", []), ("2200", [])])
def test_less_than_an_hour_earlier_and_later_are_left_to_the_board(
    expecting: Play, begins: str, told: list[str]
) -> None:
    assert expecting.hear("0631", taf("0630", begins, "2300")) == told
    assert the_episode(expecting).began_at == at(begins)


def test_another_end_alone_is_not_told(expecting: Play) -> None:
    assert expecting.hear("0631", taf("0630", "1800", "1900")) == []
    assert expecting.hear("0641", taf("0640", "1800", "2330")) == []


def test_small_moves_add_up(expecting: Play) -> None:
    assert expecting.hear("0631", taf("0630", "1735", "2300")) == []
    assert expecting.hear("0641", taf("0640", "1710", "2300")) == []
    assert expecting.hear("0651", taf("0650", "1650", "2300")) == ["raised"]
    assert "(from 1650Z, was 1800Z)" in expecting.events[-1].body.headline
    assert expecting.hear("0701", taf("0700", "1555", "2300")) == []
    assert expecting.hear("0711", taf("0710", "1550", "2300")) == ["raised"]
    assert "(from 1550Z, was 1650Z)" in expecting.events[-1].body.headline


def test_what_moves_away_and_comes_back_to_where_it_was_told_is_nothing_new(expecting: Play) -> None:
    assert expecting.hear("0631", taf("0630", "2100", "2300")) == []
    assert expecting.hear("0641", taf("0640", "1800", "2300")) == []
    assert expecting.hear("0651", taf("0650", "1705", "2300")) == []


def test_every_event_tells_the_beginning_as_it_then_stands(expecting: Play) -> None:
    """A lower level is told with its period: from then on that is what people know."""
    assert expecting.hear("0631", taf("0630", "2100", "2300", "-FZRA")) == ["lowered"]
    assert expecting.hear("0641", taf("0640", "1800", "2300", "-FZRA")) == ["raised"]
    body = expecting.events[-1].body
    assert (body.level, body.previous_level) == (Level.TREAT, None)
    assert body.headline.startswith("XNOR treat expected (from 1800Z, was 2100Z): ")


def test_a_higher_level_has_the_word_whenever_it_begins(play: Play) -> None:
    play.hear("0501", taf("0500", "1800", "2300", "-FZRA", amended=False))
    assert play.hear("0631", taf("0630", "0800", "1200")) == ["raised"]
    body = play.events[-1].body
    assert body.previous_level is Level.TREAT
    assert body.headline.startswith("XNOR no-time expected (was treat): ")


def test_less_bad_without_a_time_and_earlier_is_told_with_both(play: Play) -> None:
    play.hear("0501", taf("0500", "1800", "2300", "+SN", amended=False))
    assert play.hear("0631", taf("0630", "0800", "1200", "PL")) == ["lowered"]
    assert play.events[-1].body.headline == (
        "XNOR no-time expected (an allowance time may exist; was: no take-off on the tables; from 0800Z, was 1800Z): "
        "ice pellets 0800Z-1200Z, prevailing"
    )
    assert play.hear("0641", taf("0640", "0800", "1200", "PL")) == []


def test_what_should_have_begun_already_counts_as_beginning_now(play: Play) -> None:
    play.hear("0501", taf("0500", "0900", "2300", amended=False))
    assert play.hear("0815", taf("0810", "0700", "1200")) == [], "told from 0900Z, which is in 45 minutes"
    later = Play(book=play.book, may_call_blind=False)
    later.hear("0501", taf("0500", "0900", "2300", amended=False))
    assert later.hear("0755", taf("0750", "0700", "1200")) == ["raised"]


def test_what_was_told_to_have_begun_is_not_told_to_have_begun_before(play: Play) -> None:
    play.hear("0501", taf("0500", "0700", "2300", amended=False))
    assert play.hear("0715", taf("0710", "0600", "2300")) == []
    assert play.hear("0815", taf("0810", "1000", "2300")) == []
    assert play.hear("0825", taf("0820", "0600", "2300")) == []


def test_whoever_has_it_in_hand_has_it_still_and_hears_of_it() -> None:
    desk = Desk(everything("duty"), rules=LADDER)
    desk.policy = PATIENT
    assert desk.hear("0501", taf("0500", "1800", "2300", "SN", amended=False)) == [("duty", "opened")]
    assert desk.hear("0600", taken=[("night duty", "snow")]) == [("duty", "acknowledged")]
    assert desk.hear("0631", taf("0630", "0800", "1200", "SN")) == [("duty", "raised")]
    assert desk.said(desk.deliveries[-1]).body.by == "night duty"


def test_each_destination_hears_it_against_what_it_was_last_told_itself() -> None:
    """One slept while it was told; it is no news to it where that has begun by the time that it was told."""
    quiet = Hours(time(6), time(10), "UTC")
    desk = Desk(
        everything("duty"),
        replace(everything("room", quiet=quiet, no_time_ignores_hours=False), name="by day"),
        rules=LADDER,
    )
    desk.policy = PATIENT
    assert desk.hear("0501", taf("0500", "1800", "2300", "SN", amended=False)) == [
        ("duty", "opened"),
        ("room", "opened"),
    ]
    assert desk.hear("0631", taf("0630", "1200", "1500", "SN")) == [("duty", "raised")]
    assert desk.hear("0959") == []
    assert desk.hear("1000") == [("room", "raised")]
    assert {item.begins_at for item in desk.deliveries[-2:]} == {at("1200")}
    assert desk.hear("1001") == []


def test_an_hour_that_has_passed_while_a_destination_slept_is_not_told_as_earlier() -> None:
    quiet = Hours(time(6), time(10), "UTC")
    desk = Desk(everything("room", quiet=quiet, no_time_ignores_hours=False), rules=LADDER)
    desk.policy = PATIENT
    assert desk.hear("0501", taf("0500", "1030", "2300", "SN", amended=False)) == [("room", "opened")]
    assert desk.hear("0631", taf("0630", "0800", "1500", "SN")) == []
    assert desk.hear("1000") == [], "it was told 1030Z, and that is in half an hour"


def test_a_row_of_before_stands_as_it_stands(expecting: Play) -> None:
    """What a store kept before beginnings were remembered: compared with how it stands, step by step."""
    assert expecting.hear("0631", taf("0630", "2000", "2300")) == []
    old = replace(the_episode(expecting), told_from=None)
    expecting.view = replace(expecting.view, episodes=(old,))
    assert expecting.hear("0641", taf("0640", "1830", "2300")) == ["raised"]
    assert "(from 1830Z, was 2000Z)" in expecting.events[-1].body.headline
    assert the_episode(expecting).told_from == at("1830")


def test_when_it_comes_true_no_beginning_is_expected_any_more(expecting: Play) -> None:
    assert expecting.hear("1751", metar("FZRA", at("1750"))) == ["confirmed"]
    assert the_episode(expecting).told_from is None
    assert expecting.hear("1801", taf("1800", "1900", "2300")) == []


FROST = """
[[rule]]
name = "frost"
flag = "frost-likely"
level = "prepare"
text = "Frost on parked aircraft"
source = "common practice, no source"
when = { field = "p_active_frost", op = ">=", value = 0.5, off = 0.3 }
settle = { reports = 1, minutes = 0 }
"""


def test_a_computed_beginning_that_wanders_all_evening_is_told_a_few_times() -> None:
    """From noon the forecast is computed each hour; its beginning wanders by up to an hour and a half and back."""
    play = Play(book=small_book(FROST))
    wanders = [120, 90, 150, 60, 90, 30, 90, 0, 60, 30, -60, 0, 30, -30]
    told = []
    for hour, minutes in enumerate(wanders):
        now = at("1200") + hour * HOUR
        begins_at = at("2200") + timedelta(minutes=minutes)
        clock = f"{now:%d%H%M}" if now.day > 12 else f"{now:%H%M}"
        play.hear(f"{12 + hour:02d}01", f"METAR XNOR {now:%d%H%M}Z 00000KT CAVOK 01/M02 Q1024")
        steps = [0.7 if begins_at <= now + step * HOUR / 2 < begins_at + 6 * HOUR else 0.1 for step in range(48)]
        night = a_night(now, steps, observed_at=now)
        changes = judge(
            {"XNOR": play.view}, [], (), {"XNOR": night}, rulebook=play.book, policy=play.policy, now=now + HOUR / 30
        )
        for change in changes:
            told.extend((clock, name) for name in play._take(change))
    kinds = [name for _, name in told]
    assert kinds[0] == "opened"
    assert kinds.count("opened") == 1
    raised = [event for event in play.events if event.type is EventType.RAISED]
    assert [(event.body.certainty, event.body.kind) for event in raised] == [(Certainty.COMPUTED, Kind.EXPECTED)] * len(
        raised
    )
    changes_told = [event.body.headline.partition(":")[0] for event in raised]
    assert changes_told == [
        "XNOR prepare expected (from 2300Z, was 0000Z)",
        "XNOR prepare expected (from 2200Z, was 2300Z)",
    ]

"""Frost forecasts in the judgement: expected with its odds, the same episode when it comes true, nothing lost on restart."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.alerts.nights import a_night
from tests.alerts.scenes import Play, at, report, small_book
from watcher.alerts.judge import judge
from watcher.outlook.night.model import Times
from watcher.rulebook.words import Certainty, Kind, Level

RULES = """
[[rule]]
name = "frost"
flag = "frost-likely"
level = "prepare"
text = "Frost on parked aircraft"
source = "common practice, no source"
when = { any = [ { field = "p_active_frost", op = ">=", value = 0.5, off = 0.3 },
                 { field = "p_deposit", op = ">=", value = 0.5, off = 0.3 } ] }
settle = { reports = 1, minutes = 0 }

[[rule]]
name = "frost-lies"
flag = "frost-likely"
level = "treat"
text = "Frost on parked aircraft"
source = "common practice, no source"
when = { field = "p_deposit", op = ">=", value = 0.8, off = 0.6 }
settle = { reports = 1, minutes = 0 }
"""
CLEAR = "XNOR 12{}Z 00000KT CAVOK 01/M02 Q1024"


@pytest.fixture
def play() -> Play:
    return Play(book=small_book(RULES))


def compute(play: Play, clock: str, night) -> list[str]:
    changes = judge({"XNOR": play.view}, [], (), {"XNOR": night}, rulebook=play.book, policy=play.policy, now=at(clock))
    return [name for change in changes for name in play._take(change)]


def evening(observed: str = "0020", **fields):
    """A night that frosts from 0200 to 0530."""
    frost = [0.1, 0.1, 0.2, 0.6, 0.7, 0.78, 0.7, 0.6, 0.6, 0.6, 0.2, 0.1]
    onset = Times(at("0105"), at("0200"), at("0330"))
    return a_night(at("0030"), frost, observed_at=at(observed), onset=onset, **fields)


def test_a_frosty_night_ahead_is_told_with_its_span_and_its_chance(play):
    assert play.hear("0021", CLEAR.format("0020")) == []
    assert compute(play, "0031", evening()) == ["opened"]
    (event,) = play.events
    assert event.body.headline == (
        "XNOR prepare expected: frost on parked aircraft from about 0200Z (0105Z-0330Z) to about 0530Z, 78 %"
    )
    assert event.body.certainty is Certainty.COMPUTED
    assert event.body.odds.probability == pytest.approx(0.78)
    assert event.body.why == (
        "Computed from the report of 0020Z: wing skin down to -3 °C (-5 to -1) at 0200Z, frost point -2 °C."
    )
    assert event.body.forecast_raw is None


def test_what_is_expected_and_comes_true_is_the_same_episode(play):
    play.hear("0021", CLEAR.format("0020"))
    compute(play, "0031", evening())
    assert play.hear("0151", CLEAR.format("0150")) == [], "a report alone says nothing about frost"
    assert compute(play, "0200", a_night(at("0200"), [0.7] * 8, observed_at=at("0150"))) == ["confirmed"]
    (episode,) = play.view.episodes
    assert (episode.id, episode.kind) == ("XNOR-1", Kind.OBSERVED)


def test_a_forecast_for_an_older_report_says_nothing_of_the_present(play):
    play.hear("0021", CLEAR.format("0020"))
    play.hear("0051", CLEAR.format("0050"))
    assert compute(play, "0055", a_night(at("0050"), [0.9] * 8, observed_at=at("0020"))) == []


def test_until_it_is_computed_again_what_was_expected_stands(play):
    """After a restart no night is at hand; nothing ends because of it."""
    play.hear("0021", CLEAR.format("0020"))
    compute(play, "0031", evening())
    play.view = replace(play.view, night=None, expectations=None)
    assert play.hear("0051", CLEAR.format("0050")) == []
    assert play.hear("0101") == []
    (episode,) = play.view.episodes
    assert episode.kind is Kind.EXPECTED
    assert compute(play, "0102", evening("0050")) == [], "and goes on"


def test_what_is_expected_goes_on_by_its_release_threshold(play):
    play.hear("0021", CLEAR.format("0020"))
    compute(play, "0031", evening())
    weaker = a_night(at("0030"), [0.1, 0.1, 0.2, 0.35, 0.4, 0.45, 0.4, 0.35], observed_at=at("0020"))
    assert compute(play, "0040", weaker) == []
    gone = a_night(at("0030"), [0.1] * 8, observed_at=at("0020"))
    assert compute(play, "0050", gone) == ["closed"]


WET = """
[[rule]]
name = "recently-wet"
flag = "frost-likely"
level = "note"
text = "Near freezing"
source = "common practice, no source"
when = { field = "temp_c", op = "<=", value = 0.0 }
settle = { reports = 1, minutes = 0 }
"""


def test_less_that_is_observed_does_not_call_off_what_is_computed(play):
    play.book = small_book(RULES + WET)
    play.hear("0021", CLEAR.format("0020"))
    compute(play, "0031", evening())
    assert play.hear("0051", CLEAR.format("0050").replace("01/M02", "M01/M02")) == ["opened"]
    assert [(item.kind, item.level) for item in play.view.episodes] == [
        (Kind.EXPECTED, Level.PREPARE),
        (Kind.OBSERVED, Level.NOTE),
    ]
    assert compute(play, "0055", evening("0050")) == []
    assert play.hear("0121", CLEAR.format("0120")) == ["closed"]
    assert [item.kind for item in play.view.episodes] == [Kind.EXPECTED]


def test_a_deposit_outlives_the_frost_that_made_it(play):
    """Frost no longer forms from 0500, and lies until the end of the night."""
    play.hear("0021", CLEAR.format("0020"))
    frost, deposit = [0.2] * 3 + [0.9] * 6 + [0.1] * 5, [0.0] * 4 + [0.6] * 2 + [0.85] * 8
    compute(play, "0031", a_night(at("0030"), frost, deposit, observed_at=at("0020")))
    (episode,) = play.view.episodes
    assert episode.level is Level.TREAT
    assert episode.until == at("0730")


def test_the_same_night_twice_tells_nothing_twice(play):
    play.hear("0021", CLEAR.format("0020"))
    compute(play, "0031", evening())
    assert compute(play, "0032", evening()) == []


def test_the_facts_of_a_report_are_those_of_its_night(play):
    play.hear("0021", CLEAR.format("0020"))
    compute(play, "0031", evening())
    changes = judge(
        {"XNOR": play.view}, [report(CLEAR.format("0050"), at("0051"))],
        rulebook=play.book, policy=play.policy, now=at("0051"),
    )  # fmt: skip
    assert changes[0].after.night is play.view.night, "kept until the next is computed"

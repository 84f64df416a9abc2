"""Episodes found in columns are those that the judgement tells when it hears the same reports one by one."""

from __future__ import annotations

from datetime import timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.alerts.scenes import MIDNIGHT, XNOR, small_book
from tests.replay.live import live_story, open_frame, real_positions
from tests.replay.winters import Winter, observed, positions
from watcher.alerts.model import Policy
from watcher.replay.columns.facts import reported_columns, with_facts
from watcher.replay.columns.spells import CHANGES, SPELLS, follow, level_changes, spells
from watcher.replay.columns.verdicts import facts_of, with_verdicts
from watcher.replay.decoding.frames import observed_frame
from watcher.reports.decode import decode_report
from watcher.reports.model import Observation
from watcher.rulebook.words import Kind
from watcher.service.rules_folder import load_rulebook

# Rules of one flag that wait, some of them longer than others, at all levels; and a flag with one rule that never does.
WAITING = """
[[rule]]
name = "moist"
flag = "deicing-likely"
level = "note"
text = "Moist"
source = "common practice, no source"
when = { field = "spread_c", op = "<=", value = 3.0, off = 4.0 }
confirm = { reports = 3 }
settle = { reports = 3, minutes = 60 }

[[rule]]
name = "cold"
flag = "deicing-likely"
level = "prepare"
text = "Cold"
source = "common practice, no source"
when = { field = "temp_c", op = "<=", value = 0.0, off = 2.0 }
confirm = { reports = 2 }
settle = { reports = 1, minutes = 45 }

[[rule]]
name = "cold-and-wet"
flag = "deicing-likely"
level = "treat"
text = "Cold and wet"
source = "common practice, no source"
when = { all = [ { field = "temp_c", op = "<=", value = 1.0, off = 2.0 }, { field = "weather", op = "has", value = ["RA", "SN", "FZDZ"] } ] }
confirm = { reports = 2 }
settle = { reports = 2, minutes = 0 }

[[rule]]
name = "no-fog"
flag = "deicing-likely"
level = "prepare"
text = "No fog"
source = "common practice, no source"
when = { not = { any = [ { field = "weather", op = "has", value = ["FG", "BR", "FZFG"] }, { field = "temp_c", op = ">", value = 1.0, off = 0.0 } ] } }
settle = { reports = 2, minutes = 30 }

[[rule]]
name = "freezing"
flag = "freezing-precipitation"
level = "no-time"
no_time = "none"
text = "Freezing"
source = "common practice, no source"
when = { field = "weather", op = "has", value = "FZDZ" }
settle = { reports = 1, minutes = 0 }
"""
WEATHER = ["", "", "FZDZ", "-SN", "RA", "//", "BR", "FZFG"]
TEMPERATURES = ["06/M02", "M02/M06", "02/00", "M01/M01", "00/M00", "///", "04/01", "01/M02"]
# Minutes since the report before, minutes until it is heard, what it says; a correction speaks about the one before.
ONE = st.tuples(
    st.sampled_from([0, 5, 10, 20, 30, 30, 30, 45, 60, 200]),
    st.sampled_from([0, 3, 3, 3, 40, 95, 300]),
    st.sampled_from(WEATHER),
    st.sampled_from(TEMPERATURES),
    st.sampled_from(["", "", "", "COR "]),
)
NIGHT = st.lists(ONE, min_size=1, max_size=40)


def night(station: str, drawn, first: int) -> list[tuple[Observation, object, int]]:
    entries, at = [], MIDNIGHT
    for order, (gap, lag, weather, temperatures, correction) in enumerate(drawn):
        at += timedelta(minutes=0 if correction and order else gap)
        text = f"{station} {at:%d%H%M}Z {correction}00000KT 2500 {weather} OVC006 {temperatures} Q{1000 + order}"
        seen = decode_report(text, received_at=at, observed_at=at)
        assert isinstance(seen, Observation)
        entries.append((seen, at + timedelta(minutes=lag), first + order))
    return entries


def followed(frame: pl.DataFrame, places, book, policy=None):
    """Spells and changes in columns, as rows."""
    rules = book.of_kind(Kind.OBSERVED)
    asked = facts_of(rules)
    made = with_facts(frame.lazy().select(reported_columns(asked)), places, asked)
    told, changed = follow(with_verdicts(made, rules), rules, policy or Policy())
    names = ("station", "flag", "level", "began_at", "opened_at", "ended_at")
    return sorted(told.select(names).rows(), key=str), sorted(changed.rows(), key=str)


def assert_same(frame, places, book, policy=None):
    live = live_story(frame, places, book, policy or Policy())
    told, changed = followed(frame, places, book, policy)
    assert told == sorted(live.spells, key=str)
    assert changed == sorted(live.changes, key=str)
    return told


@given(NIGHT, NIGHT)
def test_any_two_nights_have_the_episodes_of_the_judgement(one, other):
    """Corrections, gaps, unknown values, reports out of order and stale ones; rules that wait and rise over each other."""
    frame = observed_frame([*night("XNOR", one, 0), *night("XBAY", other, len(one))])
    assert_same(frame, {"XNOR": XNOR}, small_book(WAITING))


@settings(max_examples=40)
@given(NIGHT)
def test_any_night_has_the_episodes_of_the_judgement_by_the_shipped_rules(drawn):
    assert_same(observed_frame(night("XNOR", drawn, 0)), {"XNOR": XNOR}, load_rulebook())


@pytest.mark.slow
def test_a_year_at_bodo_has_the_episodes_of_the_judgement():
    """Open data of the Norwegian Meteorological Institute, CC BY 4.0: tests/data/SOURCES.md."""
    frame = open_frame("met-no-ENBO-2024")
    told = assert_same(frame, real_positions(frame), load_rulebook())
    assert len(told) > 100


@pytest.mark.parametrize("received", [False, True])
def test_an_invented_winter_has_the_episodes_of_the_judgement(received):
    winter = Winter(stations=3, days=15, seed=5, received=received)
    assert len(assert_same(observed(winter), positions(winter), load_rulebook())) > 30


def hourly(*words: str, lag: int = 3) -> pl.DataFrame:
    """Reports an hour apart, each `weather/temperatures` with a dot for no weather."""
    entries = []
    for order, word in enumerate(words):
        weather, _, temperatures = word.partition(":")
        at = MIDNIGHT + timedelta(hours=order)
        text = f"XNOR {at:%d%H%M}Z 00000KT 2500 {weather.strip('.')} OVC006 {temperatures} Q1010"
        entries.append((decode_report(text, received_at=at), at + timedelta(minutes=lag), order))
    return observed_frame(entries)


def told(frame: pl.DataFrame) -> pl.DataFrame:
    rules = small_book(WAITING).of_kind(Kind.OBSERVED)
    return spells(with_verdicts(with_facts(frame.lazy(), {}), rules), rules, Policy())


def test_a_spell_says_when_it_began_and_was_heard_and_by_which_rules():
    made = told(hourly(".:05/M05", ".:M01/M09", ".:M01/M09", "FZDZ:M01/M02", ".:05/M05", ".:05/M05"))
    freezing = made.row(by_predicate=pl.col("flag") == "freezing-precipitation", named=True)
    assert freezing == {
        "station": "XNOR",
        "flag": "freezing-precipitation",
        "level": 4,
        "began_at": MIDNIGHT + timedelta(hours=3),
        "opened_at": MIDNIGHT + timedelta(hours=3, minutes=3),
        "ended_at": MIDNIGHT + timedelta(hours=4, minutes=3),
        "opened_by": MIDNIGHT + timedelta(hours=3),
        "ended_by": MIDNIGHT + timedelta(hours=4),
        "rules": ["freezing"],
    }
    cold = made.row(by_predicate=pl.col("flag") == "deicing-likely", named=True)
    assert cold["rules"] == ["cold", "cold-and-wet", "no-fog"]
    assert (cold["level"], cold["began_at"]) == (3, MIDNIGHT + timedelta(hours=1))


def test_what_is_stale_when_it_is_heard_opens_nothing():
    assert told(hourly("FZDZ:M01/M02", lag=91)).is_empty()
    assert not told(hourly("FZDZ:M01/M02", lag=90)).is_empty()


def test_a_spell_that_lasts_to_the_end_has_none():
    made = told(hourly("FZDZ:M01/M02", "FZDZ:M01/M02")).filter(flag="freezing-precipitation")
    assert made["ended_at"].to_list() == [None]


def test_no_reports_and_no_rules_are_no_spells():
    rules = small_book(WAITING).of_kind(Kind.OBSERVED)
    nothing = with_verdicts(with_facts(hourly(".:05/M05").clear().lazy(), {}), rules)
    assert spells(nothing, rules, Policy()).schema == pl.Schema(SPELLS)
    some = with_facts(hourly("FZDZ:M01/M02").lazy(), {})
    assert level_changes(some, [], Policy()).schema == pl.Schema(CHANGES)

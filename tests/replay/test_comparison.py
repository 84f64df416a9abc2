"""Two rulebooks held against each other: what is new, gone, worse, milder, or told at another time."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.alerts.scenes import RULES, report, small_book
from watcher.alerts.model import Policy
from watcher.replay.comparison.contract import comparison_as_contract
from watcher.replay.comparison.episodes import compare, rule_changes, together
from watcher.replay.comparison.model import Change, Comparison, RuleChanges, Side
from watcher.replay.rehearsal.model import LevelStep, PlayedEpisode, StationRun
from watcher.replay.rehearsal.station import rehearse_station
from watcher.replay.rehearsal.totals import together as totals_together
from watcher.replay.rehearsal.totals import totals_of
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook
from watcher.rulebook.words import Flag, Kind, Level

BEGIN = datetime(2026, 1, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)
NOW, OTHER = Side("mine", 2, "a" * 16, ()), Side("theirs", 2, "b" * 16, ())
NOTHING = RuleChanges((), (), ())


def at(hours: float) -> datetime:
    return BEGIN + hours * HOUR


def episode(
    begin: float,
    end: float | None,
    *levels: tuple[float, Level],
    flag: Flag = Flag.SNOW,
    kind: Kind = Kind.OBSERVED,
    number: int = 1,
) -> PlayedEpisode:
    steps = levels or ((begin, Level.TREAT),)
    return PlayedEpisode(
        id=f"XNOR-{number}",
        station="XNOR",
        flag=flag,
        kind=kind,
        level=max(level for _, level in steps),
        opened_at=at(begin),
        began_at=at(begin),
        ended_at=at(end) if end is not None else None,
        steps=tuple(LevelStep(at(when), level) for when, level in steps),
        rules=("a-rule",),
    )


def run(*episodes: PlayedEpisode, station: str = "XNOR") -> StationRun:
    return StationRun(station, BEGIN, at(100), 9, 0, 0, 0, timedelta(), 0, 9, episodes, ())


def held(now: StationRun, other: StationRun, most: int = 100) -> Comparison:
    return compare([now], [other], now=NOW, other=OTHER, rules=NOTHING, most=most)


def changes(comparison: Comparison) -> list[Change]:
    return [item.change for item in comparison.differences]


def test_equal_episodes_are_the_same_whatever_their_numbers():
    found = held(run(episode(1, 3), episode(5, None)), run(episode(1, 3, number=4), episode(5, None, number=9)))
    assert found.differences == ()
    assert (found.totals.now, found.totals.other, found.totals.same) == (2, 2, 2)


def test_what_only_one_opens_is_new_or_gone():
    found = held(run(episode(1, 3)), run(episode(10, 12)))
    assert changes(found) == [Change.GONE, Change.NEW]
    assert (found.differences[0].at, found.differences[1].at) == (at(1), at(10))


def test_the_same_time_under_another_flag_is_no_match():
    found = held(run(episode(1, 3)), run(episode(1, 3, flag=Flag.FREEZING_FOG)))
    assert sorted(changes(found)) == [Change.GONE, Change.NEW]
    assert set(found.by_flag) == {Flag.SNOW, Flag.FREEZING_FOG}


@pytest.mark.parametrize(("level", "change"), [(Level.NO_TIME, Change.RAISED), (Level.NOTE, Change.LOWERED)])
def test_a_worse_or_milder_level_goes_before_its_times(level, change):
    (difference,) = held(run(episode(1, 3)), run(episode(2, 3, (2, level)))).differences
    assert (difference.change, difference.opens_later_by) == (change, HOUR)


@pytest.mark.parametrize(
    "other",
    [
        episode(2, 3),
        episode(1, 4),
        episode(1, None),
        episode(1, 3, (1, Level.PREPARE), (2, Level.TREAT)),
        episode(1, 3, kind=Kind.EXPECTED),
    ],
    ids=["opens later", "ends later", "never ends", "reaches treat later", "was expected"],
)
def test_another_time_or_kind_is_shifted(other):
    assert changes(held(run(episode(1, 3)), run(other))) == [Change.SHIFTED]


def test_an_episode_that_becomes_two_is_one_difference():
    whole, parts = run(episode(1, 9)), run(episode(1, 4), episode(6, 9, number=2))
    (difference,) = held(whole, parts).differences
    assert difference.change is Change.SHIFTED
    assert difference.other is not None
    assert difference.other.episodes == ("XNOR-1", "XNOR-2")
    assert (difference.opens_later_by, difference.ends_later_by) == (timedelta(), timedelta())


def test_the_worst_are_listed_where_there_are_too_many_and_all_are_counted():
    mild = [episode(hour, hour + 1, (hour, Level.NOTE), number=hour) for hour in range(0, 40, 4)]
    bad = episode(50, 51, (50, Level.NO_TIME), number=50)
    found = held(run(), run(*mild, bad), most=3)
    assert [item.level for item in found.differences] == [Level.NOTE, Level.NOTE, Level.NO_TIME]
    assert [item.at for item in found.differences] == [at(0), at(4), at(50)]
    assert (found.left_out, found.totals.changes[Change.NEW]) == (8, 11)


def test_runs_of_other_stations_are_refused():
    with pytest.raises(ValueError, match="XNOR is compared with XBAY"):
        compare([run()], [run(station="XBAY")], now=NOW, other=OTHER, rules=NOTHING)


spans = st.lists(
    st.tuples(st.integers(0, 40), st.integers(0, 12), st.sampled_from(list(Level)), st.sampled_from(list(Flag)[:2])),
    max_size=6,
)


def episodes(drawn) -> StationRun:
    return run(
        *(
            episode(begin, begin + length, (begin, level), flag=flag, number=number)
            for number, (begin, length, level, flag) in enumerate(drawn)
        )
    )


@given(spans, spans)
def test_every_stretch_is_counted_once_and_the_other_way_round_is_the_mirror(one, two):
    there, back = held(episodes(one), episodes(two)), held(episodes(two), episodes(one))
    for counts in (there.totals, *there.by_flag.values()):
        both = counts.same + sum(counts.changes[item] for item in (Change.RAISED, Change.LOWERED, Change.SHIFTED))
        assert counts.now == both + counts.changes[Change.GONE]
        assert counts.other == both + counts.changes[Change.NEW]
    listed = [item for side in (item.now for item in there.differences) if side for item in side.episodes]
    assert len(listed) == len(set(listed))
    mirrored = {Change.NEW: Change.GONE, Change.GONE: Change.NEW, Change.RAISED: Change.LOWERED}
    mirrored |= {Change.LOWERED: Change.RAISED, Change.SHIFTED: Change.SHIFTED}
    assert {item: back.totals.changes[mirrored[item]] for item in Change} == there.totals.changes
    assert back.totals.same == there.totals.same


@given(spans)
def test_a_rulebook_held_against_itself_differs_in_nothing(drawn):
    assert held(episodes(drawn), episodes(drawn)).differences == ()


@given(st.lists(st.tuples(spans, spans), min_size=1, max_size=5), st.integers(0, 12))
def test_parts_of_an_archive_put_together_are_the_whole(drawn, most):
    names = [f"X{number:03}" for number in range(len(drawn))]
    pairs = [
        (replace(episodes(one), station=name), replace(episodes(two), station=name))
        for name, (one, two) in zip(names, drawn, strict=True)
    ]
    args = {"now": NOW, "other": OTHER, "rules": NOTHING}
    whole = compare([one for one, _ in pairs], [two for _, two in pairs], **args, most=most)
    parts = together((compare([one], [two], **args, most=most) for one, two in pairs), most=most)
    assert replace(parts, differences=()) == replace(whole, differences=())
    assert Counter(item.level for item in parts.differences) == Counter(item.level for item in whole.differences)
    figures = totals_together(totals_of([one]) for one, _ in pairs)
    assert figures == totals_of(one for one, _ in pairs)


def test_what_one_part_does_not_tell_the_whole_does_not_tell():
    known, unknown = totals_of([run()]), totals_of([replace(run(), blind=None, unconfirmed=None)])
    assert (totals_together([known, known]).blind, totals_together([known, unknown]).blind) == (timedelta(), None)
    assert (totals_together([known, known]).unconfirmed, totals_together([known, unknown]).unconfirmed) == (0, None)


def test_rules_differ_by_what_they_say_not_by_the_file_they_stand_in():
    book = small_book()
    moved = Rulebook(tuple(book.rules), book.fingerprint)
    assert not rule_changes(book, moved).any
    changed = small_book(
        RULES.replace("value = 3.0, off = 4.0", "value = 2.0, off = 4.0").replace("cold-and-wet", "wet")
    )
    found = rule_changes(book, changed)
    assert (found.added, found.removed, found.edited) == (("wet",), ("cold-and-wet",), ("cold-and-moist",))


def test_a_stricter_limit_loses_the_mild_nights_and_keeps_the_others():
    reports = [
        report(f"METAR XNOR 12{hour:02}20Z 00000KT CAVOK {'03/02' if hour < 6 else '01/00'} Q1010", at(hour + 1 / 3))
        for hour in (*range(6), *range(14, 20))
    ]
    strict = small_book(RULES.replace("value = 3.0, off = 4.0", "value = 2.0, off = 2.0"))
    runs = [
        rehearse_station(Station("XNOR"), reports, rulebook=book, policy=Policy(), until=at(23))
        for book in (small_book(), strict)
    ]
    now, other = runs
    assert now is not None
    assert other is not None
    (difference,) = held(now, other).differences
    assert difference.flag is Flag.DEICING_LIKELY
    assert difference.change is Change.SHIFTED
    assert difference.opens_later_by == 14 * HOUR


def test_the_contract_has_words_times_and_both_sides():
    told = comparison_as_contract(held(run(episode(1, 3)), run(episode(1, None, (1, Level.NO_TIME)))))
    assert json.loads(json.dumps(told)) == told
    assert told["differences"] == [
        {
            "station": "XNOR",
            "flag": "snow",
            "change": "raised",
            "at": "2026-01-12T01:00:00Z",
            "now": {
                "level": "treat",
                "kinds": ["observed"],
                "opened_at": "2026-01-12T01:00:00Z",
                "reached_at": "2026-01-12T01:00:00Z",
                "ended_at": "2026-01-12T03:00:00Z",
                "episodes": ["XNOR-1"],
                "rules": ["a-rule"],
            },
            "other": {
                "level": "no-time",
                "kinds": ["observed"],
                "opened_at": "2026-01-12T01:00:00Z",
                "reached_at": "2026-01-12T01:00:00Z",
                "ended_at": None,
                "episodes": ["XNOR-1"],
                "rules": ["a-rule"],
            },
            "opens_later_min": 0,
            "ends_later_min": None,
        }
    ]

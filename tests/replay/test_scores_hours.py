"""Hour by hour: every full hour counted once, judged only where somebody could see, additive over stations."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from tests.replay.own_frames import BEGIN, hourly, reports
from watcher.replay.phenomena import Phenomenon
from watcher.replay.scores.alerts import ALERTS
from watcher.replay.scores.hours import ALWAYS, LEADS_H, NOT_YET, HourCounts, count_hours
from watcher.replay.scores.subjects import Subject
from watcher.replay.scores.tally import tally
from watcher.replay.truth import onsets, seen
from watcher.rulebook.words import Level

SNOW = Subject("snow", Level.PREPARE, Phenomenon.SNOW, precursor=False)
HITS, IN_VAIN, MISSES, QUIET, UNJUDGED = range(5)


def alerts(*spans: tuple[float, float | None], station: str = "XNOR", level: Level = Level.PREPARE) -> pl.DataFrame:
    """Alerts of the flag snow from an hour to an hour after the beginning."""
    rows = [
        (
            station, "snow", low, BEGIN + timedelta(hours=begin),
            None if end is None else BEGIN + timedelta(hours=end), "observed",
        )
        for begin, end in spans
        for low in range(1, level + 1)
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=ALERTS, orient="row")


def counted(words: str, *spans: tuple[float, float | None], **options: Level) -> HourCounts:
    return count_hours(seen(reports(hourly(words))), alerts(*spans, **options), [SNOW])


def cells(counts: HourCounts, lead_h: int, start: int = ALWAYS) -> list[int]:
    return counts.by_station[:, 0, LEADS_H.index(lead_h), start].sum(axis=0).tolist()


def test_an_hour_with_an_alert_and_snow_within_the_next_hours_is_a_hit():
    found = counted(". . SN . . . . . .", (1, 3))
    # Snow at 2: within an hour of 1 only; an alert stands at 1 and 2, the last hour cannot be judged any more.
    assert cells(found, 1) == [1, 1, 0, 6, 1]
    assert cells(found, 3) == [1, 1, 1, 3, 3]
    # In the latest report itself: at 2.
    assert cells(found, 0) == [1, 1, 0, 7, 0]


@pytest.mark.parametrize("begins_at", ["1969-12-31T18:00", "1930-01-01T00:00", "1929-12-31T20:00"])
def test_reports_before_1970_are_scored_as_those_of_today(begins_at: str):
    """Archives may begin in 1930, and their first report may have been made in the night before."""
    rows = hourly(". . SN SN ? . -FZRA . . .") + hourly(". SN . . . . . SN", station="XBAY")
    back = BEGIN - datetime.fromisoformat(begins_at).replace(tzinfo=UTC)
    told = pl.concat([alerts((1, 3)), alerts((0, 7), station="XBAY")])
    now, then = (frame.lazy() for frame in (reports(rows), reports(rows).with_columns(pl.col("observed_at") - back)))
    told_then = told.with_columns(pl.col("opened_at", "ended_at") - back)
    assert np.array_equal(
        count_hours(seen(then), told_then, [SNOW]).by_station, count_hours(seen(now), told, [SNOW]).by_station
    )
    times = pl.col("began_at", "last_at", "ended_at") - back
    assert_frame_equal(onsets(seen(then)), onsets(seen(now)).with_columns(times))
    assert len(onsets(seen(now))) == 8  # four at each station, snow being precipitation too
    first = tally(then, told_then, [SNOW]).sight.get_column("first_at").to_list()
    assert first == [BEGIN - back] * 2


def test_where_it_is_there_already_nothing_is_foretold():
    found = counted(". . SN SN SN . . . .", (1, 6))
    assert cells(found, 1) == [3, 2, 0, 3, 1]
    assert cells(found, 1, NOT_YET) == [1, 1, 0, 3, 1]


def test_a_gap_makes_hours_unjudged_and_never_quiet():
    """Nobody knows what fell where no report is."""
    assert cells(counted(". . . ? ? ? . . ."), 3) == [0, 0, 0, 0, 6]
    assert cells(counted(". . . / / / . . ."), 1) == [0, 0, 0, 4, 5]


def test_snow_that_is_told_before_sight_is_lost_counts():
    assert cells(counted(". . SN ? ? ? ?", (0, 9)), 3) == [2, 0, 0, 0, 1]


def test_an_alert_below_the_level_is_none():
    assert cells(counted(". SN .", (0, None), level=Level.NOTE), 0) == [0, 0, 1, 2, 0]


def test_an_alert_counts_from_the_minute_it_was_told_in():
    early, late = counted(". SN .", (0.99, None)), counted(". SN .", (1.01, None))
    assert cells(early, 0)[HITS] == 1
    assert cells(late, 0)[HITS] == 0


def test_of_several_reports_in_an_hour_the_last_decides():
    rows = [{"at": at, "weather": weather} for at, weather in ((0, ""), (20, "SN"), (40, ""), (60, ""), (120, ""))]
    assert cells(count_hours(seen(reports(rows)), alerts(), [SNOW]), 0) == [0, 0, 0, 3, 0]


def test_an_alert_of_one_station_does_not_reach_the_next():
    frame = reports(hourly("SN SN SN") + hourly("SN SN SN", station="XTAR"))
    found = count_hours(seen(frame), alerts((0, None)), [SNOW])
    assert found.stations == ("XNOR", "XTAR")
    assert found.by_station[:, 0, 0, ALWAYS].tolist() == [[3, 0, 0, 0, 0], [0, 0, 3, 0, 0]]


words_of = st.lists(st.sampled_from([".", "SN", "?", "/"]), min_size=1, max_size=30).filter(lambda w: set(w) != {"?"})
spans_of = st.lists(st.tuples(st.integers(0, 29), st.integers(1, 8)), max_size=3)


def plainly(words: list[str], open_at: set[int], lead_h: int, allowed: int) -> list[int]:
    """Count hour after hour, looking ahead from each report."""
    known = {hour: word == "SN" for hour, word in enumerate(words) if word in {".", "SN"}}
    told = [0] * 5
    for hour, word in enumerate(words):
        if word == "?":
            continue
        if hour not in known:
            told[UNJUDGED] += 1
            continue
        came: bool | None = known[hour] if lead_h == 0 else None
        at = hour
        while came is None:
            after = min((later for later in known if later > at), default=None)
            if at >= hour + lead_h:
                came = False
            elif after is None or 60 * (after - at) > allowed:
                break
            elif known[after] and after <= hour + lead_h:
                came = True
            else:
                at = after
        if came is None:
            told[UNJUDGED] += 1
        else:
            told[(HITS if came else IN_VAIN) if hour in open_at else (MISSES if came else QUIET)] += 1
    return told


@given(words_of, spans_of)
def test_the_counts_are_those_of_looking_ahead_from_every_report(words: list[str], spans: list[tuple[int, int]]):
    found = seen(reports(hourly(" ".join(words))))
    allowed = int(found.rows.item(0, "allowed"))
    apart: list[tuple[float, float]] = []
    for begin, length in sorted(spans):
        if not apart or begin > apart[-1][1]:
            apart.append((begin, begin + length))
    open_at = {hour for begin, end in apart for hour in range(int(begin), int(end))}
    counts = count_hours(found, alerts(*apart), [SNOW])
    for lead_h in LEADS_H:
        assert cells(counts, lead_h) == plainly(words, open_at, lead_h, allowed), lead_h


@given(st.lists(words_of, min_size=2, max_size=4))
def test_counts_add_up_over_partitions_in_any_order(stations: list[list[str]]):
    each = [hourly(" ".join(words), station=f"XA{number:02}") for number, words in enumerate(stations)]
    told = pl.concat([alerts((1, 4), station=f"XA{number:02}") for number in range(len(each))])
    whole = count_hours(seen(reports([row for rows in each for row in rows])), told, [SNOW])
    parts = [
        count_hours(seen(reports(rows)), told.filter(pl.col("station") == rows[0]["station"]), [SNOW]) for rows in each
    ]
    forth = parts[0]
    for part in parts[1:]:
        forth = forth.plus(part)
    back = parts[-1]
    for part in parts[-2::-1]:
        back = back.plus(part)
    for added in (forth, back):
        assert added.stations == whole.stations
        assert added.months == whole.months
        assert np.array_equal(added.by_station, whole.by_station)
        assert np.array_equal(added.by_month, whole.by_month)
    assert np.array_equal(whole.by_station.sum(axis=0), whole.by_month.sum(axis=0))


def test_counts_of_other_rules_are_not_added():
    one = counted(". .")
    other = count_hours(seen(reports(hourly(". ."))), alerts(), [Subject("snow", Level.TREAT, Phenomenon.SNOW, False)])
    with pytest.raises(ValueError, match="other rules"):
        one.plus(other)


def test_months_are_those_of_the_hours():
    rows = hourly(". . . .", first=60 * 24 * 20 - 90)
    assert count_hours(seen(reports(rows)), alerts(), [SNOW]).months == ("2026-01", "2026-02")


def test_the_midnight_that_ends_a_month_is_of_that_month():
    """Else a year of reports would be drawn from 13 months, one of them with a single hour."""
    rows = hourly(". . . .", first=60 * 24 * 20 - 240 + 50)
    assert count_hours(seen(reports(rows)), alerts(), [SNOW]).months == ("2026-01",)

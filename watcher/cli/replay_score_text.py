"""Scores in words: what they rest on first, then onsets told ahead, hours, and what forecasts let expect."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from watcher.cli.replay_text import counted, row, wrapped
from watcher.replay.run.caveats import percent_read
from watcher.replay.scores.difference import Pair, differences
from watcher.replay.scores.estimate import Estimate
from watcher.replay.scores.model import ExpectedScore, HourScore, OnsetScore, Scores
from watcher.replay.scores.score import MAIN_LEAD_H, main_subjects
from watcher.units import duration_text

_ONSET_WIDTHS = (42, 8, 17, 14, 9, 7)
_ONSET_HEADS = ("weather that began; alert", "onsets", "told ahead", "lead, median", "with it", "never")
_HOUR_WIDTHS = (42, 6, 9, 8, 17, 17)
_HOUR_HEADS = ("", "hits", "in vain", "misses", "told (POD)", "in vain (FAR)")
_TWO_WIDTHS = (42, 18, 18, 18)
_TWO_HEADS = ("scores, in force > other", "told ahead", "told (POD)", "in vain (FAR)")
_SAME = "same"
_EXPECTED_WIDTHS = (25, 9, 29, 8, 17, 11)
_EXPECTED_HEADS = ("expected", "level", "by the TAF", "alerts", "came", "taken back")


def text_of(scores: Scores, *, forecasts: bool = True) -> Iterator[str]:
    """Yield the lines of scores for people; `forecasts`: whether what they let expect was followed."""
    yield from _rests_on(scores)
    yield ""
    yield row(_ONSET_HEADS, _ONSET_WIDTHS)
    main = main_subjects(onset.subject for onset in scores.onsets)
    for onset in scores.onsets:
        if onset.subject in main:
            yield row(_onset_cells(onset), _ONSET_WIDTHS)
    yield ""
    yield row((f"by the hour: does it begin within {MAIN_LEAD_H} h?", *_HOUR_HEADS[1:]), _HOUR_WIDTHS)
    for hour in _main_hours(scores):
        if hour.subject in main:
            yield row(_hour_cells(hour), _HOUR_WIDTHS)
    yield ""
    if forecasts:
        yield from _expected(scores)
    if scores.unproved:
        named = ", ".join(f"{flag} ({count})" for flag, count in scores.unproved.items())
        yield from wrapped(f"Not scored, since no report can prove it: {named}.")
    yield from wrapped("Higher levels and other hours ahead: --json, --html.")
    yield ""


def difference_of(now: Scores, other: Scores) -> Iterator[str]:
    """Yield the lines that hold the scores of two rulebooks against each other, without their intervals."""
    found = differences(now, other)
    if not found:
        yield "The scores do not differ, at no level of any flag."
    else:
        yield row(_TWO_HEADS, _TWO_WIDTHS)
        for item in found:
            yield row((item.subject.words, *map(_pair, (item.ahead, item.pod, item.far))), _TWO_WIDTHS)
    yield ""


def _pair(pair: Pair) -> str:
    return _SAME if pair.same else f"{_short(pair.now)} > {_short(pair.other)}"


def _short(found: Estimate) -> str:
    return f"{_part(found.value)} %" if found.value is not None else _estimate(found)


def _main_hours(scores: Scores) -> Iterator[HourScore]:
    return (hour for hour in scores.hours if hour.lead_h == MAIN_LEAD_H and hour.not_yet)


def _rests_on(scores: Scores) -> Iterator[str]:
    rests = scores.archive
    taken = f"; {percent_read(rests.taken_share)} of what the archives held was read" if rests.taken_share else ""
    yield from wrapped(
        f"{rests.counted:,} of {counted(rests.reports, 'report')} of {counted(rests.stations, 'station')}{taken}. "
        f"{_seen(scores)}",
        f"{'Scores':<11}",
    )
    yield from wrapped(scores.drawn, " " * 11)


def _seen(scores: Scores) -> str:
    part = scores.archive.seen_share
    if part is None:
        return "Nobody could tell the weather at any time: nothing is scored."
    seen, unseen = sum(scores.onsets_seen.values()), sum(scores.onsets_unseen.values())
    return (
        f"The weather could be told for {100 * part:.0f} % of the time: {unseen:,} beginnings of weather fell outside "
        f"it and count nowhere, {seen:,} inside it."
    )


def _onset_cells(score: OnsetScore) -> tuple[str, ...]:
    lead = duration_text(timedelta(minutes=score.leads.median)) if score.leads is not None else "-"
    return (
        score.subject.words,
        str(score.onsets),
        _estimate(score.ahead),
        lead,
        str(score.with_report),
        str(score.never),
    )


def _hour_cells(score: HourScore) -> tuple[str, ...]:
    counts = score.counts
    found, in_vain = (_estimate(score.scores[name]) for name in ("pod", "far"))
    return score.subject.words, str(counts.hits), str(counts.in_vain), str(counts.misses), found, in_vain


def _expected(scores: Scores) -> Iterator[str]:
    if not scores.expected:
        yield "No forecast let anything expect: there is nothing to say of lead times by TAF."
        return
    yield row(_EXPECTED_HEADS, _EXPECTED_WIDTHS)
    for item in scores.expected:
        yield row(_expected_cells(item), _EXPECTED_WIDTHS)
    if scores.brier is not None:
        found = scores.brier
        yield from wrapped(
            f"Stated probabilities: Brier score {found.score:.3f} over {found.alerts} alerts that a report could have "
            f"refuted (reliability {found.reliability:.3f}, resolution {found.resolution:.3f})"
        )
    yield ""


def _expected_cells(item: ExpectedScore) -> tuple[str, ...]:
    return item.flag, item.level, item.certainty, str(item.alerts), _estimate(item.came), str(item.taken_back)


def _estimate(found: Estimate) -> str:
    """Return a share with its interval; too few cases give their counts alone."""
    if found.value is None:
        return f"{found.counted if found.counted is not None else '-'} of {found.of}"
    ends = found.interval
    between = f" ({_part(ends.low)}-{_part(ends.high)})" if ends is not None else ""
    return f"{_part(found.value)} %{between}"


def _part(value: float) -> str:
    return f"{100 * value:.0f}"

"""Observed episodes over whole columns: openings, levels and ends as the judgement tells them, report by report.

Only what reports say is followed. What a TAF lets expect, and a station that goes blind, is for the rehearsal: where
an expected episode comes true, the judgement goes on with it instead of opening one.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
import polars as pl
from polars.datatypes import DataType

from watcher.alerts.model import Policy
from watcher.replay.columns.hearing import Flags, Ints
from watcher.replay.columns.holds import NONE, Answers, Chances, Holds, chances, holds_of
from watcher.replay.columns.names import enter_column, keep_column
from watcher.replay.columns.stretches import FlagStory, flag_story
from watcher.replay.columns.timeline import Timeline
from watcher.replay.table import UTC_US
from watcher.rulebook.model import Rule
from watcher.rulebook.words import Flag, Kind

_WHEN = ("station", "observed_at", "heard_at")

SPELLS: dict[str, DataType | type[DataType]] = {
    "station": pl.String,
    "flag": pl.Enum([flag.value for flag in Flag]),
    "level": pl.Int8,
    "began_at": UTC_US,
    "opened_at": UTC_US,
    "ended_at": UTC_US,
    "opened_by": UTC_US,
    "ended_by": UTC_US,
    "rules": pl.List(pl.String),
}
CHANGES: dict[str, DataType | type[DataType]] = {
    "station": pl.String,
    "flag": pl.Enum([flag.value for flag in Flag]),
    "at": UTC_US,
    "observed_at": UTC_US,
    "level_before": pl.Int8,
    "level_after": pl.Int8,
}


def spells(frame: pl.LazyFrame, rules: Sequence[Rule], policy: Policy) -> pl.DataFrame:
    """Return the observed episodes that opened, one a row, by station, opening and flag.

    Parameters
    ----------
    frame
        `with_verdicts(with_facts(...), rules)`: whole stations.
    rules
        Those judged on reports count; the verdicts of others are not asked.
    policy
        For `stale_after`.

    Returns
    -------
    DataFrame
        SPELLS: `level` is the highest, 1 to 4. `began_at`: by observation. `opened_at`, `ended_at`: when it was heard;
        `ended_at` null: still open after the last report. `opened_by`, `ended_by`: observation times of those reports.
        `rules`: those that counted in it, in the order of the rules.
    """
    return follow(frame, rules, policy)[0]


def level_changes(frame: pl.LazyFrame, rules: Sequence[Rule], policy: Policy) -> pl.DataFrame:
    """Return every opening, rise, fall and end, CHANGES; parameters as `spells`.

    Level 0 is none: an opening comes from it, an end leads to it.
    """
    return follow(frame, rules, policy)[1]


def follow(frame: pl.LazyFrame, rules: Sequence[Rule], policy: Policy) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return `spells` and `level_changes` of one pass."""
    asked = [rule for rule in rules if Kind.OBSERVED in rule.kinds]
    names = [name for rule in asked for name in (enter_column(rule.name), keep_column(rule.name))]
    heard = frame.filter("heard").select(*_WHEN, *names).collect()
    told, changed = [pl.DataFrame(schema=SPELLS)], [pl.DataFrame(schema=CHANGES)]
    if heard.height:
        longest = max((rule.settle_for for rule in asked), default=timedelta())
        timeline = Timeline.of(heard, longest_wait=longest, stale_after=policy.stale_after)
        # A rule that never begins holds nowhere.
        begun = {rule.name for rule in asked if heard[enter_column(rule.name)].any()}
        for flag in dict.fromkeys(rule.flag for rule in asked):
            ours = [rule for rule in asked if rule.flag is flag and rule.name in begun]
            if not ours:
                continue
            story = flag_story(ours, _holds(ours, heard, timeline), timeline)
            told.append(_spells(flag, story, heard, [rule.name for rule in ours]))
            changed.append(_changes(flag, story, heard))
    return pl.concat(told).sort("station", "opened_at", "flag"), pl.concat(changed).sort("station", "at", "flag")


def _holds(rules: Sequence[Rule], verdicts: pl.DataFrame, timeline: Timeline) -> list[Holds]:
    """Return the holds of the rules of one flag.

    Whether a rule waits for its confirmation depends on what held before it, which may have waited itself. What holds
    depends on earlier rows only, so the answers are right up to one row more with every round, and when a round changes
    nothing they are all right.
    """
    found = [chances(rule, answers, timeline) for rule, answers in zip(rules, _answers(rules, verdicts), strict=True)]
    at_once: list[Flags | None] = [None] * len(rules)
    while True:
        holds = [holds_of(ours, timeline, skips) for ours, skips in zip(found, at_once, strict=True)]
        again = [_rising(place, rules, found[place], holds, timeline) for place in range(len(rules))]
        if all(map(_same, again, at_once)):
            return holds
        at_once = again


def _answers(rules: Sequence[Rule], verdicts: pl.DataFrame) -> list[Answers]:
    asked = []
    for place, rule in enumerate(rules):
        enter, keep = pl.col(enter_column(rule.name)), pl.col(keep_column(rule.name))
        asked += [column.fill_null(value=False).alias(f"{place}|{i}") for i, column in enumerate((enter, keep, ~keep))]
    flags = [column.to_numpy() for column in verdicts.select(asked)]
    return [Answers(*flags[place : place + 3]) for place in range(0, len(flags), 3)]


def _same(new: Flags | None, old: Flags | None) -> bool:
    return new is None or (old is not None and np.array_equal(new, old))


def _rising(
    place: int, rules: Sequence[Rule], ours: Chances, holds: Sequence[Holds], timeline: Timeline
) -> Flags | None:
    """Return where a rule begins that asks more than all that held before it, None where it never waits."""
    rule = rules[place]
    if rule.confirm_reports <= 1 or not len(ours.begins):
        return None
    begins = ours.begins
    held_before = begins > 0
    held_before &= timeline.station[begins - 1] == timeline.station[begins]
    lower, other = np.zeros(len(begins), dtype=np.bool_), np.zeros(len(begins), dtype=np.bool_)
    for beside, theirs in zip(rules, holds, strict=True):
        if beside is not rule:
            (lower if beside.level < rule.level else other)[:] |= theirs.before(begins)
    return held_before & lower & ~other


def _spells(flag: Flag, story: FlagStory, heard: pl.DataFrame, rules: Sequence[str]) -> pl.DataFrame:
    ended = pl.Series(np.where(story.ends == NONE, 0, story.ends))
    still_open = pl.Series(story.ends == NONE)
    first = heard.select(_WHEN)[story.opens]
    last = heard.select(_WHEN)[ended].with_columns(
        pl.when(~still_open).then(pl.col(name)).alias(name) for name in _WHEN
    )
    columns = {
        "station": first["station"],
        "flag": pl.repeat(flag.value, first.height, dtype=pl.String, eager=True),
        "level": pl.Series(story.levels),
        "began_at": heard["observed_at"].gather(pl.Series(story.begins)),
        "opened_at": first["heard_at"],
        "ended_at": last["heard_at"],
        "opened_by": first["observed_at"],
        "ended_by": last["observed_at"],
        "rules": _named(story.counting, rules),
    }
    return pl.DataFrame([column.cast(SPELLS[name]).alias(name) for name, column in columns.items()])


def _named(counting: Ints, rules: Sequence[str]) -> pl.Series:
    """Return the names of the rules of each spell; every spell has one."""
    names = pl.Series(rules, dtype=pl.String).gather(pl.Series(counting[:, 1]))
    pairs = pl.DataFrame({"spell": counting[:, 0], "rule": names})
    return pairs.group_by("spell", maintain_order=True).agg("rule")["rule"]


def _changes(flag: Flag, story: FlagStory, heard: pl.DataFrame) -> pl.DataFrame:
    rows = heard.select(_WHEN)[story.changes]
    columns = {
        "station": rows["station"],
        "flag": pl.repeat(flag.value, rows.height, dtype=pl.String, eager=True),
        "at": rows["heard_at"],
        "observed_at": rows["observed_at"],
        "level_before": pl.Series(story.level_before),
        "level_after": pl.Series(story.level_after),
    }
    return pl.DataFrame([column.cast(CHANGES[name]).alias(name) for name, column in columns.items()])

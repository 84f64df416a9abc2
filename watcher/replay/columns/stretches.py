"""From the holds of a flag's rules to its level along all stations: where it opens, rises, falls and ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from watcher.replay.columns.hearing import Flags, Ints
from watcher.replay.columns.holds import NONE, Holds
from watcher.replay.columns.timeline import Timeline
from watcher.rulebook.model import Rule
from watcher.rulebook.words import Level


@dataclass(frozen=True, slots=True)
class FlagStory:
    """The spells of one flag and the changes of its level, as rows.

    `opens`, `ends` (NONE: still open), `begins` (where the first of its holds began) and `levels` (the highest) of each
    spell; `counting`: (spell, rule) by place, what counted in it, sorted; `changes` with the level before and after.
    """

    opens: Ints
    ends: Ints
    begins: Ints
    levels: Ints
    counting: Ints
    changes: Ints
    level_before: Ints
    level_after: Ints


def flag_story(rules: Sequence[Rule], holds: Sequence[Holds], timeline: Timeline) -> FlagStory:
    """Return what becomes of a flag by the holds of its rules, each in its place.

    The level is the highest of the rules that count; a spell lasts as long as any counts.
    """
    counted = [_counted(ours, timeline) for ours in holds]
    steps: list[Ints] = []
    moves: list[Ints] = []
    for level in Level:
        spans = [span for rule, span in zip(rules, counted, strict=True) if rule.level >= level]
        starts, stops = _joined(spans)
        steps += [starts, stops]
        moves += [np.ones(len(starts), dtype=np.int64), np.full(len(stops), -1)]
    places, where = np.unique(np.concatenate(steps), return_inverse=True)
    moved = np.bincount(where, weights=np.concatenate(moves), minlength=len(places)).astype(np.int64)
    places, moved = places[moved != 0], moved[moved != 0]
    after = np.cumsum(moved)
    before = after - moved
    opens, ends = np.flatnonzero(before == 0), np.flatnonzero(after == 0)
    rows, is_stop = _rows(places, timeline)
    opened = rows[opens]
    return FlagStory(
        opens=opened,
        ends=np.where(is_stop[ends], NONE, rows[ends]),
        begins=_begins(opened, holds),
        levels=np.maximum.reduceat(after, opens) if len(opens) else after,
        counting=_counting(places[opens], counted),
        changes=rows[~is_stop],
        level_before=before[~is_stop],
        level_after=after[~is_stop],
    )


def _counted(holds: Holds, timeline: Timeline) -> tuple[Ints, Ints]:
    """Return where the confirmed holds of a rule begin and end, with a place of its own after each station's last row.

    So no spell reaches from one station into the next.
    """
    sure = holds.counts_from != NONE
    starts, last = holds.counts_from[sure], holds.ends[sure] - 1
    return starts + timeline.station[starts], last + timeline.station[last] + 1


def _rows(places: Ints, timeline: Timeline) -> tuple[Ints, Flags]:
    """Return the rows of places, and which are a place after a station's last row instead."""
    stops = timeline.stops + np.arange(len(timeline.stops))
    number = np.searchsorted(stops, places)
    is_stop = stops[np.minimum(number, len(stops) - 1)] == places
    return places - number, is_stop


def _joined(spans: Sequence[tuple[Ints, Ints]]) -> tuple[Ints, Ints]:
    """Return spans joined where they touch or overlap."""
    if not spans:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    starts, stops = (np.concatenate(ends) for ends in zip(*spans, strict=True))
    order = np.argsort(starts, kind="stable")
    starts, reach = starts[order], np.maximum.accumulate(stops[order])
    opens = np.ones(len(starts), dtype=np.bool_)
    opens[1:] = starts[1:] > reach[:-1]
    closes = np.append(opens[1:], True)[: len(starts)]
    return starts[opens], reach[closes]


def _begins(opened: Ints, holds: Sequence[Holds]) -> Ints:
    """Return for each opening the first row of all that held then, confirmed or not."""
    begins = opened.copy()
    for ours in holds:
        first, after = np.searchsorted(opened, ours.begins), np.searchsorted(opened, ours.ends)
        count = after - first
        hold = np.repeat(np.arange(len(count)), count)
        spell = first[hold] + np.arange(len(hold)) - np.repeat(np.cumsum(count) - count, count)
        np.minimum.at(begins, spell, ours.begins[hold])
    return begins


def _counting(opens: Ints, counted: Sequence[tuple[Ints, Ints]]) -> Ints:
    """Return which rules counted in each spell: pairs of places."""
    pairs = [
        (np.searchsorted(opens, starts, side="right") - 1) * len(counted) + place
        for place, (starts, _) in enumerate(counted)
    ]
    return np.stack(np.divmod(np.unique(np.concatenate(pairs)), len(counted)), axis=1)

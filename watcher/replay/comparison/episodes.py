"""Two rulebooks held against each other, episode by episode.

Episodes are matched by station, flag and time: those of either rulebook that overlap or meet are one stretch, so that
an episode that the other rules split in two, or join with its neighbour, is one difference and not three.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from heapq import heappush, heappushpop
from itertools import count

from watcher.replay.comparison.model import Change, Comparison, Difference, Row, RuleChanges, Side, Stretch
from watcher.replay.rehearsal.model import PlayedEpisode, StationRun
from watcher.rulebook.model import Rulebook
from watcher.rulebook.words import Flag, Kind, Level

# So many differences are listed; all are counted.
MOST_LISTED = 5000


def compare(
    now_runs: Iterable[StationRun],
    other_runs: Iterable[StationRun],
    *,
    now: Side,
    other: Side,
    rules: RuleChanges,
    most: int = MOST_LISTED,
) -> Comparison:
    """Return how two rehearsals of one archive differ.

    Parameters
    ----------
    now_runs, other_runs
        Of the same stations in the same order, as `Rehearsal.runs` yields them; read once, a station at a time.
    now, other
        The two rulebooks with what they would have sent.
    rules
        Which rules differ, as `rule_changes` says.
    most
        How many differences are listed; the worst are.

    Raises
    ------
    ValueError
        When the rehearsals are not of the same stations.
    """
    all_rows, flags, stations = _Counts(), defaultdict[Flag, _Counts](_Counts), defaultdict[str, _Counts](_Counts)
    listed = _Worst(most)
    for one, two in zip(now_runs, other_runs, strict=True):
        if one.station != two.station:
            raise ValueError(f"{one.station} is compared with {two.station}: these are not runs of one archive")
        for flag, ours, theirs in _stretches(one, two):
            change = _change(ours, theirs)
            for counts in (all_rows, flags[flag], stations[one.station]):
                counts.take(ours, theirs, change)
            if change is not None:
                listed.take(Difference(one.station, flag, change, ours, theirs))
    return Comparison(
        now=now,
        other=other,
        rules=rules,
        totals=all_rows.row(),
        by_flag={flag: flags[flag].row() for flag in Flag if flag in flags},
        by_station={code: stations[code].row() for code in sorted(stations)},
        differences=listed.by_time(),
        left_out=listed.left_out,
    )


def together(comparisons: Iterable[Comparison], *, most: int = MOST_LISTED) -> Comparison:
    """Return the comparisons of several parts of an archive as one. Raises ValueError where there is none."""
    every = list(comparisons)
    if not every:
        raise ValueError("there is nothing to put together")
    flags, listed = defaultdict[Flag, list[Row]](list), _Worst(most)
    for part in every:
        for flag, row in part.by_flag.items():
            flags[flag].append(row)
        for difference in part.differences:
            listed.take(difference)
    return replace(
        every[0],
        totals=_added(part.totals for part in every),
        by_flag={flag: _added(flags[flag]) for flag in Flag if flag in flags},
        by_station=dict(sorted(item for part in every for item in part.by_station.items())),
        differences=listed.by_time(),
        left_out=listed.left_out + sum(part.left_out for part in every),
    )


def _added(rows: Iterable[Row]) -> Row:
    every = list(rows)
    return Row(
        now=sum(row.now for row in every),
        other=sum(row.other for row in every),
        same=sum(row.same for row in every),
        changes={change: sum(row.changes[change] for row in every) for change in Change},
    )


def rule_changes(now: Rulebook, other: Rulebook) -> RuleChanges:
    """Return which rules differ between two rulebooks; the file that a rule stands in does not count."""
    ours = {rule.name: replace(rule, file="") for rule in now.rules}
    theirs = {rule.name: replace(rule, file="") for rule in other.rules}
    return RuleChanges(
        added=tuple(name for name in theirs if name not in ours),
        removed=tuple(name for name in ours if name not in theirs),
        edited=tuple(name for name in ours if name in theirs and ours[name] != theirs[name]),
    )


def _stretches(one: StationRun, two: StationRun) -> Iterator[tuple[Flag, Stretch | None, Stretch | None]]:
    by_flag: dict[Flag, list[tuple[PlayedEpisode, bool]]] = defaultdict(list)
    for run, is_other in ((one, False), (two, True)):
        for episode in run.episodes:
            by_flag[episode.flag].append((episode, is_other))
    for flag in sorted(by_flag):
        for together in _overlapping(by_flag[flag], one.ends_at):
            ours = [episode for episode, is_other in together if not is_other]
            theirs = [episode for episode, is_other in together if is_other]
            yield flag, _stretch(ours), _stretch(theirs)


def _overlapping(
    episodes: Sequence[tuple[PlayedEpisode, bool]], ends_at: datetime
) -> Iterator[list[tuple[PlayedEpisode, bool]]]:
    """Yield the episodes in groups whose times overlap or meet."""
    together: list[tuple[PlayedEpisode, bool]] = []
    reached = None
    for item in sorted(episodes, key=lambda item: (item[0].opened_at, item[1], item[0].id)):
        episode, _ = item
        if reached is not None and episode.opened_at > reached:
            yield together
            together, reached = [], None
        together.append(item)
        end = episode.ended_at or max(ends_at, episode.opened_at)
        reached = end if reached is None else max(reached, end)
    if together:
        yield together


def _stretch(episodes: Sequence[PlayedEpisode]) -> Stretch | None:
    if not episodes:
        return None
    level = max(episode.level for episode in episodes)
    ends = [episode.ended_at for episode in episodes]
    kinds = {episode.kind for episode in episodes}
    if any(episode.confirmed_at is not None for episode in episodes):
        kinds.add(Kind.OBSERVED)
    return Stretch(
        level=level,
        kinds=frozenset(kinds),
        opened_at=min(episode.opened_at for episode in episodes),
        reached_at=min(step.at for episode in episodes for step in episode.steps if step.level is level),
        ended_at=None if None in ends else max(end for end in ends if end is not None),
        episodes=tuple(episode.id for episode in episodes),
        rules=tuple(sorted({rule for episode in episodes for rule in episode.rules})),
    )


def _change(now: Stretch | None, other: Stretch | None) -> Change | None:
    """Return how a stretch differs, None where it does not: its level first, then when it is told and how."""
    if now is None:
        return Change.NEW
    if other is None:
        return Change.GONE
    if now.level is not other.level:
        return Change.RAISED if other.level > now.level else Change.LOWERED
    return Change.SHIFTED if _told_of(now) != _told_of(other) else None


def _told_of(stretch: Stretch) -> tuple[object, ...]:
    return stretch.opened_at, stretch.reached_at, stretch.ended_at, stretch.kinds, len(stretch.episodes)


@dataclass(slots=True)
class _Counts:
    """Stretches while they are counted."""

    now: int = 0
    other: int = 0
    same: int = 0
    changes: Counter[Change] = field(default_factory=Counter)

    def take(self, now: Stretch | None, other: Stretch | None, change: Change | None) -> None:
        self.now += now is not None
        self.other += other is not None
        if change is None:
            self.same += 1
        else:
            self.changes[change] += 1

    def row(self) -> Row:
        return Row(self.now, self.other, self.same, {change: self.changes[change] for change in Change})


class _Worst:
    """The worst differences, as many as are listed."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._heap: list[tuple[bool, Level, int, Difference]] = []
        self._number = count()
        self.left_out = 0

    def take(self, difference: Difference) -> None:
        weighs = difference.change is not Change.SHIFTED, difference.level, -next(self._number), difference
        if len(self._heap) < self._most:
            heappush(self._heap, weighs)
        else:
            self.left_out += 1
            if self._most:
                heappushpop(self._heap, weighs)

    def by_time(self) -> tuple[Difference, ...]:
        found = (item[-1] for item in self._heap)
        return tuple(sorted(found, key=lambda item: (item.at, item.station, item.flag)))

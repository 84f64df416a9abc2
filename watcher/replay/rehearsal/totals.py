"""A rehearsal in figures: by flag and level, and by station."""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import zip_longest
from statistics import median

from watcher.replay.rehearsal.model import PlayedEpisode, StationRun
from watcher.rulebook.words import Flag, Kind, Level


@dataclass(frozen=True, slots=True)
class FlagRow:
    """The episodes of one flag that reached one level at worst.

    `observed`: opened by reports. `expected`: opened ahead; of those `came_true` were reported later, `not_seen` ended
    without, and the others are open still. `open_for`: all of them together. `median_lead`: of those that came true by
    themselves, None without any.
    """

    flag: Flag
    level: Level
    observed: int
    expected: int
    came_true: int
    not_seen: int
    open_for: timedelta
    median_lead: timedelta | None

    @property
    def episodes(self) -> int:
        """All of them."""
        return self.observed + self.expected

    def plus(self, other: FlagRow) -> FlagRow:
        """Return both together; the median lead of two is not known."""
        return FlagRow(
            self.flag,
            self.level,
            self.observed + other.observed,
            self.expected + other.expected,
            self.came_true + other.came_true,
            self.not_seen + other.not_seen,
            self.open_for + other.open_for,
            None,
        )


@dataclass(frozen=True, slots=True)
class StationRow:
    """One station in figures.

    `by_level`: its episodes by the worst level; `in_need`: open at treat or worse. `blind`: None where it is not told.
    """

    station: str
    begins_at: datetime
    reports: int
    forecasts: int
    late: int
    by_level: Mapping[Level, int]
    in_need: timedelta
    watched: timedelta
    blind: timedelta | None
    blind_spells: int | None

    @property
    def ends_at(self) -> datetime:
        """To when it was watched: not before it was heard last."""
        return self.begins_at + self.watched

    @property
    def episodes(self) -> int:
        """All of them."""
        return sum(self.by_level.values())


@dataclass(frozen=True, slots=True)
class Totals:
    """A rehearsal in figures.

    `unconfirmed`: episodes that formed and never opened, None where that is not told. `late`: stale when heard.
    """

    flags: tuple[FlagRow, ...]
    stations: tuple[StationRow, ...]
    reports: int
    forecasts: int
    late: int
    unconfirmed: int | None

    @property
    def begins_at(self) -> datetime | None:
        """When the first station was heard first, None without any."""
        return min((row.begins_at for row in self.stations), default=None)

    @property
    def ends_at(self) -> datetime | None:
        """To when the last station was watched, None without any."""
        return max((row.ends_at for row in self.stations), default=None)

    @property
    def episodes(self) -> int:
        """All episodes that opened."""
        return sum(row.episodes for row in self.flags)

    @property
    def watched(self) -> timedelta:
        """The time of all stations together."""
        return sum((row.watched for row in self.stations), timedelta())

    @property
    def blind(self) -> timedelta | None:
        """How long of that they were blind, None where that is not told."""
        spans = [row.blind for row in self.stations if row.blind is not None]
        return sum(spans, timedelta()) if len(spans) == len(self.stations) else None


def totals_of(runs: Iterable[StationRun]) -> Totals:
    """Return the figures of a rehearsal."""
    tallies: dict[tuple[Flag, Level], _Tally] = {}
    stations = []
    unconfirmed: list[int | None] = []
    for run in runs:
        unconfirmed.append(run.unconfirmed)
        for episode in run.episodes:
            tallies.setdefault((episode.flag, episode.level), _Tally()).take(episode, run)
        stations.append(_station_row(run))
    flags = [tallies[key].row(*key) for key in sorted(tallies, key=_by_flag)]
    return Totals(
        flags=tuple(flags),
        stations=tuple(sorted(stations, key=lambda row: row.station)),
        reports=sum(row.reports for row in stations),
        forecasts=sum(row.forecasts for row in stations),
        late=sum(row.late for row in stations),
        unconfirmed=_sum(unconfirmed),
    )


def together(totals: Iterable[Totals]) -> Totals:
    """Return the figures of several parts of an archive as one; leads, which do not add up, are left out."""
    every = list(totals)
    flags: dict[tuple[Flag, Level], FlagRow] = {}
    for row in (row for part in every for row in part.flags):
        known = flags.get((row.flag, row.level))
        flags[row.flag, row.level] = row if known is None else known.plus(row)
    return Totals(
        flags=tuple(flags[key] for key in sorted(flags, key=_by_flag)),
        stations=tuple(sorted((row for part in every for row in part.stations), key=lambda row: row.station)),
        reports=sum(part.reports for part in every),
        forecasts=sum(part.forecasts for part in every),
        late=sum(part.late for part in every),
        unconfirmed=_sum(part.unconfirmed for part in every),
    )


def _sum(counts: Iterable[int | None]) -> int | None:
    known = list(counts)
    told = [count for count in known if count is not None]
    return sum(told) if len(told) == len(known) else None


def _by_flag(key: tuple[Flag, Level]) -> tuple[int, int]:
    flag, level = key
    return list(Flag).index(flag), -level


def _station_row(run: StationRun) -> StationRow:
    levels = Counter(episode.level for episode in run.episodes)
    return StationRow(
        station=run.station,
        begins_at=run.begins_at,
        reports=run.reports,
        forecasts=run.forecasts,
        late=run.late,
        by_level={level: levels[level] for level in sorted(Level, reverse=True)},
        in_need=_in_need(run),
        watched=run.watched,
        blind=run.blind,
        blind_spells=run.blind_spells,
    )


def _in_need(run: StationRun) -> timedelta:
    """Return how long anything stood at treat or worse, what overlaps counted once; expected ones left out."""
    spans = sorted(span for episode in run.episodes for span in _spans_in_need(episode, run))
    total, reached = timedelta(), run.begins_at
    for begin, end in spans:
        total += max(end - max(begin, reached), timedelta())
        reached = max(reached, end)
    return total


def _spans_in_need(episode: PlayedEpisode, run: StationRun) -> Iterator[tuple[datetime, datetime]]:
    """Yield from when to when an episode stood observed at treat or worse."""
    seen_from = episode.opened_at if episode.kind is Kind.OBSERVED else episode.confirmed_at
    ends_at = episode.ended_at or run.ends_at
    if seen_from is None:
        return
    for step, following in zip_longest(episode.steps, episode.steps[1:]):
        end = following.at if following is not None else ends_at
        if step.level >= Level.TREAT and end > seen_from:
            yield max(step.at, seen_from), end


@dataclass(slots=True)
class _Tally:
    """Episodes of one flag and worst level while they are counted."""

    observed: int = 0
    expected: int = 0
    came_true: int = 0
    not_seen: int = 0
    open_for: timedelta = field(default_factory=timedelta)
    leads_s: array[float] = field(default_factory=lambda: array("f"))

    def take(self, episode: PlayedEpisode, run: StationRun) -> None:
        self.open_for += (episode.ended_at or run.ends_at) - episode.opened_at
        if episode.kind is Kind.OBSERVED:
            self.observed += 1
            return
        self.expected += 1
        self.came_true += episode.came_true
        self.not_seen += episode.ended_at is not None and not episode.came_true
        if episode.lead is not None:
            self.leads_s.append(episode.lead.total_seconds())

    def row(self, flag: Flag, level: Level) -> FlagRow:
        lead = timedelta(seconds=round(median(self.leads_s))) if self.leads_s else None
        return FlagRow(flag, level, self.observed, self.expected, self.came_true, self.not_seen, self.open_for, lead)

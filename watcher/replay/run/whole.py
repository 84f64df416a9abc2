"""A whole replay: archives gathered, rehearsed by one rulebook or two, what would have been sent, what differs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Protocol

from watcher.alerts.model import Policy
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.errors import Problem, UsageError
from watcher.replay.archives.dates import Dated
from watcher.replay.archives.sources import called
from watcher.replay.comparison.episodes import compare, rule_changes
from watcher.replay.comparison.model import Comparison, Side
from watcher.replay.gathering.gather import gather
from watcher.replay.gathering.model import Gathered, Progress
from watcher.replay.messages import MessageLoad, message_loads
from watcher.replay.rehearsal.model import Span
from watcher.replay.rehearsal.pool import Rehearsal, rehearse
from watcher.replay.rehearsal.totals import Totals, totals_of
from watcher.replay.run.rules import NamedRules
from watcher.stations import StationTable

# Where rehearsals lie in the work folder.
_REHEARSALS = "rehearsals"
_FIRST_FAULTS = 5


@dataclass(frozen=True, slots=True)
class Asked:
    """What is replayed, and how.

    `only`: the stations that count, None: all. `begin`, `until`: which time counts, None: all. `dated`: how lines
    without a month get one. `fresh`: make again what the work folder has. `credit`: whose data these are, under which
    licence, as the user says; None: not said. `own_listeners`: whether the subscriptions are somebody's own.
    """

    paths: tuple[Path, ...]
    work: Path
    rules: NamedRules
    stations: StationTable
    subscriptions: tuple[Subscription, ...]
    recipients: tuple[Recipient, ...]
    policy: Policy
    against: NamedRules | None = None
    only: frozenset[str] | None = None
    begin: datetime | None = None
    until: datetime | None = None
    dated: Dated | None = None
    processes: int = 1
    fresh: bool = False
    credit: str | None = None
    own_listeners: bool = True


class Watching(Protocol):
    """Whoever wants to know how far a run has come."""

    def gathering(self, progress: Progress) -> None:
        """Archives are read."""

    def rehearsing(self, name: str, done: int, of: int) -> None:
        """Stations are rehearsed by the rules of this name."""

    def telling(self, name: str) -> None:
        """What would have been sent is counted."""

    def judging(self, done: int, of: int) -> None:
        """Partitions are judged by columns."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """All that a run found.

    `rehearsed`: None where the columns were judged. `loads`: one for each destination. `other`: the rehearsal by the
    other rules.
    """

    asked: Asked
    gathered: Gathered
    span: Span
    rehearsed: Rehearsal | None
    totals: Totals
    loads: tuple[MessageLoad, ...]
    comparison: Comparison | None = None
    other: Rehearsal | None = None

    @property
    def by_columns(self) -> bool:
        """Whether only what reports say was followed, by whole columns: no forecasts, no blindness, no messages."""
        return self.rehearsed is None

    @property
    def rehearsal(self) -> Rehearsal:
        """The rehearsal. Raises ValueError where the columns were judged."""
        if self.rehearsed is None:
            raise ValueError("nothing was rehearsed, the columns were judged")
        return self.rehearsed

    def by_the_other_rules(self) -> Replayed | None:
        """Return the same run with the other rules in the place of those in force, not compared; None without."""
        if self.comparison is None or self.other is None or self.asked.against is None:
            return None
        asked = replace(self.asked, rules=self.asked.against, against=None)
        loads, totals = self.comparison.other.loads, totals_of(self.other.runs())
        return Replayed(asked, self.gathered, self.span, self.other, totals, loads)

    @property
    def begins_at(self) -> datetime:
        """When the first report that counts was heard."""
        return self.totals.begins_at or self.span.watched_until

    @property
    def ends_at(self) -> datetime:
        """To when it was followed: the last report's own time, or later, when the last one was heard."""
        return _end_of(self.span, self.totals)


def run(asked: Asked, watching: Watching) -> Replayed:
    """Replay archives.

    Raises
    ------
    UsageError
        When nothing in the archives counts.
    HoarlineError
        When the work folder does not take what is made.
    """
    gathered = gather(
        asked.paths,
        asked.work,
        dated=asked.dated,
        processes=asked.processes,
        fresh=asked.fresh,
        progress=watching.gathering,
    )
    span = span_of(asked, gathered)
    rehearsal = _rehearse(asked, asked.rules, gathered, span, watching)
    totals = totals_of(rehearsal.runs())
    if not totals.stations:
        raise UsageError(nothing_in(asked, gathered))
    loads = _loads(asked, asked.rules, rehearsal, span, totals, watching)
    found = Replayed(asked, gathered, span, rehearsal, totals, loads)
    return found if asked.against is None else _with_comparison(found, asked.against, watching)


def span_of(asked: Asked, gathered: Gathered) -> Span:
    """Return which time counts. Raises UsageError where the archives have no report."""
    if gathered.ends_at is None:
        raise UsageError(nothing_in(asked, gathered))
    end = gathered.ends_at if asked.until is None else min(gathered.ends_at, asked.until)
    return Span(end, asked.begin, asked.until)


def nothing_in(asked: Asked, gathered: Gathered) -> Iterator[Problem]:
    """Yield what is wrong where no report counts: that, and the first things that could not be read."""
    names = ", ".join(called(path) for path in asked.paths)
    narrowed = any((asked.only, asked.begin, asked.until)) and gathered.begins_at is not None
    yield Problem(
        names, "no report that counts was found", "look at --stations, --from and --until" if narrowed else ""
    )
    for fault in gathered.faults[:_FIRST_FAULTS]:
        yield Problem(fault.place, fault.what, "give --month" if fault.kind == "undated" else "")


def _rehearse(asked: Asked, rules: NamedRules, gathered: Gathered, span: Span, watching: Watching) -> Rehearsal:
    return rehearse(
        gathered.partitions,
        asked.work / _REHEARSALS,
        station_of=asked.stations.get,
        rulebook=rules.book,
        policy=asked.policy,
        span=span,
        only=asked.only,
        processes=asked.processes,
        fresh=asked.fresh,
        progress=lambda done, of: watching.rehearsing(rules.name, done, of),
    )


def _end_of(span: Span, totals: Totals) -> datetime:
    return max(span.watched_until, totals.ends_at or span.watched_until)


def _loads(  # noqa: PLR0917 - private
    asked: Asked, rules: NamedRules, rehearsal: Rehearsal, span: Span, totals: Totals, watching: Watching
) -> tuple[MessageLoad, ...]:
    watching.telling(rules.name)
    return message_loads(
        rehearsal.events(),
        asked.subscriptions,
        asked.recipients,
        station_of=asked.stations.get,
        begin=totals.begins_at or span.watched_until,
        until=_end_of(span, totals),
        policy=asked.policy,
    )


def _with_comparison(found: Replayed, against: NamedRules, watching: Watching) -> Replayed:
    asked, rules = found.asked, found.asked.rules
    other = _rehearse(asked, against, found.gathered, found.span, watching)
    loads = _loads(asked, against, other, found.span, found.totals, watching)
    comparison = compare(
        found.rehearsal.runs(),
        other.runs(),
        now=Side(rules.name, len(rules.book.rules), rules.book.fingerprint, found.loads),
        other=Side(against.name, len(against.book.rules), against.book.fingerprint, loads),
        rules=rule_changes(rules.book, against.book),
    )
    return replace(found, comparison=comparison, other=other)

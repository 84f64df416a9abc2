"""How the service does, put together once for the board's page and for the command: what is wrong, worst first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.alerts.model import StationView
from watcher.reports.model import Report
from watcher.service.directory import Directory
from watcher.service.health import Readiness
from watcher.service.status_words import (
    Blind,
    Feed,
    Finding,
    Set,
    Text,
    ago,
    blind_of,
    feeds_of,
    late,
    looks,
    sets_of,
    texts_of,
    wrong,
)
from watcher.store.model import Backlog
from watcher.treatment.tables import TableSet
from watcher.units import parse_iso_z

# So far back what was lost is news.
LATELY = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Status:
    """What people are told of the service.

    `wrong`: what keeps it from doing its job. `look`: what is worth a look while it does. Both the gravest first.
    `last_turn`: when the last turn was committed and how long ago, None where that is not known. `role`: leads, or
    stands by; None where the service did not say.
    """

    wrong: list[Finding]
    look: list[Finding]
    feeds: list[Feed]
    blind: list[Blind]
    sets: list[Set]
    texts: list[Text]
    last_turn: str | None
    role: str | None


def status_of(
    ready: Readiness,
    *,
    views: Mapping[str, StationView],
    counts: Mapping[str, int],
    backlog: Backlog,
    directory: Directory,
    unreadable: Iterable[Report],
    tables: Sequence[TableSet],
    now: datetime,
) -> Status:
    """Return how the service does.

    Parameters
    ----------
    ready
        What it says of itself.
    views
        The stations, or those of them that are blind.
    counts
        Messages by their state.
    backlog
        What of them does not go as it should.
    directory
        The destinations.
    unreadable
        The newest texts that could not be read.
    tables
        The sets of holdover tables.
    now
        Aware UTC.
    """
    feeds, blind, texts = feeds_of(ready.values, now), blind_of(views), texts_of(unreadable)
    sets = sets_of(tables, now.date())
    last_turn, role = ready.values.get("last_turn_at"), ready.values.get("role")
    return Status(
        wrong=wrong(ready.problems),
        look=[
            *late(backlog, now),
            *looks(feeds=feeds, blind=blind, counts=counts, directory=directory, sets=sets, texts=texts, now=now),
        ],
        feeds=feeds,
        blind=blind,
        sets=sets,
        texts=texts,
        last_turn=ago(parse_iso_z(last_turn), now) if isinstance(last_turn, str) else None,
        role=role if isinstance(role, str) else None,
    )

"""What the judgement made: the change of one station, and all that one turn of the cycle commits."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from watcher.alerts.model import Episode, Event, StationView
from watcher.alerts.outbox import NewDelivery
from watcher.reports.model import Report
from watcher.treatment.protection import Protection


@dataclass(frozen=True, slots=True)
class StationChange:
    """What one judgement of one station made.

    `expects_version`: the version that must still be in the store. `reports`: those to keep. `superseded`: (old, new)
    text hashes where a correction replaced a report of the same time. `after`: the view once this is committed.
    `quiet`: only what can be computed again changed; there is nothing to commit.
    """

    station: str
    expects_version: int
    after: StationView
    reports: tuple[Report, ...] = ()
    superseded: tuple[tuple[str, str], ...] = ()
    episodes: tuple[Episode, ...] = ()
    events: tuple[Event, ...] = ()
    quiet: bool = False


@dataclass(frozen=True, slots=True)
class Changes:
    """What one turn of the cycle made, to be committed in one transaction.

    `unreadable`: texts that could not be read, kept so that people see them. `digests`: events that belong to no
    station. `acknowledged`: number of the last acknowledgement that was taken notice of, None when none was
    new. `protections`: as they now stand, each with the version that it was read at; `protection_events`: what must be
    told of them. `service_events`: what caretakers are told of the service itself.
    """

    at: datetime
    stations: tuple[StationChange, ...] = ()
    deliveries: tuple[NewDelivery, ...] = ()
    digests: tuple[Event, ...] = ()
    acknowledged: int | None = None
    unreadable: tuple[Report, ...] = ()
    protections: tuple[Protection, ...] = ()
    protection_events: tuple[Event, ...] = ()
    service_events: tuple[Event, ...] = ()

    @property
    def worth_committing(self) -> bool:
        """Whether there is anything to write down."""
        made = (self.stations, self.deliveries, self.digests, self.unreadable, self.protections, self.service_events)
        return any(made) or self.acknowledged is not None

"""What a destination is told about: an open episode or a blind station as it stands, and what has just ended."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from watcher.alerts.changes import StationChange
from watcher.alerts.model import ENDINGS, Episode, EventType, StationView
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Kind, Level, NoTime


@dataclass(frozen=True, slots=True)
class Subject:
    """An open episode or a blind station as it stands now, or an ending.

    `seq`: number of its latest event. `opens_as`: how it is told to whoever has not heard of it; of an ending: how that
    is told. `taken_seq`: number of the event that told who has it in hand, 0 while nobody has. `begins_at`: from when
    it is expected, as its latest event told; None: it is not, or that is not known.
    """

    id: str
    station: Station
    seq: int
    opens_as: EventType
    flag: Flag | None = None
    level: Level | None = None
    kind: Kind | None = None
    taken_seq: int = 0
    no_time: NoTime | None = None
    begins_at: datetime | None = None

    @property
    def untaken(self) -> bool:
        """Whether it is an episode that nobody has in hand at its present level."""
        return self.flag is not None and self.taken_seq == 0


def open_subjects(view: StationView) -> Iterator[Subject]:
    """Yield the open episodes of a station, and its blindness."""
    for episode in view.episodes:
        if episode.opened_at is not None:
            yield _of_episode(episode, view.station)
    state = view.state
    if state.blind_since is not None:
        yield Subject(state.station, view.station, state.seq, EventType.BLIND)


def ended_subjects(change: StationChange) -> Iterator[Subject]:
    """Yield what ended in a change."""
    for event in change.events:
        if event.type in ENDINGS:
            body = event.body
            station = change.after.station
            yield Subject(event.subject_id, station, event.seq, event.type, body.flag, body.level, body.kind)


def _of_episode(episode: Episode, station: Station) -> Subject:
    taken = episode.in_hand
    return Subject(
        id=episode.id,
        station=station,
        seq=episode.seq,
        opens_as=EventType.OPENED,
        flag=episode.flag,
        level=episode.level,
        kind=episode.kind,
        taken_seq=taken.seq if taken is not None else 0,
        no_time=episode.no_time,
        begins_at=episode.told_from,
    )

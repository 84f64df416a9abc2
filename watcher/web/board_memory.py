"""What the board knows beside the views: the last event of each open alert, what ended lately, what changed last.

It is read once from the store and followed from there by the numbers of the events, as everything is that leaves the
judgement.
"""

from __future__ import annotations

from collections import deque
from datetime import datetime

from watcher.alerts.model import ENDINGS, Episode, Event, EventType, SubjectKind
from watcher.pictures.band_model import BEHIND, MARGIN
from watcher.store.store import Store

# As far back as a timeband shows, and its margin.
KEPT = BEHIND + 2 * MARGIN
CHANGES = 10
_AT_ONCE = 500
_TOLD_OF = frozenset({SubjectKind.EPISODE, SubjectKind.STATION})


class BoardMemory:
    """Follows the events of a store. Not for several threads at once.

    Parameters
    ----------
    store
        Its methods block.

    Attributes
    ----------
    changes
        The newest events of stations and alerts, the newest first.
    version
        By station, how often something was told of it since this began.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._row: int | None = None
        self._told: dict[str, Event] = {}
        self._sights: dict[str, Event] = {}
        self._ended: dict[str, dict[str, Episode]] = {}
        self.changes: deque[Event] = deque(maxlen=CHANGES)
        self.version: dict[str, int] = {}

    @property
    def row(self) -> int:
        """Number of the newest event that is known."""
        return self._row or 0

    def catch_up(self, now: datetime) -> bool:
        """Read what was told since the last time; return whether there was anything."""
        first = self._row is None
        if first:
            self._begin(now)
        news = [event for some in iter(self._some, ()) for event in some]
        for event in news:
            self._hear(event)
        return first or bool(news)

    def told_of(self, episode: Episode) -> Event | None:
        """Return the last event of an open alert."""
        return self._told.get(episode.id)

    def blindness(self, station: str) -> Event | None:
        """Return what was said when a station went blind."""
        event = self._sights.get(station)
        return event if event is not None and event.type is EventType.BLIND else None

    def ended(self, station: str, now: datetime) -> tuple[Episode, ...]:
        """Return a station's alerts that ended within the time that its timeband shows."""
        found = self._ended.get(station)
        if not found:
            return ()
        late = [name for name, item in found.items() if item.ended_at is not None and item.ended_at < now - KEPT]
        for name in late:
            del found[name]
        return tuple(found.values())

    def _begin(self, now: datetime) -> None:
        numbers = self._store.event_numbers()
        known = self._store.lately(now - KEPT)
        for episode, event in known.alerts:
            self._keep(episode, event)
        for event in known.sights:
            self._sights[event.body.station] = event
        # Digests and treated aircraft stand between them, so that more are read than are shown.
        for _, event in self._store.events_after(max(0, numbers.newest - 4 * CHANGES), 4 * CHANGES):
            self._show(event)
        self._row = numbers.newest

    def _some(self) -> tuple[Event, ...]:
        found = self._store.events_after(self.row, _AT_ONCE)
        if found:
            self._row = found[-1][0]
        return tuple(event for _, event in found)

    def _hear(self, event: Event) -> None:
        self._show(event)
        if event.subject_kind not in _TOLD_OF:
            return
        station = event.body.station
        self.version[station] = self.version.get(station, 0) + 1
        if event.subject_kind is SubjectKind.STATION:
            self._sights[station] = event
        elif event.type in ENDINGS:
            self._told.pop(event.subject_id, None)
            ended = self._store.episode(event.subject_id)
            if ended is not None:
                self._keep(ended, event)
        else:
            self._told[event.subject_id] = event

    def _keep(self, episode: Episode, event: Event) -> None:
        if episode.ended_at is None:
            self._told[episode.id] = event
        else:
            self._ended.setdefault(episode.station, {})[episode.id] = episode

    def _show(self, event: Event) -> None:
        if event.subject_kind in _TOLD_OF:
            self.changes.appendleft(event)

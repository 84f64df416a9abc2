"""The changes of one station while they are being made: a small builder that lives for one call of the judgement."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from watcher.alerts.bodies import Before, Scene, episode_body, station_body
from watcher.alerts.changes import StationChange
from watcher.alerts.episodes import Transition
from watcher.alerts.habits import Habits
from watcher.alerts.model import Episode, Event, EventType, Phase, StationState, StationView, SubjectKind
from watcher.reports.model import Report
from watcher.rulebook.facts import Facts
from watcher.rulebook.model import Rule
from watcher.rulebook.words import Kind


@dataclass(slots=True)
class Turn:
    """The changes of one station while they are being made. Lives for one call only."""

    before: StationView
    now: datetime
    fingerprint: str
    view: StationView = field(init=False)
    feeds_were_asked: bool = True
    facts: Facts | None = None
    reports: list[Report] = field(default_factory=list)
    superseded: list[tuple[str, str]] = field(default_factory=list)
    touched: dict[str, Episode] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.view = self.before

    @property
    def state(self) -> StationState:
        """What the station is known to be doing, as changed so far."""
        return self.view.state

    def remember(self, **fields: object) -> None:
        """Replace fields of the state."""
        self.view = replace(self.view, state=replace(self.view.state, **fields))  # type: ignore[arg-type]

    def take(self, transition: Transition, rules: Sequence[Rule] = ()) -> Episode:
        """Put an episode in its place and write down the event that its transition made."""
        episode = transition.episode
        if transition.event is not None:
            told_from = episode.began_at if episode.kind is Kind.EXPECTED else None
            episode = replace(episode, seq=episode.seq + 1, told_from=told_from)
            scene = Scene(self.view, self.facts, tuple(rules), self.fingerprint, self.now)
            before = Before(transition.previous_level, transition.previous_no_time, transition.told_from)
            body = episode_body(episode, transition.event, before, scene)
            self.events.append(Event(SubjectKind.EPISODE, episode.id, episode.seq, transition.event, self.now, body))
        others = tuple(other for other in self.view.episodes if other.id != episode.id)
        if episode.phase is not Phase.ENDED:
            others = (*others, episode)
        self.view = replace(self.view, episodes=tuple(sorted(others, key=lambda other: other.number)))
        self.touched[episode.id] = episode
        return episode

    def tell_sight(self, event: EventType, habits: Habits | None = None) -> None:
        """Write down that the station became blind or sees again; `habits`: what it usually does."""
        self.remember(seq=self.state.seq + 1)
        scene = Scene(self.view, self.facts, (), self.fingerprint, self.now, habits)
        body = station_body(event, scene)
        self.events.append(Event(SubjectKind.STATION, self.state.station, self.state.seq, event, self.now, body))

    def change(self) -> StationChange | None:
        """Return what changed, None when nothing did."""
        if self.view is self.before and not self.reports:
            return None
        version = self.before.state.version
        if not self.reports and not self.touched and self.state == self.before.state:
            return StationChange(self.state.station, version, self.view, quiet=True)
        self.remember(version=version + 1)
        return StationChange(
            station=self.state.station,
            expects_version=version,
            after=self.view,
            reports=tuple(self.reports),
            superseded=tuple(self.superseded),
            episodes=tuple(self.touched.values()),
            events=tuple(self.events),
        )

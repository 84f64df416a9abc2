"""The exact path of a replay: one station's reports heard again in their order, judged by the judgement itself.

What is left out is what needs more than reports: frost forecasts of the night are not computed, and nobody takes an
episode in hand.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import groupby
from operator import attrgetter

from watcher.alerts.changes import StationChange
from watcher.alerts.judge import judge
from watcher.alerts.model import Episode, Event, EventType, Phase, Policy, StationState, StationView, SubjectKind
from watcher.replay.rehearsal.model import LevelStep, PlayedEpisode, StationRun
from watcher.replay.rehearsal.ticks import minute_after, next_tick
from watcher.reports.model import Forecast, Observation, Report
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook
from watcher.rulebook.words import Kind

_LEVELS_MOVE = frozenset({EventType.OPENED, EventType.RAISED, EventType.LOWERED, EventType.CONFIRMED})


def rehearse_station(
    station: Station,
    reports: Iterable[Report],
    *,
    rulebook: Rulebook,
    policy: Policy,
    until: datetime,
    every_minute: bool = False,
) -> StationRun | None:
    """Return how the watcher would have followed one station, None where nothing was heard of it.

    Parameters
    ----------
    station
        The station; reports of others are left out.
    reports
        In the order in which they were heard: by `received_at`, which may not go back. Those of one time are one turn.
    rulebook, policy
        The rules and the settings of the judgement.
    until
        To when the station is watched after its last report: the end of the archive. Aware UTC.
    every_minute
        Judge every whole minute, as the service does. The result is the same and takes far longer: for tests.
    """
    play = _Play(station, rulebook, policy, every_minute=every_minute)
    begins_at = None
    for heard_at, heard in groupby(reports, key=attrgetter("received_at")):
        begins_at = begins_at or heard_at
        play.pass_time(heard_at)
        play.turn(heard_at, tuple(heard))
    if begins_at is None:
        return None
    ends_at = max(until, play.now or begins_at)
    play.pass_time(ends_at + timedelta(microseconds=1))
    return play.run(begins_at, ends_at)


@dataclass(slots=True)
class _Play:
    """One station while it is played."""

    station: Station
    rulebook: Rulebook
    policy: Policy
    every_minute: bool = False
    view: StationView = field(init=False)
    now: datetime | None = None
    due: datetime | None = None
    reports: int = 0
    forecasts: int = 0
    late: int = 0
    turns: int = 0
    unconfirmed: int = 0
    events: list[Event] = field(default_factory=list)
    stories: dict[str, PlayedEpisode] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.view = StationView(self.station, StationState(self.station.code))

    def pass_time(self, until: datetime) -> None:
        """Judge the minutes before a time at which time alone may change something."""
        while self.due is not None and self.due < until:
            self.turn(self.due)

    def turn(self, now: datetime, heard: Sequence[Report] = ()) -> None:
        """Judge once."""
        self._count(heard, now)
        self.turns += 1
        self.now = now
        before = self.view
        made = judge({self.station.code: before}, heard, rulebook=self.rulebook, policy=self.policy, now=now)
        change = made[0] if made else None
        if change is not None:
            self._take(change, before)
            self.view = change.after
        self.due = minute_after(now) if self.every_minute else next_tick(before, change, self.policy, now)

    def _count(self, heard: Sequence[Report], now: datetime) -> None:
        for report in heard:
            decoded = report.decoded
            if isinstance(decoded, Observation):
                self.reports += 1
                self.late += now - decoded.observed_at > self.policy.stale_after
            elif isinstance(decoded, Forecast):
                self.forecasts += 1

    def _take(self, change: StationChange, before: StationView) -> None:
        """Follow the stories of the episodes on."""
        # The facts behind an event are in the archive; what is kept of it is what it says.
        self.events.extend(change.events)
        for event in change.events:
            if event.subject_kind is SubjectKind.EPISODE:
                self.stories[event.subject_id] = _told(self.stories.get(event.subject_id), event)
        known = {episode.id: episode for episode in before.episodes}
        for episode in change.episodes:
            story = self.stories.get(episode.id)
            if story is not None:
                self.stories[episode.id] = _moved(story, episode, known.get(episode.id), change.after)
            elif episode.phase is Phase.ENDED:
                self.unconfirmed += 1

    def run(self, begins_at: datetime, ends_at: datetime) -> StationRun:
        """Return what has been played."""
        spells = tuple(_blind_spells(self.events, ends_at))
        return StationRun(
            station=self.station.code,
            begins_at=begins_at,
            ends_at=ends_at,
            reports=self.reports,
            forecasts=self.forecasts,
            late=self.late,
            unconfirmed=self.unconfirmed,
            blind=sum((end - begin for begin, end in spells), timedelta()),
            blind_spells=len(spells),
            turns=self.turns,
            episodes=tuple(self.stories.values()),
            events=tuple(self.events),
        )


def _told(story: PlayedEpisode | None, event: Event) -> PlayedEpisode:
    """Return a story after one more event."""
    body = event.body
    assert body.flag is not None
    assert body.level is not None
    if story is None:
        story = PlayedEpisode(
            id=event.subject_id,
            station=body.station,
            flag=body.flag,
            kind=body.kind or Kind.OBSERVED,
            level=body.level,
            opened_at=event.at,
            began_at=body.begins_at or event.at,
            certainty=body.certainty,
            told_from=body.begins_at,
            told_until=body.until,
        )
    steps = story.steps
    if event.type in _LEVELS_MOVE and (not steps or steps[-1].level is not body.level):
        steps = (*steps, LevelStep(event.at, body.level))
    story = replace(story, steps=steps, level=max(story.level, body.level), began_at=body.begins_at or story.began_at)
    if event.type is EventType.CONFIRMED:
        return replace(story, confirmed_at=event.at, came_true=True, lead=story.began_at - story.opened_at)
    if event.type in {EventType.CLOSED, EventType.WITHDRAWN}:
        return replace(story, ended_at=event.at)
    return story


def _moved(story: PlayedEpisode, episode: Episode, before: Episode | None, after: StationView) -> PlayedEpisode:
    """Return a story with what the episode's own state tells beside its events."""
    held = {hold.rule for state in (before, episode) if state is not None for hold in state.holds if hold.confirmed}
    if episode.kind is Kind.EXPECTED or story.kind is Kind.EXPECTED:
        held |= {item.rule for state in (before, episode) if state is not None for item in state.expected}
    if held - set(story.rules):
        story = replace(story, rules=tuple(sorted({*story.rules, *held})))
    ended_unconfirmed = episode.phase is Phase.ENDED and episode.kind is Kind.EXPECTED and not story.came_true
    if ended_unconfirmed and _stands_observed(story, after):
        return replace(story, came_true=True)
    return story


def _stands_observed(story: PlayedEpisode, view: StationView) -> bool:
    return any(
        other.flag is story.flag
        and other.kind is Kind.OBSERVED
        and other.opened_at is not None
        and other.level >= story.level
        for other in view.episodes
    )


def _blind_spells(events: Iterable[Event], ends_at: datetime) -> Iterator[tuple[datetime, datetime]]:
    """Yield from when to when a station was blind; the last may go on to the end."""
    since = None
    for event in events:
        if event.type is EventType.BLIND:
            since = event.at
        elif event.type is EventType.SEEING and since is not None:
            yield since, event.at
            since = None
    if since is not None:
        yield since, ends_at

"""Digests: at set local times, what stands open at the stations that somebody follows, worst first, in one message.

The aircraft that are parked at those stations come first, the most likely frosted at the top.
Nothing to say is said in one line, so that silence is never mistaken.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from watcher.alerts import next_steps
from watcher.alerts.audience import Audience
from watcher.alerts.bodies import Before, Scene, episode_body, station_body
from watcher.alerts.hours import following, latest
from watcher.alerts.latest import facts_of
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import DigestLine, Episode, Event, EventBody, EventType, ParkedLine, StationView, SubjectKind
from watcher.alerts.outbox import Told
from watcher.alerts.parked import Parked, parked_lines
from watcher.alerts.parked_words import LIKELY, NO_MEASUREMENT
from watcher.alerts.subscribers import Subscription
from watcher.alerts.wishes import wants
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook
from watcher.rulebook.words import Kind, Level
from watcher.units import clock_z, duration_text

# A digest that could not be made at its time is still made so much later, then left out.
LATEST_BY = timedelta(hours=1)


def due_digests(
    views: Sequence[StationView],
    listeners: Listeners,
    told: Mapping[tuple[str, str], Told],
    *,
    rulebook: Rulebook,
    now: datetime,
) -> Iterator[tuple[Event, str]]:
    """Yield the digests whose time has come, each with the destination that it is for.

    Subscriptions of one destination whose times have come share one digest. The arguments are those of `tell`.
    """
    stations = {view.station.code: view.station for view in views} if listeners.parked else {}
    due = [(item, _parked_there(item, listeners.parked, stations)) for item in _due(listeners, told, now)]
    # Worked out once for all who are told: the night is the same for each of them.
    named = [aircraft for aircraft in listeners.parked if any(aircraft.name in names for _, names in due)]
    lines = parked_lines({view.station.code: view for view in views}, named, now) if named else ()
    for item, names in due:
        told_of = tuple(line for line in lines if line.name in names)
        seen = _looked_at(views, item.audience, rulebook, now)
        body = _body(seen, item, told_of, now)
        subject_id = digest_subject(item.destination)
        yield Event(SubjectKind.DIGEST, subject_id, _seq(item.moment), EventType.DIGEST, now, body), item.destination


@dataclass(frozen=True, slots=True)
class _Due:
    """A digest whose time has come: for whom, of which time, for which subscriptions and stations, and the next."""

    destination: str
    moment: datetime
    zone: str | None
    wanting: tuple[Subscription, ...]
    audience: Audience
    next_at: datetime | None


def _due(listeners: Listeners, told: Mapping[tuple[str, str], Told], now: datetime) -> Iterator[_Due]:
    for destination, subscriptions in listeners.digests.items():
        # Where its fallback is told in its place, that has the digest.
        readers = (destination, *listeners.behind(destination))
        known = [last.seq for name in readers if (last := told.get((name, digest_subject(destination)))) is not None]
        due = [
            (moment, subscription)
            for subscription in subscriptions
            if (moment := _moment(subscription, now)) is not None
            and now - moment <= LATEST_BY
            and _seq(moment) > max(known, default=0)
        ]
        if due:
            moment, newest = max(due, key=lambda item: item[0])
            wanting = tuple(subscription for _, subscription in due)
            yield _Due(destination, moment, newest.zone, wanting, Audience(wanting), _next_time(subscriptions, now))


def _parked_there(due: _Due, parked: Sequence[Parked], stations: Mapping[str, Station]) -> frozenset[str]:
    """Return the names of the aircraft at stations that a digest is about, whatever flags and levels are asked for."""
    return frozenset(
        item.name for item in parked if due.audience.at(stations.get(item.station) or Station(item.station))
    )


def digest_subject(destination: str) -> str:
    """Return the name of a destination's line of digests; short, whatever the destination is called."""
    return "digest-" + hashlib.sha256(destination.encode()).hexdigest()[:16]


def _moment(subscription: Subscription, now: datetime) -> datetime | None:
    assert subscription.zone is not None
    return latest(subscription.digest_at, subscription.zone, now)


def _seq(moment: datetime) -> int:
    """Return the number of a digest: the minute of its time, so that each time has one digest, restarts or not."""
    return int(moment.timestamp() // 60)


@dataclass(frozen=True, slots=True)
class _Seen:
    """A station that is looked at, and its line; None when it has nothing to say."""

    view: StationView
    line: DigestLine | None


def _looked_at(views: Sequence[StationView], audience: Audience, rulebook: Rulebook, now: datetime) -> list[_Seen]:
    return [_Seen(view, _line(view, asking, rulebook, now)) for view in views if (asking := audience.at(view.station))]


def _body(seen: Sequence[_Seen], due: _Due, parked: tuple[ParkedLine, ...], now: datetime) -> EventBody:
    lines = sorted((item.line for item in seen if item.line is not None), key=_urgency)
    levels = [line.level for line in lines if line.level is not None]
    then = f" The next digest comes at {_local(due.next_at, due.zone)}." if due.next_at is not None else ""
    return EventBody(
        station="",
        name=None,
        zone=due.zone,
        headline=_headline(seen, lines, due) + _parked_text(parked),
        why=_why(seen, now) + (f" {NO_MEASUREMENT}" if parked else ""),
        next_step=_next_step(lines, parked) + then,
        level=max(levels, default=None),
        begins_at=due.moment,
        lines=tuple(lines),
        parked=parked,
    )


def _line(view: StationView, asking: Sequence[Subscription], rulebook: Rulebook, now: datetime) -> DigestLine | None:
    """Return the station's line: its worst open alert with the others behind it, or that it is blind."""
    episodes = _asked_for(view, asking)
    blind = view.state.blind_since is not None
    if not episodes and not blind:
        return None
    facts = facts_of(view, now)
    bodies = [
        episode_body(episode, _as_told(episode), Before(), Scene(view, facts, rulebook.of_flag(episode.flag), "", now))
        for episode in episodes
    ]
    if blind:
        bodies.append(station_body(EventType.BLIND, Scene(view, facts, (), "", now)))
    first, *others = bodies
    return DigestLine(
        station=view.station.code,
        name=view.station.name,
        zone=view.station.zone,
        level=first.level,
        flag=first.flag,
        kind=first.kind,
        headline=first.headline,
        why=first.why,
        next_step=first.next_step,
        begins_at=first.begins_at,
        until=first.until,
        observed_at=first.observed_at,
        raw=first.raw,
        also=tuple(other.headline for other in others),
    )


def _as_told(episode: Episode) -> EventType:
    """Return the event in whose words a line speaks: what somebody has in hand says who."""
    return EventType.DIGEST if episode.in_hand is None else EventType.TAKEN


def _asked_for(view: StationView, asking: Sequence[Subscription]) -> list[Episode]:
    open_now = [
        episode
        for episode in view.episodes
        if episode.opened_at is not None
        and any(wants(subscription, episode.flag, episode.level) for subscription in asking)
    ]
    return sorted(open_now, key=lambda item: (-item.level, item.kind is Kind.EXPECTED, item.began_at))


def _urgency(line: DigestLine) -> tuple[int, bool, bool, datetime, str]:
    # Silence is not clear weather: it asks for a look, which is more than a note and less than arranging anything.
    level = line.level if line.level is not None else Level.NOTE
    begins_at = line.begins_at or datetime.max.replace(tzinfo=UTC)
    return -level, line.level is not None, line.kind is Kind.EXPECTED, begins_at, line.station


def _headline(seen: Sequence[_Seen], lines: Sequence[DigestLine], due: _Due) -> str:
    at = _local(due.moment, due.zone)
    blind = sum(item.view.state.blind_since is not None for item in seen)
    alerts = [line for line in lines if line.level is not None]
    blind_text = f", {blind} blind" if blind else ""
    if not alerts:
        return f"Digest {at}: nothing {_asked_of(due.wanting)}, {_stations(len(seen))}{blind_text}"
    worst = alerts[0]
    assert worst.level is not None
    expected = " expected" if worst.kind is Kind.EXPECTED else ""
    return (
        f"Digest {at}: {len(alerts)} of {_stations(len(seen))} with alerts, "
        f"worst {worst.station} {worst.level.word}{expected}{blind_text}"
    )


def _parked_text(parked: Sequence[ParkedLine]) -> str:
    """Return how many parked aircraft are likely frosted, and of how many that is not known."""
    if not parked:
        return ""
    likely = sum(line.chance is not None and line.chance >= LIKELY for line in parked)
    unknown = sum(line.chance is None for line in parked)
    unknown_text = f", {unknown} not known" if unknown else ""
    return f", {likely or 'none'} of {len(parked)} parked aircraft likely frosted{unknown_text}"


def _asked_of(wanting: Sequence[Subscription]) -> str:
    """Return what was looked for, in words that hold for every station that was looked at."""
    levels, flags = {item.min_level for item in wanting}, {item.flags for item in wanting}
    if len(levels) > 1 or len(flags) > 1:
        return "of what was asked for"
    named = ", ".join(sorted(flag.value for flag in flags.pop() or ()))
    return f"{f'of {named} ' if named else ''}at {levels.pop().word} or above"


def _stations(count: int) -> str:
    return f"{count} station" if count == 1 else f"{count} stations"


def _local(moment: datetime, zone: str | None) -> str:
    local = f" ({moment.astimezone(ZoneInfo(zone)):%H:%M} {zone})" if zone is not None else ""
    return f"{clock_z(moment)}{local}"


def _why(seen: Sequence[_Seen], now: datetime) -> str:
    """Return what was looked at and how old it is."""
    if not seen:
        return "None of the stations asked for is watched."
    ages = sorted(now - item.view.state.last_report_at for item in seen if item.view.state.last_report_at is not None)
    silent = len(seen) - len(ages)
    blind = sum(item.view.state.blind_since is not None for item in seen)
    parts = [f"{_stations(len(seen))} looked at"]
    if ages:
        oldest = f" to {duration_text(ages[-1])}" if len(ages) > 1 else ""
        parts.append(f"newest reports {duration_text(ages[0])}{oldest} old")
    if silent:
        parts.append(f"{silent} without any report")
    if blind:
        parts.append(f"{blind} blind")
    return "; ".join(parts) + "."


def _next_step(lines: Sequence[DigestLine], parked: Sequence[ParkedLine]) -> str:
    steps = []
    alerts = [line for line in lines if line.level is not None]
    if alerts:
        steps.append(f"{alerts[0].station} first: {alerts[0].next_step}")
    elif lines:
        steps.append(next_steps.BLIND)
    if parked and (parked[0].chance is None or parked[0].chance >= LIKELY):
        steps.append(f"{parked[0].name} at {parked[0].station}: {parked[0].next_step}")
    return " ".join(steps) or "Nothing to arrange for these stations now."


def _next_time(subscriptions: Sequence[Subscription], now: datetime) -> datetime | None:
    times = [following(item.digest_at, item.zone, now) for item in subscriptions if item.zone is not None]
    return min((time for time in times if time is not None), default=None)

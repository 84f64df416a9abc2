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
from watcher.alerts.bodies import Scene, episode_body, station_body
from watcher.alerts.hours import following, latest
from watcher.alerts.latest import facts_of
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import DigestLine, Episode, Event, EventBody, EventType, StationView, SubjectKind
from watcher.alerts.outbox import Told
from watcher.alerts.subscribers import Subscription
from watcher.alerts.wishes import wants
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
    for destination, subscriptions in listeners.digests.items():
        subject_id = digest_subject(destination)
        last = told.get((destination, subject_id))
        due = [
            (moment, subscription)
            for subscription in subscriptions
            if (moment := _moment(subscription, now)) is not None
            and now - moment <= LATEST_BY
            and (last is None or _seq(moment) > last.seq)
        ]
        if due:
            moment, newest = max(due, key=lambda item: item[0])
            wanting = [subscription for _, subscription in due]
            seen = _looked_at(views, wanting, rulebook, now)
            next_at = _next_time(subscriptions, now)
            body = _body(seen, wanting, moment=moment, zone=newest.zone, next_at=next_at, now=now)
            yield Event(SubjectKind.DIGEST, subject_id, _seq(moment), EventType.DIGEST, now, body), destination


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


def _looked_at(
    views: Sequence[StationView], wanting: Sequence[Subscription], rulebook: Rulebook, now: datetime
) -> list[_Seen]:
    audience = Audience(wanting)
    return [_Seen(view, _line(view, asking, rulebook, now)) for view in views if (asking := audience.at(view.station))]


def _body(
    seen: Sequence[_Seen],
    wanting: Sequence[Subscription],
    *,
    moment: datetime,
    zone: str | None,
    next_at: datetime | None,
    now: datetime,
) -> EventBody:
    lines = sorted((item.line for item in seen if item.line is not None), key=_urgency)
    levels = [line.level for line in lines if line.level is not None]
    then = f" The next digest comes at {_local(next_at, zone)}." if next_at is not None else ""
    return EventBody(
        station="",
        name=None,
        zone=zone,
        headline=_headline(seen, lines, wanting, _local(moment, zone)),
        why=_why(seen, now),
        next_step=_next_step(lines) + then,
        level=max(levels, default=None),
        begins_at=moment,
        lines=tuple(lines),
    )


def _line(view: StationView, asking: Sequence[Subscription], rulebook: Rulebook, now: datetime) -> DigestLine | None:
    """Return the station's line: its worst open alert with the others behind it, or that it is blind."""
    episodes = _asked_for(view, asking)
    blind = view.state.blind_since is not None
    if not episodes and not blind:
        return None
    facts = facts_of(view, now)
    bodies = [
        episode_body(episode, _as_told(episode), None, Scene(view, facts, rulebook.of_flag(episode.flag), "", now))
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


def _headline(seen: Sequence[_Seen], lines: Sequence[DigestLine], wanting: Sequence[Subscription], at: str) -> str:
    blind = sum(item.view.state.blind_since is not None for item in seen)
    alerts = [line for line in lines if line.level is not None]
    blind_text = f", {blind} blind" if blind else ""
    if not alerts:
        return f"Digest {at}: nothing {_asked_of(wanting)}, {_stations(len(seen))}{blind_text}"
    worst = alerts[0]
    assert worst.level is not None
    expected = " expected" if worst.kind is Kind.EXPECTED else ""
    return (
        f"Digest {at}: {len(alerts)} of {_stations(len(seen))} with alerts, "
        f"worst {worst.station} {worst.level.word}{expected}{blind_text}"
    )


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


def _next_step(lines: Sequence[DigestLine]) -> str:
    alerts = [line for line in lines if line.level is not None]
    if alerts:
        return f"{alerts[0].station} first: {alerts[0].next_step}"
    return next_steps.BLIND if lines else "Nothing to arrange for these stations now."


def _next_time(subscriptions: Sequence[Subscription], now: datetime) -> datetime | None:
    times = [following(item.digest_at, item.zone, now) for item in subscriptions if item.zone is not None]
    return min((time for time in times if time is not None), default=None)

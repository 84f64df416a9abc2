"""Treated aircraft in a turn of the cycle: which clocks move by new reports or time, and whom to tell at once."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from watcher.alerts.hearing import AHEAD
from watcher.alerts.hours import within
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Event, EventBody, EventType, Policy, ProtectionLine, StationView, SubjectKind
from watcher.alerts.outbox import Detour, Instead, NewDelivery
from watcher.alerts.subscribers import Subscription
from watcher.alerts.tell import delivery_name
from watcher.reports.model import Observation, Report
from watcher.reports.station import Station
from watcher.rulebook.words import Level
from watcher.treatment.clocks import Answers, Clocks
from watcher.treatment.protection import Protection, Standing, with_report, with_sight
from watcher.treatment.protection_changes import Change, advance
from watcher.treatment.tables import Tables
from watcher.units import clock_z

_WITHOUT_TIME = frozenset({Standing.ALLOWANCE, Standing.SPECIAL, Standing.NONE})
_TYPES = {"shortened": EventType.SHORTENED, "lost": EventType.LOST}


@dataclass(frozen=True, slots=True)
class Moved:
    """What a turn made of the protections: those that changed, and what must be told."""

    protections: tuple[Protection, ...] = ()
    events: tuple[Event, ...] = ()


def move(
    protections: Iterable[Protection],
    views: Mapping[str, StationView],
    reports: Mapping[str, Sequence[Report]],
    tables: Tables | Answers,
    now: datetime,
) -> Moved:
    """Return how protections stand after new reports, at this time.

    Parameters
    ----------
    protections
        Live ones, as they were written down.
    views
        All stations as they stand now; an aircraft at one that is not watched is as at a blind one.
    reports
        What came in, by station, in any order. The latest report of the view counts too.
    tables
        The holdover tables, or kept answers of them.
    now
        Aware UTC.
    """
    changed: list[Protection] = []
    events: list[Event] = []
    answers = tables if isinstance(tables, Answers) else Answers(tables)
    for protection in protections:
        view = views.get(protection.station)
        heard = _observations(view, reports.get(protection.station, ()), now)
        after, change = _moved(protection, view, heard, answers, now)
        if change is not None:
            events.append(event_of(after, change, view))
        if after != protection:
            changed.append(after)
    return Moved(tuple(changed), tuple(events))


def owed_at_once(
    events: Iterable[Event], views: Mapping[str, StationView], listeners: Listeners, policy: Policy, now: datetime
) -> Iterator[NewDelivery]:
    """Yield the messages about protections: to all who follow the station, each once, alone, whatever the hour.

    A subscription that has `no_time_ignores_hours` off is heard in its hours only.
    """
    for event in events:
        view = views.get(event.body.station)
        station = view.station if view is not None else Station(event.body.station)
        for destination, instead in _readers(_following(listeners, station, now), listeners):
            yield NewDelivery(
                id=delivery_name(event.subject_id, event.seq, destination, event.type, now),
                destination=destination,
                subject_id=event.subject_id,
                seq=event.seq,
                told_as=event.type,
                level=event.body.level,
                kind=None,
                made_at=now,
                valid_until=_valid_until(event, policy),
                instead=instead,
            )


def _readers(destinations: Collection[str], listeners: Listeners) -> Iterator[tuple[str, Instead | None]]:
    """Yield who is told, each once, and in whose place."""
    met = {name for name in destinations if listeners.may_be_told(name)}
    yield from ((name, None) for name in sorted(met))
    for name in sorted(destinations):
        reader = listeners.reader_of(name)
        if reader is not None and reader not in met:
            met.add(reader)
            yield reader, Instead(name, Detour.OFF)


def event_of(protection: Protection, change: Change, view: StationView | None) -> Event:
    """Return the event of a change; its number is the protection's, which counts it already."""
    station = view.station if view is not None else Station(protection.station)
    observation = view.observation if view is not None else None
    reading = change.clocks
    holdover = reading.worst.holdover if reading.worst is not None else None
    level = Level.NO_TIME if reading.standing in _WITHOUT_TIME else Level.TREAT
    body = EventBody(
        station=protection.station,
        name=station.name,
        zone=station.zone,
        headline=_headline(protection, change),
        why=_why(reading),
        next_step=change.next_step,
        level=level,
        no_time=holdover.no_time if holdover is not None and level is Level.NO_TIME else None,
        begins_at=protection.started_at,
        until=reading.ends_at,
        observed_at=observation.observed_at if observation is not None else None,
        raw=observation.raw if observation is not None else None,
        protection=_line(protection, change),
    )
    return Event(SubjectKind.PROTECTION, protection.id, protection.seq, _TYPES[change.kind], reading.at, body)


def _observations(view: StationView | None, reports: Sequence[Report], now: datetime) -> list[Observation]:
    """Return what came in and the latest report; one that is dated too far ahead is of no time that is known."""
    latest = () if view is None or view.latest is None else (view.latest,)
    found = {each.decoded for each in (*reports, *latest) if isinstance(each.decoded, Observation)}
    return sorted(
        (each for each in found if each.observed_at <= now + AHEAD), key=lambda each: (each.observed_at, each.raw)
    )


def _moved(
    protection: Protection, view: StationView | None, heard: Sequence[Observation], answers: Answers, now: datetime
) -> tuple[Protection, Change | None]:
    """Return a protection after all that was heard, taken together, and what of it must be told."""
    station = view.station if view is not None else Station(protection.station)
    after = protection
    for report in heard:
        after = with_report(after, report, station)
    blind = view is None or view.state.blind_since is not None
    after, change = advance(with_sight(after, blind=blind or after.is_stale(now)), None, station, answers, now)
    return (after, None) if change is None else (replace(after, seq=after.seq + 1), change)


def _valid_until(event: Event, policy: Policy) -> datetime:
    """Return when a message has nothing to say any more: past the end that it tells of, another one tells that."""
    end = event.body.until if event.type is EventType.SHORTENED else None
    return end if end is not None else event.at + policy.valid_for


def _following(listeners: Listeners, station: Station, now: datetime) -> set[str]:
    return {
        destination
        for subscription in listeners.alerts.at(station)
        if subscription.no_time_ignores_hours or _in_hours(subscription, now)
        for destination in subscription.destinations
    }


def _in_hours(subscription: Subscription, now: datetime) -> bool:
    quiet = subscription.quiet is not None and within(subscription.quiet, now)
    return within(subscription.hours, now) and not quiet


def _headline(protection: Protection, change: Change) -> str:
    """Return the line that stands alone: whose, what, and how many minutes are left."""
    reading = change.clocks
    training = "TRAINING " if reading.training else ""
    who = f"{training}{protection.station} {protection.aircraft}"
    if reading.standing is Standing.SPECIAL:
        return f"{who}: protection lost, no take-off in this weather without a special approval"
    if reading.standing is Standing.NONE:
        return f"{who}: protection lost, no holdover time exists in this weather"
    assert reading.ends_at is not None
    end = clock_z(reading.ends_at)
    if reading.standing is Standing.ALLOWANCE:
        return f"{who}: no holdover time, allowance time until {end} ({change.minutes_after} min left)"
    if reading.standing is Standing.OVER:
        what = "allowance time" if reading.allowance_ends_at is not None else "lower end of the holdover time"
        return f"{who}: protection lost, past the {what} at {end}"
    before = "no limit before" if change.minutes_before is None else f"{change.minutes_before} min before"
    return f"{who}: protection shortened to {end}, {change.minutes_after} min left ({before})"


def _why(reading: Clocks) -> str:
    worst = reading.worst
    if worst is None:
        return "Nothing is known of the weather."
    seen = "the crew" if worst.seen.by_crew else "the report"
    said = f"{worst.holdover.why} By {seen} of {clock_z(worst.seen.first_at)}, the worst since the final application."
    return f"{said} {worst.holdover.caution}".strip()


def _line(protection: Protection, change: Change) -> ProtectionLine:
    reading = change.clocks
    holdover = reading.worst.holdover if reading.worst is not None else None
    return ProtectionLine(
        id=protection.id,
        aircraft=protection.aircraft,
        standing=reading.standing,
        fluid=protection.fluid.value,
        mix=protection.mix,
        started_at=protection.started_at,
        lower_ends_at=reading.lower_ends_at,
        upper_ends_at=reading.upper_ends_at,
        allowance_ends_at=reading.allowance_ends_at,
        minutes_before=change.minutes_before,
        minutes_after=change.minutes_after,
        table=holdover.table if holdover is not None else None,
        season=holdover.season if holdover is not None else None,
        authority=holdover.authority if holdover is not None else None,
        training=reading.training,
    )

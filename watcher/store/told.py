"""What each destination was last told of what still goes on; a restart begins with it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, RowMapping, or_, select

from watcher.alerts.model import ENDINGS, EventType
from watcher.alerts.outbox import Telling, Told, Unreached
from watcher.rulebook.words import Kind, Level, NoTime
from watcher.store.episodes import events_named
from watcher.store.model import DeliveryState
from watcher.store.outbox import OWED, instead_of, kind_of, level_of
from watcher.store.tables import delivery, delivery_event, episode, station_state

_COLUMNS = (
    delivery_event.c.number,
    delivery_event.c.destination,
    delivery_event.c.subject_id,
    delivery_event.c.seq,
    delivery_event.c.told_as,
    delivery_event.c.level,
    delivery_event.c.kind,
    delivery_event.c.repeat,
    delivery_event.c.made_at,
    delivery_event.c.meant_for,
    delivery_event.c.detour,
)
_DIGESTS_OF = timedelta(days=2)


def read_told(connection: Connection, now: datetime) -> dict[tuple[str, str], Told]:
    """Return by (destination, subject id) what each was last told of open episodes, blind stations and in digests.

    A message that reached nobody, because it is dead, has expired or would be expired now, told nobody anything.
    """
    arrives = or_(
        delivery.c.state == DeliveryState.SENT.value,
        delivery.c.state.in_(OWED) & ((delivery.c.valid_until > now) | (delivery.c.lease_until > now)),
    )
    lines = select(*_COLUMNS).join(delivery, delivery.c.id == delivery_event.c.delivery_id)
    of_episodes = lines.join(episode, episode.c.id == delivery_event.c.subject_id).where(
        episode.c.ended_at.is_(None), arrives
    )
    # A station is blind again and again under the same name: only this time counts, which is its last event.
    of_stations = lines.join(station_state, station_state.c.station == delivery_event.c.subject_id).where(
        station_state.c.blind_since.is_not(None), delivery_event.c.seq == station_state.c.seq, arrives
    )
    # A digest is made once for its time, whether it arrived or not.
    digests = lines.where(
        delivery_event.c.told_as == EventType.DIGEST.value, delivery_event.c.made_at > now - _DIGESTS_OF
    )
    last: dict[tuple[str, str], Told] = {}
    # A storm has a hundred thousand of them, of few destinations, subjects and times: each of those is kept once.
    same: dict[Any, Any] = {}
    for query in (of_episodes, of_stations, digests):
        for row in connection.execute(query.order_by(delivery_event.c.number)).mappings():
            told = _told(row, same)
            last[told.destination, told.subject_id] = told
    standing = {key: told for key, told in last.items() if told.type not in ENDINGS}
    said = said_of(connection, standing.values())
    for key, told in standing.items():
        more = said.get((told.subject_id, told.seq))
        if more is not None:
            standing[key] = replace(told, no_time=more.no_time, begins_at=more.begins_at)
    return standing


@dataclass(frozen=True, slots=True)
class Said:
    """What an event says of an episode beside its level: which kind of no-time, and from when it is expected."""

    no_time: NoTime | None
    begins_at: datetime | None


def said_of(connection: Connection, lines: Iterable[Told | Unreached]) -> dict[tuple[str, int], Said]:
    """Return what the events that were told say of episodes, by subject and number.

    Left out are those that say no more than their level, and those that are kept no longer.
    """
    names = {
        f"{line.subject_id}.{line.seq}"
        for line in lines
        if line.kind is Kind.EXPECTED or (line.level is Level.NO_TIME and line.kind is not None)
    }
    return {
        (event.subject_id, event.seq): Said(
            no_time=event.body.no_time,
            begins_at=event.body.begins_at if event.body.kind is Kind.EXPECTED else None,
        )
        for event in events_named(connection, names).values()
    }


def read_tellings(connection: Connection, delivery_id: str) -> tuple[Telling, ...]:
    """Return what a message tells, and before that what its destination was really told of the same matter."""
    mine = select(delivery_event).where(delivery_event.c.delivery_id == delivery_id).order_by(delivery_event.c.number)
    rows = list(connection.execute(mine).mappings())
    if not rows:
        return ()
    earlier = (
        select(delivery_event)
        .join(delivery, delivery.c.id == delivery_event.c.delivery_id)
        .where(
            delivery_event.c.subject_id == rows[0]["subject_id"],
            delivery_event.c.destination == rows[0]["destination"],
            delivery_event.c.number < rows[0]["number"],
            delivery_event.c.delivery_id != delivery_id,
            delivery.c.state == DeliveryState.SENT.value,
        )
        .order_by(delivery_event.c.number)
    )
    rows = [*connection.execute(earlier).mappings(), *rows]
    events = events_named(connection, {row["event_id"] for row in rows})
    return tuple(
        Telling(events[row["event_id"]], EventType(row["told_as"]), row["delivery_id"], row["made_at"])
        for row in rows
        if row["event_id"] in events
    )


def _told(row: RowMapping, same: dict[Any, Any]) -> Told:
    return Told(
        destination=same.setdefault(row["destination"], row["destination"]),
        subject_id=same.setdefault(row["subject_id"], row["subject_id"]),
        type=EventType(row["told_as"]),
        level=level_of(row["level"]),
        kind=kind_of(row["kind"]),
        seq=row["seq"],
        at=same.setdefault(row["made_at"], row["made_at"]),
        repeat=row["repeat"],
        instead=instead_of(row["meant_for"], row["detour"]),
    )

"""Single values of the service: the key of its links, changes of subscribers, what is gone, who leads, habits."""

from __future__ import annotations

from datetime import datetime
from secrets import token_hex

from sqlalchemy import Connection, Integer, cast, select, update

from watcher.store.tables import kept
from watcher.store.upsert import insert_new, insert_or_replace

_LINK_KEY = "link-key"
_REVISION = "people-revision"
_EVENTS_REMOVED = "events-removed-to"
_THINNED = "thinned-to"
_TERM = "leader-term"
_HABITS = "habits"
_THE_TERM = select(kept.c.value).where(kept.c.name == _TERM)


def link_key(connection: Connection) -> bytes:
    """Return the key that signs links; the first call makes it."""
    insert_new(connection, kept, [{"name": _LINK_KEY, "value": token_hex(32)}])
    return bytes.fromhex(connection.execute(select(kept.c.value).where(kept.c.name == _LINK_KEY)).scalar_one())


def renew_link_key(connection: Connection) -> None:
    """Make another key; no link that was signed before is good any more. Whoever remembers the old one reads anew."""
    insert_or_replace(connection, kept, "name", [{"name": _LINK_KEY, "value": token_hex(32)}])
    people_changed(connection)


def people_revision(connection: Connection) -> int:
    """Return how often subscriptions or destinations were changed."""
    found = connection.execute(select(kept.c.value).where(kept.c.name == _REVISION)).scalar()
    return int(found) if found is not None else 0


def people_changed(connection: Connection) -> None:
    """Count a change of subscriptions or destinations, so that whoever remembers them reads them again."""
    _count(connection, _REVISION)


def events_removed_to(connection: Connection) -> int:
    """Return the highest number of an event that was removed; 0 while all are kept."""
    found = connection.execute(select(kept.c.value).where(kept.c.name == _EVENTS_REMOVED)).scalar()
    return int(found) if found is not None else 0


def note_events_removed(connection: Connection, number: int) -> None:
    """Note that the event of a number is removed, and perhaps others before it."""
    highest = max(number, events_removed_to(connection))
    insert_or_replace(connection, kept, "name", [{"name": _EVENTS_REMOVED, "value": str(highest)}])


def thinned_to(connection: Connection) -> datetime | None:
    """Return the time up to which old things were removed last; None: never."""
    found = connection.execute(select(kept.c.value).where(kept.c.name == _THINNED)).scalar()
    return datetime.fromisoformat(found) if found is not None else None


def note_thinned(connection: Connection, before: datetime) -> None:
    """Note the time up to which old things are removed."""
    insert_or_replace(connection, kept, "name", [{"name": _THINNED, "value": before.isoformat()}])


def next_term(connection: Connection) -> int:
    """Begin another term of a leader and return its number; every term before it is over."""
    _count(connection, _TERM)
    return term(connection)


def term(connection: Connection) -> int:
    """Return the term that goes on, or the last one; 0 before the first."""
    found = connection.execute(_THE_TERM).scalar()
    return int(found) if found is not None else 0


def held_term(connection: Connection) -> int:
    """Return the term that goes on. Until this transaction ends, no other one begins."""
    found = connection.execute(_THE_TERM.with_for_update(read=True)).scalar()
    return int(found) if found is not None else 0


def last_term(connection: Connection) -> int:
    """Return the newest term, without keeping another one from beginning; 0 before the first."""
    found = connection.execute(select(kept.c.value).where(kept.c.name == _TERM)).scalar()
    return int(found) if found is not None else 0


def habits(connection: Connection) -> str | None:
    """Return what was learned of stations, as text; None before the first time."""
    return connection.execute(select(kept.c.value).where(kept.c.name == _HABITS)).scalar()


def keep_habits(connection: Connection, value: str) -> None:
    """Keep what was learned of stations, in place of what was learned before."""
    insert_or_replace(connection, kept, "name", [{"name": _HABITS, "value": value}])


def _count(connection: Connection, name: str) -> None:
    insert_new(connection, kept, [{"name": name, "value": "0"}])
    counted = cast(cast(kept.c.value, Integer) + 1, kept.c.value.type)
    connection.execute(update(kept).where(kept.c.name == name).values(value=counted))

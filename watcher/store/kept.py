"""Single values of the service: the key that signs its links, how often subscribers changed, which events are gone."""

from __future__ import annotations

from secrets import token_hex

from sqlalchemy import Connection, Integer, cast, select, update

from watcher.store.tables import kept
from watcher.store.upsert import insert_new, insert_or_replace

_LINK_KEY = "link-key"
_REVISION = "people-revision"
_EVENTS_REMOVED = "events-removed-to"


def link_key(connection: Connection) -> bytes:
    """Return the key that signs links; the first call makes it."""
    insert_new(connection, kept, [{"name": _LINK_KEY, "value": token_hex(32)}])
    return bytes.fromhex(connection.execute(select(kept.c.value).where(kept.c.name == _LINK_KEY)).scalar_one())


def people_revision(connection: Connection) -> int:
    """Return how often subscriptions or destinations were changed."""
    found = connection.execute(select(kept.c.value).where(kept.c.name == _REVISION)).scalar()
    return int(found) if found is not None else 0


def people_changed(connection: Connection) -> None:
    """Count a change of subscriptions or destinations, so that whoever remembers them reads them again."""
    insert_new(connection, kept, [{"name": _REVISION, "value": "0"}])
    counted = cast(cast(kept.c.value, Integer) + 1, kept.c.value.type)
    connection.execute(update(kept).where(kept.c.name == _REVISION).values(value=counted))


def events_removed_to(connection: Connection) -> int:
    """Return the highest number of an event that was removed; 0 while all are kept."""
    found = connection.execute(select(kept.c.value).where(kept.c.name == _EVENTS_REMOVED)).scalar()
    return int(found) if found is not None else 0


def note_events_removed(connection: Connection, number: int) -> None:
    """Note that the event of a number is removed, and perhaps others before it."""
    highest = max(number, events_removed_to(connection))
    insert_or_replace(connection, kept, "name", [{"name": _EVENTS_REMOVED, "value": str(highest)}])

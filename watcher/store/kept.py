"""Single values of the service: the key that signs its links, and how often subscribers have changed."""

from __future__ import annotations

from secrets import token_hex

from sqlalchemy import Connection, Integer, cast, select, update

from watcher.store.tables import kept
from watcher.store.upsert import insert_new

_LINK_KEY = "link-key"
_REVISION = "people-revision"


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

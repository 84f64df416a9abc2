"""Subscriptions and destinations that people added while the service runs, and tokens for the API."""

from __future__ import annotations

import json
from datetime import datetime

from sqlalchemy import Connection, RowMapping, delete, insert, select, update

from watcher.alerts.subscribers import CONFIRM_WITHIN
from watcher.errors import StoreError
from watcher.store.destinations import disabled
from watcher.store.kept import people_changed, people_revision
from watcher.store.model import People, StoredDestination, StoredSubscription, Token
from watcher.store.tables import destination, destination_state, session, subscription, token
from watcher.store.upsert import insert_or_replace


def read_people(connection: Connection) -> People:
    """Return all of them."""
    # Before the rest: what changes meanwhile must not pass for what was read.
    revision = people_revision(connection)
    subscriptions = connection.execute(select(subscription).order_by(subscription.c.name)).mappings()
    destinations = connection.execute(select(destination).order_by(destination.c.name)).mappings()
    return People(
        revision=revision,
        subscriptions=tuple(StoredSubscription(**row) for row in subscriptions),
        destinations=tuple(StoredDestination(**row) for row in destinations),
        disabled=disabled(connection),
    )


def put_subscription(connection: Connection, item: StoredSubscription) -> None:
    """Add a subscription, or change the one of its name."""
    row = {
        "name": item.name,
        "spec": item.spec,
        "paused": item.paused,
        "made_at": item.made_at,
        "changed_at": item.changed_at,
    }
    insert_or_replace(connection, subscription, "name", [row])
    people_changed(connection)


def remove_subscription(connection: Connection, name: str) -> bool:
    """Remove a subscription; return whether there was one."""
    removed = connection.execute(delete(subscription).where(subscription.c.name == name)).rowcount > 0
    if removed:
        people_changed(connection)
    return removed


def put_destination(connection: Connection, item: StoredDestination) -> None:
    """Add a destination, or change the one of its name."""
    row = {
        "name": item.name,
        "spec": item.spec,
        "secret": item.secret,
        "confirmed_at": item.confirmed_at,
        "made_at": item.made_at,
        "changed_at": item.changed_at,
    }
    insert_or_replace(connection, destination, "name", [row])
    people_changed(connection)


def confirm_destination(connection: Connection, name: str, address: str, now: datetime) -> bool:
    """Note that the owner of an address agreed; see `Store.confirm_destination`."""
    row = connection.execute(select(destination).where(destination.c.name == name)).mappings().first()
    if row is None or json.loads(row["spec"]).get("address") != address:
        return False
    if row["confirmed_at"] is None:
        if now - row["changed_at"] > CONFIRM_WITHIN:
            return False
        connection.execute(update(destination).where(destination.c.name == name).values(confirmed_at=now))
        people_changed(connection)
    return True


def remove_destination(connection: Connection, name: str) -> bool:
    """Remove a destination and what is remembered of it; return whether there was one."""
    removed = connection.execute(delete(destination).where(destination.c.name == name)).rowcount > 0
    if removed:
        connection.execute(delete(destination_state).where(destination_state.c.name == name))
        people_changed(connection)
    return removed


def put_token(connection: Connection, item: Token, token_hash: str, now: datetime) -> None:
    """Add a token.

    Raises
    ------
    StoreError
        Another one has its name.
    """
    row = {
        "name": item.name,
        "token_hash": token_hash,
        "scopes": " ".join(sorted(item.scopes)),
        "expires_at": item.expires_at,
        "made_at": now,
    }
    if connection.execute(select(token.c.name).where(token.c.name == item.name)).first() is not None:
        raise StoreError(f'there is a token "{item.name}" already; remove it first or choose another name')
    connection.execute(insert(token), row)


def read_tokens(connection: Connection) -> tuple[Token, ...]:
    """Return what tokens there are, by name."""
    return tuple(token_of(row) for row in connection.execute(select(token).order_by(token.c.name)).mappings())


def find_token(connection: Connection, token_hash: str) -> Token | None:
    """Return what the token of a hash allows."""
    row = connection.execute(select(token).where(token.c.token_hash == token_hash)).mappings().first()
    return token_of(row) if row is not None else None


def remove_token(connection: Connection, name: str) -> bool:
    """Remove a token, and with it whoever is signed in by it; return whether there was one."""
    hashes = select(token.c.token_hash).where(token.c.name == name)
    connection.execute(delete(session).where(session.c.token_hash.in_(hashes)))
    return connection.execute(delete(token).where(token.c.name == name)).rowcount > 0


def token_of(row: RowMapping) -> Token:
    """Return a token from its row."""
    return Token(row["name"], frozenset(row["scopes"].split()), row["expires_at"])

"""Who is signed in to the board: a session lives as long as it may, and never longer than its token."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, delete, insert, select

from watcher.store.model import Token
from watcher.store.people import token_of
from watcher.store.tables import session, token


def begin_session(
    connection: Connection, session_hash: str, token_hash: str, expires_at: datetime, now: datetime
) -> None:
    """Begin a session; sessions that have run out are removed on the way."""
    connection.execute(delete(session).where(session.c.expires_at <= now))
    row = {"session_hash": session_hash, "token_hash": token_hash, "expires_at": expires_at, "made_at": now}
    connection.execute(insert(session), row)


def find_session(connection: Connection, session_hash: str, now: datetime) -> Token | None:
    """Return the token behind a session that goes on; None when it, or its token, has run out or was ended."""
    rows = connection.execute(
        select(token)
        .join(session, session.c.token_hash == token.c.token_hash)
        .where(session.c.session_hash == session_hash, session.c.expires_at > now, token.c.expires_at > now)
    )
    row = rows.mappings().first()
    return token_of(row) if row is not None else None


def end_session(connection: Connection, session_hash: str) -> None:
    """End a session; one that is not there is over already."""
    connection.execute(delete(session).where(session.c.session_hash == session_hash))

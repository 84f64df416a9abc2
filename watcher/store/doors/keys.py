"""Who may use the board and the API: tokens and sessions."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from watcher.store import people, sessions
from watcher.store.doors.door import Door
from watcher.store.model import Token


class Keys(Door):
    """Tokens and sessions; only their hashes are kept."""

    def add_token(
        self, name: str, token_hash: str, scopes: Collection[str], expires_at: datetime, now: datetime
    ) -> None:
        """Add a token for the API; StoreError when the name is taken. Only its hash is kept."""
        with self._database.write() as connection:
            people.put_token(connection, Token(name, frozenset(scopes), expires_at), token_hash, now)

    def tokens(self) -> tuple[Token, ...]:
        """Return what tokens there are, by name."""
        with self._database.read() as connection:
            return people.read_tokens(connection)

    def token(self, token_hash: str) -> Token | None:
        """Return what the token of a hash allows; None when there is none."""
        with self._database.read() as connection:
            return people.find_token(connection, token_hash)

    def remove_token(self, name: str) -> bool:
        """Remove a token; return whether there was one."""
        with self._database.write() as connection:
            return people.remove_token(connection, name)

    def begin_session(self, session_hash: str, token_hash: str, expires_at: datetime, now: datetime) -> None:
        """Begin a session of somebody who showed a token."""
        with self._database.write() as connection:
            sessions.begin_session(connection, session_hash, token_hash, expires_at, now)

    def session(self, session_hash: str, now: datetime) -> Token | None:
        """Return what a session may do: what its token allows; None when either has run out or was ended."""
        with self._database.read() as connection:
            return sessions.find_session(connection, session_hash, now)

    def end_session(self, session_hash: str) -> None:
        """End a session."""
        with self._database.write() as connection:
            sessions.end_session(connection, session_hash)

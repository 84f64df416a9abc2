"""Taking turns: what may happen only once at a time, whichever processes ask for it.

On SQLite a transaction that writes is alone from its beginning. On PostgreSQL several write at once, which is good for
the outcomes of many senders and wrong for some other things; those wait here for each other, until their transaction
ends.
"""

from __future__ import annotations

from enum import IntEnum

from sqlalchemy import Connection, text

# "hoarline" in ASCII, and the numbers after it: PostgreSQL keeps advisory locks apart by database.
_FIRST = int.from_bytes(b"hoarline")


class Turn(IntEnum):
    """What waits for its like; the value is the number of the lock.

    LEAD is held by a whole connection. JUDGE: events become visible in the order of their numbers, so that whoever
    follows them misses none; and nobody owes a message that another one owes at the same moment. CLAIM: all claims
    together heed how much a destination may have in flight.
    """

    LEAD = _FIRST
    JUDGE = _FIRST + 1
    CLAIM = _FIRST + 2


def take_turn(connection: Connection, turn: Turn) -> None:
    """Wait until no other transaction has this turn; it ends with the transaction."""
    if connection.dialect.name == "postgresql":
        connection.execute(text(f"SELECT pg_advisory_xact_lock({turn.value})"))

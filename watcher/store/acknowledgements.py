"""What people took in hand: written by pages and commands, noticed by the next turn of the cycle."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, RowMapping, insert, select, text, update

from watcher.alerts.model import Acknowledgement, Episode
from watcher.store.episodes import read_episode
from watcher.store.model import Acknowledged
from watcher.store.tables import acknowledgement


def acknowledge(connection: Connection, episode_id: str, by: str, note: str, now: datetime) -> Acknowledged | None:
    """Take an open episode in hand; see `Store.acknowledge`."""
    _alone(connection)
    episode = read_episode(connection, episode_id)
    if episode is None or episode.opened_at is None or episode.ended_at is not None:
        return None
    standing = _standing(connection, episode)
    if standing is not None:
        return Acknowledged(standing, fresh=False)
    row = {"episode_id": episode_id, "by": by, "note": note, "at": now, "noticed": False}
    made = connection.execute(insert(acknowledgement).returning(*acknowledgement.c), row).mappings().one()
    return Acknowledged(_acknowledgement(made), fresh=True)


def unnoticed(connection: Connection) -> tuple[Acknowledgement, ...]:
    """Return what no turn of the cycle has seen yet, in its order."""
    query = select(acknowledgement).where(~acknowledgement.c.noticed).order_by(acknowledgement.c.number)
    return tuple(_acknowledgement(row) for row in connection.execute(query).mappings())


def notice(connection: Connection, last: int) -> None:
    """Note that a turn of the cycle has seen all up to a number."""
    numbers = acknowledgement.c.number <= last, ~acknowledgement.c.noticed
    connection.execute(update(acknowledgement).where(*numbers).values(noticed=True))


def _alone(connection: Connection) -> None:
    """Wait until nobody else takes anything in hand, so that one is first and the numbers come in their order.

    That is for PostgreSQL. On SQLite a transaction that writes is alone from its beginning.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text("LOCK TABLE acknowledgement IN SHARE ROW EXCLUSIVE MODE"))


def _standing(connection: Connection, episode: Episode) -> Acknowledgement | None:
    """Return who has the episode at its present level, also where the cycle has not heard of it yet."""
    query = (
        select(acknowledgement)
        .where(acknowledgement.c.episode_id == episode.id, ~acknowledgement.c.noticed)
        .order_by(acknowledgement.c.number)
        .limit(1)
    )
    row = connection.execute(query).mappings().first()
    if row is not None:
        return _acknowledgement(row)
    taken = episode.taken
    if taken is None or episode.level > taken.level:
        return None
    return Acknowledgement(0, episode.id, taken.by, taken.note, taken.at)


def _acknowledgement(row: RowMapping) -> Acknowledgement:
    return Acknowledgement(row["number"], row["episode_id"], row["by"], row["note"], row["at"])

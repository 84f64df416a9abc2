"""A database that is closed keeps no connection, whoever was using it at that moment."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import pytest
from sqlalchemy import Connection, text

from watcher.store.database import Database
from watcher.store.store import Store

Opened = Callable[[Database], Callable[[], AbstractContextManager[Connection]]]


@pytest.mark.parametrize("opened", [lambda database: database.read, lambda database: database.write])
def test_what_is_in_use_when_a_database_is_closed_is_closed_when_it_is_done(
    url: str, store: Store, opened: Opened
) -> None:
    database, drivers = Database(url), []
    with opened(database)() as connection:
        drivers.append(connection.connection.driver_connection)
        database.close()
        assert connection.execute(text("SELECT count(*) FROM event")).scalar() == 0, "it may finish what it began"
    assert all(is_closed(driver) for driver in drivers)


def test_what_is_used_after_the_end_leaves_nothing_open(url: str, store: Store) -> None:
    """A page that is being written when the service stops asks once more."""
    database = Database(url)
    database.close()
    with database.read() as connection:
        driver = connection.connection.driver_connection
        assert connection.execute(text("SELECT count(*) FROM event")).scalar() == 0
    assert is_closed(driver)


def is_closed(driver: Any) -> bool:
    """Ask the driver itself."""
    try:
        return bool(driver.closed)
    except AttributeError:
        with pytest.raises(Exception, match="closed database"):
            driver.execute("SELECT 1")
        return True

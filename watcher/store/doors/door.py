"""What all doors of the store open: its database."""

from __future__ import annotations

from watcher.store.database import Database


class Door:
    """A part of the store. Every method raises StoreError when the database refuses; nothing is half done then."""

    def __init__(self, database: Database) -> None:
        self._database = database

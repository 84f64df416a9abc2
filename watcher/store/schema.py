"""The schema's revision, and the way to this program's. The library for migrations is loaded only when one runs."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, inspect, text

from watcher.errors import SchemaError, StoreError
from watcher.store.database import Database
from watcher.store.model import SchemaState, SchemaStatus

# The last revision in `migrations/versions`.
REVISION = "0007"
_MIGRATIONS = Path(__file__).parent / "migrations"
_VERSION_TABLE = "alembic_version"


def status_of(database: Database) -> SchemaStatus:
    """Return how a database's schema stands to this program's. A file that is not there is empty, and stays so."""
    if database.file is not None and not database.file.exists():
        return SchemaStatus(SchemaState.EMPTY, None, REVISION)
    with database.read() as connection:
        return _status(connection)


def schema_status(url: str) -> SchemaStatus:
    """Return how the schema of the database at a URL stands; StoreError when it cannot be read."""
    database = Database(url)
    try:
        return status_of(database)
    finally:
        database.close()


def upgrade(url: str) -> tuple[SchemaStatus, SchemaStatus]:
    """Bring the database at a URL to this program's schema, in one transaction; return how it stood before and after.

    Raises
    ------
    SchemaError
        The database is of a newer program, or not of this one.
    StoreError
        It cannot be written.
    """
    database = Database(url)
    try:
        before = upgrade_database(database)
        return before, status_of(database)
    finally:
        database.close()


def upgrade_database(database: Database) -> SchemaStatus:
    """Upgrade, and return how the schema stood before. Where several begin at once, one does it, the others wait."""
    before = status_of(database)
    if before.state in {SchemaState.NEWER, SchemaState.FOREIGN}:
        raise SchemaError(_refusal(database, before))
    with database.write() as connection:
        if _status(connection).state is not SchemaState.CURRENT:
            _migrate(connection)
    return before


def make_ready(database: Database, *, create: bool) -> None:
    """Make the tables of a fresh SQLite file where `create` allows it; refuse any schema but this program's."""
    found = status_of(database)
    if found.state is SchemaState.CURRENT:
        return
    if found.state is SchemaState.EMPTY and database.is_sqlite:
        if not create:
            raise StoreError(f"{database.name}: there is no database yet; hoarline run makes it")
        upgrade_database(database)
        return
    raise SchemaError(_refusal(database, found))


def _refusal(database: Database, found: SchemaStatus) -> str:
    told = {
        SchemaState.EMPTY: "has no tables yet; make them with: hoarline db upgrade",
        SchemaState.OLDER: f"has schema {found.revision}, this program needs {found.needed}; stop the service, keep a "
        "copy, and run: hoarline db upgrade",
        SchemaState.NEWER: f"has schema {found.revision}, which this program (schema {found.needed}) does not know; "
        "install the newer program again",
        SchemaState.FOREIGN: "holds tables of another program; name another database in [store] url",
    }
    return f"{database.name}: {told[found.state]}"


def _status(connection: Connection) -> SchemaStatus:
    tables = set(inspect(connection).get_table_names())
    if not tables:
        return SchemaStatus(SchemaState.EMPTY, None, REVISION)
    if _VERSION_TABLE not in tables:
        return SchemaStatus(SchemaState.FOREIGN, None, REVISION)
    revision = connection.execute(text(f"SELECT version_num FROM {_VERSION_TABLE}")).scalar()  # noqa: S608
    if revision == REVISION:
        return SchemaStatus(SchemaState.CURRENT, revision, REVISION)
    state = SchemaState.OLDER if revision is None or revision in _known_revisions() else SchemaState.NEWER
    return SchemaStatus(state, revision, REVISION)


def _known_revisions() -> set[str]:
    from alembic.script import ScriptDirectory  # noqa: PLC0415

    return {script.revision for script in ScriptDirectory(str(_MIGRATIONS)).walk_revisions()}


def _migrate(connection: Connection) -> None:
    from alembic import command  # noqa: PLC0415
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")

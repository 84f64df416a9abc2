"""`hoarline db`: the schema of the database, the way to this program's, copies, and the way to another database."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption, print_json, settings_from

if TYPE_CHECKING:
    from watcher.store.model import SchemaStatus

app = typer.Typer(help="See, upgrade, save and move the database.", no_args_is_help=True)


@app.command()
def status(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Say which schema the database has and which one this program needs. Changes nothing."""
    from watcher.store.schema import schema_status

    found = schema_status(settings_from(config).text.store.url)
    if as_json:
        print_json(_as_json(found))
    else:
        typer.echo(_sentence(found))


@app.command()
def upgrade(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Bring the database to this program's schema. Stop the service and keep a copy first."""
    from watcher.store.schema import upgrade as upgrade_url

    before, after = upgrade_url(settings_from(config).text.store.url)
    if as_json:
        print_json({"before": _as_json(before), "after": _as_json(after)})
    elif before == after:
        typer.echo(_sentence(after))
    else:
        typer.echo(f"schema {before.revision or 'none'} is now {after.revision}")


@app.command()
def backup(
    file: Annotated[Path, typer.Argument(help="The file to make.", show_default=False)],
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write all that an SQLite database holds into a new file, while the service runs."""
    from watcher.store.backup import backup as save

    size = save(settings_from(config).text.store.url, file)
    if as_json:
        print_json({"file": str(file), "bytes": size})
    else:
        typer.echo(f"{file}: {size / 1e6:.1f} MB, whole and looked through; keep it as secret as the service's secrets")


@app.command()
def restore(
    file: Annotated[Path, typer.Argument(help="Made by: hoarline db backup.", show_default=False)],
    replace: Annotated[
        bool, typer.Option("--replace", help="Go on though there is a database; it is kept beside the new one.")
    ] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Bring back all that a backup of an SQLite database holds. Stop the service first."""
    from watcher.clock import utc_now
    from watcher.store.backup import restore as bring_back
    from watcher.store.schema import schema_status

    url = settings_from(config).text.store.url
    kept = bring_back(url, file, now=utc_now(), replace=replace)
    found = schema_status(url)
    if as_json:
        print_json({"from": str(file), "kept": str(kept) if kept is not None else None, **_as_json(found)})
        return
    if kept is not None:
        typer.echo(f"what was there before is in {kept}")
    typer.echo(f"restored from {file}: {_sentence(found)}")


@app.command()
def copy(
    from_url: Annotated[
        str, typer.Argument(help="Such as sqlite:////var/lib/hoarline/hoarline.db", show_default=False)
    ],
    to_url: Annotated[str, typer.Argument(help="Such as postgresql+psycopg://user@host/name", show_default=False)],
    force: Annotated[
        bool, typer.Option("--force", help="Copy though a service leads; what it writes meanwhile is not in the copy.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Copy everything from one database into an empty one, SQLite or PostgreSQL: all of it, or nothing.

    Passwords belong into ~/.pgpass, not into a URL on the command line, which every user of the machine can read.
    """
    from watcher.store.copying import copy_database

    counts = copy_database(from_url, to_url, force=force)
    if as_json:
        print_json({"rows": counts})
        return
    for table, rows in counts.items():
        if rows:
            typer.echo(f"{table:<20}{rows:>12,}")
    typer.echo(f"{sum(counts.values()):,} rows copied; name the new database in [store] url before the next start")


def _as_json(found: SchemaStatus) -> dict[str, object]:
    return {"state": found.state.value, "schema": found.revision, "needed": found.needed}


def _sentence(found: SchemaStatus) -> str:
    told = {
        "current": f"schema {found.revision}, as this program needs it",
        "empty": f"no tables yet; this program needs schema {found.needed}",
        "older": f"schema {found.revision}, this program needs {found.needed}; run: hoarline db upgrade",
        "newer": f"schema {found.revision} is of a newer program; this one needs {found.needed}",
        "foreign": "tables of another program; name another database in [store] url",
    }
    return told[found.state.value]

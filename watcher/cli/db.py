"""`hoarline db`: the schema of the database, and the way to this program's."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from watcher.cli.options import ConfigOption, JsonOption, print_json, settings_from

if TYPE_CHECKING:
    from watcher.store.model import SchemaStatus

app = typer.Typer(help="See and upgrade the database.", no_args_is_help=True)


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

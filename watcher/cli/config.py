"""`hoarline config`: the settings in force, each with where it came from, secrets masked."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from watcher.settings import Settings

app = typer.Typer(help="See the settings in force.", no_args_is_help=True)


@app.callback()
def _root() -> None:
    """See the settings in force."""


@app.command()
def show(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Show every setting, its value and whether it comes from the file, the environment or the default."""
    from watcher.cli.options import print_json, settings_from

    rows = list(_rows(settings_from(config)))
    if as_json:
        print_json([{"key": key, "value": value, "from": origin} for key, value, origin in rows])
        return
    for key, value, origin in rows:
        typer.echo(f"{key} = {value}    # {origin}")


def _rows(settings: Settings) -> Iterator[tuple[str, Any, str]]:
    from watcher.store.database import without_password

    values = settings.text.model_dump(mode="json", by_alias=True)
    # A password does not belong there, and may stand there all the same.
    values["store"]["url"] = without_password(settings.text.store.url)
    for section, content in values.items():
        if isinstance(content, dict):
            yield from _section(section, content, settings)
        elif isinstance(content, list):
            for index, item in enumerate(content):
                yield from _section(f"{section}[{index}]", item, settings)
    for name, secrets in settings.secrets.items():
        yield f"secret of {name}", "***", f"{len(secrets)} secret file(s)"


def _section(name: str, content: dict[str, Any], settings: Settings) -> Iterator[tuple[str, Any, str]]:
    for key, value in content.items():
        yield f"{name}.{key}", value, settings.provenance.get(f"{name}.{key}", "default")

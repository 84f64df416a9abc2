"""`hoarline health`: asks the service that runs on this machine; for people, timers and containers without a shell."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from watcher.cli.probing import Probed


def health(
    alive: Annotated[
        bool, typer.Option("--alive", help="Whether the process does its rounds, and nothing else.")
    ] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say whether the service on this machine lives and does its job; exit 1 when not."""
    from watcher.cli.options import print_json, settings_from
    from watcher.cli.probing import probe

    found = probe(settings_from(config).text.health.bind, alive_only=alive)
    if as_json:
        print_json({"alive": found.alive, "ready": found.ready, "problems": list(found.problems)})
    else:
        for line in _lines(found):
            typer.echo(line)
    if found.problems:
        raise typer.Exit(1)


def _lines(found: Probed) -> list[str]:
    life = "alive" if found.alive else "not alive"
    duty = {None: "", True: ", and does its job", False: ", but does not do its job"}[found.ready]
    return [life + duty, *(f"  {problem}" for problem in found.problems)]

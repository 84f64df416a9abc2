"""`hoarline links`: the key that signs the links in messages, feeds and on phones."""

from __future__ import annotations

from typing import Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption

app = typer.Typer(help="Renew the key that signs links.", no_args_is_help=True)

_DIES = (
    "links to take in hand and to stop in messages already sent, questions to owners that are not answered yet, "
    "addresses of feeds and calendars, and the pages of treated aircraft on crews' phones"
)


@app.command()
def renew(
    yes: Annotated[bool, typer.Option("--yes", help="Do it; without this it only says what would be dead.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Sign links with a new key: all links made before are dead at once. For when one fell into wrong hands."""
    from watcher.cli.managing import opened
    from watcher.cli.options import print_json
    from watcher.errors import Problem, UsageError

    if not yes:
        raise UsageError([Problem("links renew", f"these would be dead: {_DIES}", "say --yes to renew the key")])
    with opened(config) as desk:
        desk.store.renew_link_key()
        live = [item.id for item in desk.store.protections(live_only=True)]
        asked = [item.name for item in desk.management.directory().destinations.values() if not item.confirmed]
    if as_json:
        print_json({"renewed": True, "protections": live, "unconfirmed": asked})
        return
    typer.echo("The key is renewed. Running services use it within seconds. Dead are:")
    typer.echo(f"  {_DIES}.")
    for name in live:
        typer.echo(f"Give its crew the new page: hoarline protect status {name}")
    for name in asked:
        typer.echo(f"Ask its owner again: hoarline destination confirm {name}")
    typer.echo("People copy the new addresses of feeds and calendars from the station's page.")

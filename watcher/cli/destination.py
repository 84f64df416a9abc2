"""`hoarline destination`: where messages go, and whether they arrive there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from watcher.settings import Settings

app = typer.Typer(help="See and test where messages go.", no_args_is_help=True)


@app.command("list")
def list_destinations(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the destinations of the settings, and those that a receiver has switched off."""
    from watcher.cli.options import print_json, settings_from
    from watcher.store.store import Store

    settings = settings_from(config)
    store = Store.open(settings.text.store.url)
    try:
        disabled = store.disabled_destinations()
    finally:
        store.close()
    rows = [
        {
            "name": item.name,
            "kind": item.kind,
            "to": item.address or item.url,
            "disabled": disabled[item.name].reason if item.name in disabled else None,
        }
        for item in settings.text.destination
    ]
    if as_json:
        print_json(rows)
        return
    for row in rows:
        state = f"  switched off: {row['disabled']}" if row["disabled"] else ""
        typer.echo(f"{row['name']}  {row['kind']}  {row['to']}{state}")


@app.command("test")
def send_test(
    name: Annotated[str, typer.Argument(help="Name of the destination.")],
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Send one message that is marked as a test, now, and say whether it was taken."""
    import asyncio

    from watcher.cli.options import print_json, settings_from
    from watcher.errors import Problem, UsageError, nearest

    settings = settings_from(config)
    names = [item.name for item in settings.text.destination]
    if name not in names:
        remedy = nearest(name, names) if names else "there is none"
        raise UsageError([Problem(f'destination "{name}"', "is not known", remedy)])
    refused = asyncio.run(_send_test(settings, name))
    if as_json:
        print_json({"destination": name, "taken": refused is None, "error": refused})
    elif refused is None:
        typer.echo(f"{name} took the test message.")
    else:
        typer.echo(f"{name} did not take it: {refused}", err=True)
    if refused is not None:
        raise typer.Exit(1)


@app.command()
def enable(
    name: Annotated[str, typer.Argument(help="Name of the destination.")],
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Send to a destination again that a receiver had switched off by answering 410."""
    from watcher.cli.options import print_json, settings_from
    from watcher.store.store import Store

    store = Store.open(settings_from(config).text.store.url)
    try:
        was = store.disabled_destinations().get(name)
        store.enable_destination(name)
    finally:
        store.close()
    if as_json:
        print_json({"destination": name, "was_disabled": was is not None})
    else:
        typer.echo(f"{name} is on again." if was is not None else f"{name} was not switched off.")


async def _send_test(settings: Settings, name: str) -> str | None:
    """Return None when the message was taken, else why not."""
    from secrets import token_hex

    from watcher.clock import utc_now
    from watcher.errors import DeliveryError
    from watcher.net import Guard, HttpClients
    from watcher.notify.message import test_message
    from watcher.service.parts import build_channels

    text = settings.text
    async with HttpClients(Guard(text.network.allow_private), contact=text.service.contact) as http:
        channels = build_channels(settings, http)
        now = utc_now()
        try:
            await channels.by_name[name].send(test_message(name, now), f"msg_test_{token_hex(8)}", f"test-{name}", now)
        except DeliveryError as error:
            return str(error)
        finally:
            await channels.aclose()
    return None

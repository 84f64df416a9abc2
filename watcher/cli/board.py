"""`hoarline board export`: the board as one file for the handover of a shift."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from datetime import datetime

    from watcher.alerts.model import StationView
    from watcher.settings import Settings
    from watcher.web.board_export import Handover

app = typer.Typer(help="The board outside of the browser.", no_args_is_help=True)


@app.command()
def export(
    file: Annotated[Path, typer.Argument(help="Where to write it, such as handover.html; - for standard output.")],
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the board as one file: stations, timebands, open alerts and who has them, with room for remarks.

    From the store of the running service. The file needs no network, runs no script and prints.
    """
    from watcher.cli.options import print_json
    from watcher.cli.picture_files import goes_to_output, write_picture
    from watcher.errors import Problem, UsageError
    from watcher.web.board_export import as_contract

    if as_json and goes_to_output(file):
        raise UsageError([Problem("--json", "does not go with -", "name a file, or leave --json out")])
    made = _made(config)
    write_picture(file, made.page.encode())
    if as_json:
        print_json(as_contract(made, str(file)))
    elif not goes_to_output(file):
        for said in made.head.stale:
            typer.echo(f"hoarline: {said}", err=True)
        typer.echo(f"{file}: {made.head.stations} stations, {len(made.alerts)} open alerts")


def _made(config: Path | None) -> Handover:
    from watcher.cli.options import settings_from
    from watcher.clock import utc_now
    from watcher.service.watched import build_watch
    from watcher.store.store import Store
    from watcher.web.board_export import handover

    settings, now = settings_from(config), utc_now()
    watch = build_watch(settings)
    store = Store.open(settings.text.store.url, create=False)
    try:
        known = watch.codes if watch.codes is not None else store.station_codes()
        views = store.load([watch.stations.get(code) for code in sorted(known)], now=now)
        return handover(_with_nights(views, settings, now), store, watch.policy, now)
    finally:
        store.close()


def _with_nights(views: dict[str, StationView], settings: Settings, now: datetime) -> list[StationView]:
    """Return the views with the frost forecasts, which the store does not keep."""
    from dataclasses import replace

    from watcher.service.nights import due_nights
    from watcher.service.watched import night_policy

    policy = night_policy(settings)
    asked = due_nights(views, policy, now) if policy.members else []
    if not asked:
        return list(views.values())
    from watcher.outlook.night.ensemble import nights

    found = {night.station: night for night in nights(asked, members=policy.members)}
    return [replace(view, night=found.get(code)) for code, view in views.items()]

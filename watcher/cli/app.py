"""The command `hoarline`: its sub-commands, and how failure is told (2: wrong use, 1: failure)."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from watcher import __version__
from watcher.cli.board import app as board_app
from watcher.cli.check import check
from watcher.cli.config import app as config_app
from watcher.cli.db import app as db_app
from watcher.cli.decode import decode
from watcher.cli.demo import demo
from watcher.cli.depart import depart
from watcher.cli.destination import app as destination_app
from watcher.cli.episode import app as episode_app
from watcher.cli.health import health
from watcher.cli.holdover import holdover
from watcher.cli.links import app as links_app
from watcher.cli.morning import morning
from watcher.cli.night import night
from watcher.cli.now import now
from watcher.cli.procedure import procedure
from watcher.cli.protect import app as protect_app
from watcher.cli.replay import replay
from watcher.cli.rules import app as rules_app
from watcher.cli.run import run
from watcher.cli.status import status
from watcher.cli.subscription import app as subscription_app
from watcher.cli.token import app as token_app
from watcher.errors import HoarlineError, InputError

_EPILOG = (
    "Planning aid. The commander's check of the aircraft, the operator's approved programme and this season's "
    "official tables decide."
)

app = typer.Typer(
    name="hoarline",
    help="Watches public aviation weather reports and tells who must treat aircraft for ice, where and when.",
    epilog=_EPILOG,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for command in (demo, run, check, health, status, decode, now, night, holdover, procedure, depart, morning, replay):
    app.command(epilog=_EPILOG)(command)
app.add_typer(board_app, name="board")
app.add_typer(protect_app, name="protect")
app.add_typer(rules_app, name="rules")
app.add_typer(subscription_app, name="subscription")
app.add_typer(destination_app, name="destination")
app.add_typer(episode_app, name="episode")
app.add_typer(token_app, name="token")
app.add_typer(links_app, name="links")
app.add_typer(db_app, name="db")
app.add_typer(config_app, name="config")


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"hoarline {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    _version: Annotated[
        bool, typer.Option("--version", help="Print the version and stop.", callback=_print_version, is_eager=True)
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run the command line; problems are told in plain sentences, never as a traceback."""
    try:
        app()
    except InputError as error:
        for problem in error.problems:
            typer.echo(f"hoarline: {problem}", err=True)
        sys.exit(2)
    except HoarlineError as error:
        typer.echo(f"hoarline: {error}", err=True)
        sys.exit(1)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(1)

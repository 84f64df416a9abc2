"""`hoarline now`: one look at stations, or at reports given by hand, with every reason."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption, RulesOption

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from watcher.alerts.model import StationView
    from watcher.rulebook.model import Rulebook
    from watcher.service.look import Look


def now(  # noqa: PLR0917 - options of a command
    stations: Annotated[list[str] | None, typer.Argument(help="Station codes.", show_default=False)] = None,
    report: Annotated[str | None, typer.Option(help="A METAR or SPECI given by hand.", show_default=False)] = None,
    taf: Annotated[str | None, typer.Option(help="A TAF given by hand.", show_default=False)] = None,
    position: Annotated[
        str | None, typer.Option(help="Place of the station by hand: 60.20,11.10,210.", show_default=False)
    ] = None,
    config: ConfigOption = None,
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show the latest reports, what they mean by the rules, and why.

    With station codes, from the store of the running service; with --report or --taf, of those texts alone.
    """
    from watcher.cli.marks import shown
    from watcher.cli.now_text import text_of
    from watcher.cli.options import print_json
    from watcher.service.look import as_contract

    looks = _by_hand(report, taf, position, rules) if report or taf else _from_store(stations or [], config, rules)
    for seen in looks:
        if as_json:
            print_json(as_contract(seen))
        else:
            typer.echo(shown(text_of(seen)))


def _by_hand(report: str | None, taf: str | None, position: str | None, rules: Path | None) -> list[Look]:
    from watcher.cli.hand import hand_now, hand_view
    from watcher.clock import utc_now
    from watcher.service.rules_folder import load_rulebook

    present = utc_now()
    view = hand_view(report, taf, position, present)
    return [_look(view, load_rulebook(rules), hand_now(report, taf, present))]


def _from_store(codes: list[str], config: Path | None, rules: Path | None) -> list[Look]:
    from watcher.cli.stored import stored
    from watcher.clock import utc_now
    from watcher.errors import Problem, UsageError
    from watcher.service.look import with_habits, with_unreadable
    from watcher.service.rules_folder import load_rulebook

    if not codes:
        raise UsageError([Problem("hoarline now", "names no station", "give station codes, or --report")])
    present = utc_now()
    found = stored(codes, config, present)
    folder = found.settings.text.rules.folder
    book = load_rulebook(rules or (found.settings.path(folder) if folder is not None else None))
    looks = ((view, with_unreadable(_look(view, book, present), found.unreadable)) for view in found.views)
    return [with_habits(seen, view, found.policy) for view, seen in looks]


def _look(view: StationView, book: Rulebook, present: datetime) -> Look:
    from watcher.service.look import look

    return look(view, rulebook=book, now=present)

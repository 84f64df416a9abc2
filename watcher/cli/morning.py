"""`hoarline morning`: a file of departures, who needs treatment, where, in which order, and when to call."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.depart import MembersOption, OperationsOption, TrainingOption, departures_in, stations_of, view_of
from watcher.cli.options import ConfigOption, JsonOption, RulesOption

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

    from watcher.outlook.night.model import NightQuestion
    from watcher.treatment.listed import Morning
    from watcher.treatment.profiles import Operations


def _columns(wanted: bool) -> None:
    if not wanted:
        return
    from watcher.treatment.parse_departures import COLUMNS, NEEDED

    for name, (others, meaning) in COLUMNS.items():
        also = f" (also {', '.join(others)})" if others else ""
        typer.echo(f"{name:<14}{'needed: ' if name in NEEDED else ''}{meaning}{also}")
    raise typer.Exit


def morning(  # noqa: PLR0917 - options of a command
    departures: Annotated[
        Path,
        typer.Argument(help="CSV: flight, aircraft, off_block (0540Z or 06:40 local), and more.", show_default=False),
    ],
    station: Annotated[str | None, typer.Option(help="Station of the rows that name none.", show_default=False)] = None,
    report: Annotated[str | None, typer.Option(help="A METAR or SPECI given by hand.", show_default=False)] = None,
    taf: Annotated[str | None, typer.Option(help="A TAF given by hand.", show_default=False)] = None,
    position: Annotated[
        str | None, typer.Option(help="Place of the station by hand: 60.20,11.10,210.", show_default=False)
    ] = None,
    operations: OperationsOption = None,
    training: TrainingOption = False,
    members: MembersOption = 200,
    config: ConfigOption = None,
    rules: RulesOption = None,
    _listed: Annotated[
        bool,
        typer.Option("--columns", help="Say what each column means, and stop.", is_eager=True, callback=_columns),
    ] = False,
    html: Annotated[Path | None, typer.Option("--html", help="Write a page for paper.", show_default=False)] = None,
    mail: Annotated[
        list[str] | None,
        typer.Option("--mail", help="Mailbox to send the list to, by the name of its destination; several times."),
    ] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print CSV instead of text for people.")] = False,
    as_json: JsonOption = False,
) -> None:
    """List the departures of a file: who needs treatment, what lies on them, where, in which order, when to call.

    Needed columns: flight, aircraft, off_block. Others: station, tsat, ctot, place, fluid, runway, contamination,
    arrived, hangar_exit, fuel_c, and report (inspected clean 0410Z, treated 0500Z, hangared, cancelled).

    Times are 0540Z, 06:40 local, 06:40 Europe/Oslo or 2026-01-12T05:40Z.
    """
    from watcher.cli.marks import shown
    from watcher.cli.options import print_json
    from watcher.cli.tables import own_folder
    from watcher.notify.message import CAUTION
    from watcher.treatment.morning_contract import as_contract
    from watcher.treatment.morning_contract import as_csv as csv_of

    folder = own_folder(rules, config)
    send = _sending(mail, config) if mail else None
    made = _made(
        departures,
        station,
        (report, taf, position),
        stations_of(operations, folder),
        folder,
        config,
        members,
        training=training,
    )
    if html is not None:
        _write_page(made, html)
    if as_json:
        print_json(as_contract(made, CAUTION))
    elif as_csv:
        typer.echo(csv_of(made), nl=False)
    elif html is None and send is None:
        from watcher.cli.morning_text import text_of

        typer.echo(shown(text_of(made)))
    if send is not None:
        send(made)


def _sending(names: list[str], config: Path | None) -> Callable[[Morning], None]:
    """Return what mails a list; UsageError, before anything is computed, where a name is no open mailbox."""
    import asyncio

    from watcher.cli.morning_page import page_of
    from watcher.cli.morning_text import text_of
    from watcher.cli.options import settings_from
    from watcher.clock import utc_now
    from watcher.service.directory import read_directory
    from watcher.service.sheets import Sheet, mailboxes, send_sheet
    from watcher.store.store import Store
    from watcher.treatment.morning_words import headline

    settings = settings_from(config)
    store = Store.open(settings.text.store.url)
    try:
        boxes = mailboxes(read_directory(settings, store.people()), names)
    finally:
        store.close()

    def send(made: Morning) -> None:
        sheet = Sheet(headline(made), text_of(made), page_of(made))
        refused = asyncio.run(send_sheet(settings, boxes, sheet, utc_now()))
        for name, why in refused.items():
            typer.echo(f"{name} took the list." if why is None else f"{name} did not take it: {why}", err=True)
        if any(why is not None for why in refused.values()):
            raise typer.Exit(1)

    return send


def _made(  # noqa: PLR0917 - the options as they come
    path: Path,
    station: str | None,
    by_hand: tuple[str | None, str | None, str | None],
    stations: Mapping[str, Operations],
    folder: Path | None,
    config: Path | None,
    members: int,
    *,
    training: bool,
) -> Morning:
    from watcher.service.planning import load_treatments, plan_morning

    report, taf, position = by_hand
    now, known = _present(report, taf, position, config)
    only = station or (next(iter(known)) if known else None)
    listed = departures_in(path, stations, now, only)
    codes = {each.departure.station for each in listed}
    weather = _weather(codes, known, config, now)
    treatments = load_treatments(folder, operations=stations)
    return plan_morning(listed, weather, treatments, now, members=members, training=training)


def _present(
    report: str | None, taf: str | None, position: str | None, config: Path | None
) -> tuple[datetime, dict[str, NightQuestion]]:
    """Return the present, and what is known by hand."""
    from watcher.alerts.latest import question_of
    from watcher.clock import utc_now
    from watcher.errors import Problem, UsageError

    if not report and not taf:
        if position is not None:
            raise UsageError([Problem("--position", "goes with --report or --taf", "or write [[station]] settings")])
        return utc_now(), {}
    now, view = view_of(None, report, taf, position, config)
    return now, {view.station.code: question_of(view, now, now)}


def _weather(
    codes: set[str], known: dict[str, NightQuestion], config: Path | None, now: datetime
) -> dict[str, NightQuestion]:
    from watcher.alerts.latest import question_of
    from watcher.cli.stored import stored
    from watcher.errors import Problem, UsageError

    if known:
        others = sorted(codes - known.keys())
        if others:
            what = f"are of {', '.join(known)}, and there are departures of {', '.join(others)}"
            raise UsageError([Problem("the texts by hand", what, "leave them out, or those departures")])
        return known
    views = stored(sorted(codes), config, now).views
    return {view.station.code: question_of(view, now, now) for view in views}


def _write_page(made: Morning, path: Path) -> None:
    from watcher.cli.morning_page import page_of
    from watcher.errors import Problem, UsageError

    try:
        path.write_text(page_of(made), encoding="utf-8")
    except OSError as error:
        raise UsageError([Problem(str(path), f"cannot be written: {error.strerror}")]) from error
    typer.echo(f"Written: {path}", err=True)

"""`hoarline depart`: the plan of one departure's treatment, at each place beside one another."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from watcher.cli.options import ConfigOption, JsonOption, RulesOption

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from watcher.alerts.model import StationView
    from watcher.treatment.parse_departures import Listed
    from watcher.treatment.profiles import Operations

Word = TypeVar("Word", bound=StrEnum)
OperationsOption = Annotated[
    Path | None,
    typer.Option("--operations", help="Operations file. Left out: that of the rules folder.", show_default=False),
]
TrainingOption = Annotated[
    bool, typer.Option("--training", help="Give minutes and verdicts of old tables, marked as such.")
]
MembersOption = Annotated[int, typer.Option(min=20, max=2000, help="Size of the ensemble.")]


def depart(  # noqa: PLR0917 - one option for each thing that may be known
    station: Annotated[
        str | None, typer.Argument(help="Station code; left out with --report or --taf.", show_default=False)
    ] = None,
    aircraft: Annotated[str, typer.Option(help="Aircraft profile.")] = "",
    off_block: Annotated[str, typer.Option(help="Off-block time (TOBT): 0540Z, 2026-01-12T05:40Z or 2h.")] = "",
    flight: Annotated[str, typer.Option(help="What the departure is called.")] = "departure",
    tsat: Annotated[str | None, typer.Option(help="Start-up approval: 0545Z.", show_default=False)] = None,
    ctot: Annotated[str | None, typer.Option(help="Slot time: 0605Z.", show_default=False)] = None,
    place: Annotated[
        str | None, typer.Option(help="Only this place: stand, after-push or pad.", show_default=False)
    ] = None,
    fluid: Annotated[str | None, typer.Option(help='Only this fluid: "Type IV 100/0".', show_default=False)] = None,
    runway: Annotated[str | None, typer.Option(help="Runway: 19.", show_default=False)] = None,
    contamination: Annotated[
        str | None, typer.Option(help="What lies on it, as seen: frost, snow, ice, deep-snow.", show_default=False)
    ] = None,
    fuel_c: Annotated[
        float | None,
        typer.Option(min=-60, max=60, help="Temperature of the fuel in the wings, °C.", show_default=False),
    ] = None,
    arrived: Annotated[
        str | None, typer.Option(help="Since when it stands outside: 2130Z.", show_default=False)
    ] = None,
    others: Annotated[
        Path | None, typer.Option("--others", help="CSV of departures that may stand in the way.", show_default=False)
    ] = None,
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
    as_json: JsonOption = False,
) -> None:
    """Plan the treatment of one departure: where, with what, when to call, and whether it is protected at take-off.

    With a station code, from the store of the running service; with --report or --taf, of those texts alone.
    """
    from watcher.cli.depart_text import text_of
    from watcher.cli.marks import shown
    from watcher.cli.options import print_json
    from watcher.cli.tables import own_folder
    from watcher.moments import time_about
    from watcher.notify.message import CAUTION
    from watcher.outlook.night.model import Aircraft
    from watcher.service.planning import load_treatments, operations_at, plan_departure
    from watcher.treatment.departures import Departure
    from watcher.treatment.kinds import Contamination, Place
    from watcher.treatment.plan_contract import as_contract

    now, view = view_of(station, report, taf, position, config)
    folder = own_folder(rules, config)
    treatments = load_treatments(folder, operations=stations_of(operations, folder))
    field = operations_at(treatments.operations, view.station.code)
    treatments.fleet.profile(aircraft, "--aircraft")
    at = _time("--off-block", off_block, now)
    departure = Departure(
        name=flight,
        station=view.station.code,
        aircraft=aircraft,
        tobt=at,
        tsat=_beside("--tsat", tsat, now, at),
        ctot=_beside("--ctot", ctot, now, at),
        place=_word("--place", place, Place),
        fluid=fluid,
        runway=runway,
        contamination=_word("--contamination", contamination, Contamination),
        parked=Aircraft(
            fuel_c=fuel_c, arrived_at=None if arrived is None else time_about("--arrived", arrived, now, at)
        ),
    )
    made = plan_departure(
        departure,
        view,
        treatments,
        now,
        members=members,
        training=training,
        others=() if others is None else departures_in(others, {field.station: field}, now, field.station),
    )
    if as_json:
        print_json(as_contract(made, CAUTION))
        return
    texts = [each.decoded.raw for each in (view.latest, view.forecast) if each is not None]
    typer.echo(shown(text_of(made, field.zone, texts)))


def stations_of(path: Path | None, folder: Path | None) -> Mapping[str, Operations]:
    """Return the operations by station: of a file, else of the rules folder; RulesError says what is wrong in it."""
    from watcher.errors import Problem, RulesError
    from watcher.service.treatment_files import load_operations
    from watcher.treatment.parse_operations import parse_operations

    if path is None:
        return load_operations(folder)
    try:
        return parse_operations(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise RulesError([Problem(str(path), f"cannot be read: {error}")]) from error


def departures_in(
    path: Path, stations: Mapping[str, Operations], now: datetime, station: str | None
) -> tuple[Listed, ...]:
    """Return the departures of a file; UsageError says all that is wrong with it."""
    from watcher.errors import Problem, UsageError
    from watcher.treatment.parse_departures import parse_departures

    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError([Problem(str(path), f"cannot be read: {error}")]) from error
    zones = {code: each.zone for code, each in stations.items()}
    return parse_departures(text, str(path), now=now, zones=zones, station=station)


def view_of(
    code: str | None, report: str | None, taf: str | None, position: str | None, config: Path | None
) -> tuple[datetime, StationView]:
    """Return the present and what is known of a station: of texts by hand, else of the store."""
    from dataclasses import replace

    from watcher.cli.hand import hand_now, hand_view, placed
    from watcher.cli.stored import stored
    from watcher.clock import utc_now
    from watcher.errors import Problem, UsageError

    if report or taf:
        now = hand_now(report, taf, utc_now())
        view = hand_view(report, taf, position, now)
        if code is not None and code.upper() != view.station.code:
            what = f"the texts by hand are of {view.station.code}, not of {code.upper()}"
            raise UsageError([Problem("station", what, "leave the station code out")])
        return now, view
    if code is None:
        raise UsageError([Problem("station", "is not given", "give a station code, or --report")])
    now = utc_now()
    view = stored([code], config, now).views[0]
    return now, replace(view, station=placed(view.station, position))


def _time(option: str, text: str, now: datetime) -> datetime:
    from watcher.errors import Problem, UsageError
    from watcher.moments import time_ahead

    if not text:
        raise UsageError([Problem(option, "is not given", "write 0540Z, 2026-01-12T05:40Z or 2h")])
    return time_ahead(option, text, now)


def _beside(option: str, text: str | None, now: datetime, off_block: datetime) -> datetime | None:
    """Return the time nearest to off-block: one that is just past must not be taken for tomorrow's."""
    from datetime import timedelta

    from watcher.moments import time_ahead

    if text is None:
        return None
    found = time_ahead(option, text, now)
    return found - timedelta(days=1) if found - off_block > timedelta(hours=12) else found


def _word(option: str, text: str | None, kind: type[Word]) -> Word | None:
    from watcher.errors import Problem, UsageError, nearest

    if text is None:
        return None
    if text not in list(kind):
        raise UsageError([Problem(option, f'"{text}" is not known', nearest(text, kind))])
    return kind(text)

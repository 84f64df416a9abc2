"""`hoarline protect`: the clocks of treated aircraft, kept in the store of the running service."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption, RulesOption

if TYPE_CHECKING:
    from datetime import datetime

    from watcher.links import LinkMaker
    from watcher.service.protections import Protections, Reading
    from watcher.treatment.procedures import Item
    from watcher.treatment.tables import Tables

app = typer.Typer(
    help="Clocks of treated aircraft: how long a treatment protects, by the worst weather since it began.",
    no_args_is_help=True,
)

NameArgument = Annotated[str, typer.Argument(metavar="ID", help="Name of the protection, such as XNOR-P3.")]


@app.command()
def start(  # noqa: PLR0917 - options of a command
    station: Annotated[str, typer.Argument(help="Code of the station.")],
    aircraft: Annotated[str, typer.Option(help="What you call the aircraft.")],
    fluid: Annotated[str, typer.Option(help='Fluid of the final application: "Type IV".')],
    started: Annotated[str, typer.Option(help="Start of the final application: 0512Z.")],
    mix: Annotated[str | None, typer.Option(help="Fluid and water: 100/0. Not for Type I.", show_default=False)] = None,
    ended: Annotated[
        str | None, typer.Option(help="End of the treatment, from which bleed waits run: 0518Z.", show_default=False)
    ] = None,
    place: Annotated[str | None, typer.Option(help="stand, after-push or pad.", show_default=False)] = None,
    profile: Annotated[
        str | None, typer.Option(help="Aircraft profile: its waits, wing and flaps.", show_default=False)
    ] = None,
    surface: Annotated[
        str | None,
        typer.Option(help="aluminium, composite or unknown. Left out: as the profile has it.", show_default=False),
    ] = None,
    flaps_set: Annotated[
        bool, typer.Option("--flaps-set", help="Flaps or slats set before or during the treatment.")
    ] = False,
    lout: Annotated[
        float | None,
        typer.Option(
            help="Lowest temperature at which this fluid may be used, °C. Left out: not checked.", show_default=False
        ),
    ] = None,
    cold_soaked: Annotated[
        bool | None,
        typer.Option(
            "--cold-soaked/--not-cold-soaked", help="Wing colder than the air. Left out: may be.", show_default=False
        ),
    ] = None,
    authority: Annotated[
        str | None, typer.Option(help="Whose tables and rules. Left out: the strictest of all.", show_default=False)
    ] = None,
    training: Annotated[bool, typer.Option("--training", help="Give minutes of old tables, marked as such.")] = False,
    config: ConfigOption = None,
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Begin the clocks of a treated aircraft.

    The holdover time runs from the start of the final application. Whoever follows the station is told at once when it
    becomes shorter or is lost, while hoarline run is running.
    """
    from watcher.service.planning import load_treatments
    from watcher.service.protection_asking import Asked, wanted

    with _desk(config, rules) as desk:
        asked = Asked(
            station=station,
            aircraft=aircraft,
            fluid=fluid,
            started=started,
            mix=mix,
            ended=ended,
            place=place,
            profile=profile,
            surface=surface,
            lout=f"{lout:g}" if lout is not None else None,
            authority=authority,
            flaps_set=flaps_set,
            cold_soaked=cold_soaked,
            training=training,
        )
        treatments = load_treatments(desk.folder, tables=desk.tables)
        begun = wanted(asked, treatments, desk.now, lambda name: f"--{name.replace('_', '-')}")
        _print(desk, [desk.protections.start(begun, desk.now)], as_json=as_json, single=True)


@app.command()
def treated(
    name: NameArgument,
    ended: Annotated[str, typer.Option(help="End of the treatment: 0518Z.")],
    config: ConfigOption = None,
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Enter the end of the treatment: the waits for bleed air run from there."""
    from watcher.moments import time_before
    from watcher.treatment.protection import with_end_of_treatment

    with _desk(config, rules) as desk:
        at = time_before("--ended", ended, desk.now)
        reading = desk.protections.change(name, lambda found: with_end_of_treatment(found, at), desk.now)
        _print(desk, [reading], as_json=as_json, single=True)


@app.command()
def see(  # noqa: PLR0917 - options of a command
    name: NameArgument,
    weather: Annotated[
        str | None, typer.Option(help='What you see falling: "+SN", "FZRA".', show_default=False)
    ] = None,
    visibility: Annotated[
        str | None, typer.Option(help="How far you see: 800 (metres), 1/2SM.", show_default=False)
    ] = None,
    frost: Annotated[bool, typer.Option("--frost", help="Frost forms on the aircraft.")] = False,
    config: ConfigOption = None,
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Enter what the crew sees or hears. It only ever shortens a clock.

    What is left out counts as the latest report has it; only the visibility in snow that it does not report must be
    entered before there are minutes.
    """
    from watcher.errors import Problem, UsageError
    from watcher.treatment.parse_asked import visibility_of, weather_of
    from watcher.treatment.protection import with_entry
    from watcher.treatment.protection_weather import Entered

    groups = weather_of(weather, "--weather") if weather is not None else None
    metres, bound = visibility_of(visibility, "--visibility") if visibility is not None else (None, None)
    if not groups and metres is None and not frost:
        remedy = "give --weather, --visibility or --frost; better weather is not entered, it lengthens nothing"
        raise UsageError([Problem("hoarline protect see", "has nothing to enter", remedy)])
    with _desk(config, rules) as desk:
        seen = Entered(desk.now, groups or None, 0.0 if bound == "below" else metres, frost)
        reading = desk.protections.change(name, lambda found: with_entry(found, seen), desk.now)
        _print(desk, [reading], as_json=as_json, single=True)


@app.command()
def status(
    name: Annotated[
        str | None, typer.Argument(metavar="[ID]", help="Name of the protection. Left out: all.", show_default=False)
    ] = None,
    everything: Annotated[bool, typer.Option("--all", help="Those that have ended, too.")] = False,
    config: ConfigOption = None,
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say how many minutes are left, when the bleed waits end and what comes next: the lost and the shortest first."""
    with _desk(config, rules) as desk:
        if name is not None:
            _print(desk, [desk.protections.read(name, desk.now)], as_json=as_json, single=True)
            return
        found = desk.protections.all(desk.now, live_only=not everything)
        _print(desk, list(found), as_json=as_json, single=False)


@app.command()
def end(
    name: NameArgument,
    took_off: Annotated[
        bool | None, typer.Option("--took-off/--returned", help="How it ended.", show_default=False)
    ] = None,
    config: ConfigOption = None,
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """End the clocks: the aircraft took off, or returned. Nobody is told."""
    from watcher.errors import Problem, UsageError
    from watcher.treatment.protection import Ending, ended

    if took_off is None:
        raise UsageError([Problem("hoarline protect end", "does not say how", "give --took-off or --returned")])
    ending = Ending.TOOK_OFF if took_off else Ending.RETURNED
    with _desk(config, rules) as desk:
        reading = desk.protections.change(name, lambda found: ended(found, ending, desk.now), desk.now)
        _print(desk, [reading], as_json=as_json, single=True)


@dataclass(frozen=True, slots=True)
class _Desk:
    """What the commands work with."""

    protections: Protections
    tables: Tables
    folder: Path | None
    now: datetime
    links: LinkMaker | None


@contextmanager
def _desk(config: Path | None, rules: Path | None) -> Iterator[_Desk]:
    from watcher.cli.options import settings_from
    from watcher.clock import utc_now
    from watcher.links import LinkMaker
    from watcher.service.protections import Protections
    from watcher.service.tables_folder import load_tables
    from watcher.stations import StationTable
    from watcher.store.store import Store

    settings = settings_from(config)
    own = settings.text.rules.folder
    folder = rules if rules is not None else settings.path(own) if own is not None else None
    tables = load_tables(folder)
    stations = StationTable.load(settings.station_overrides())
    store = Store.open(settings.text.store.url)
    public_url = settings.text.service.public_url
    links = LinkMaker(public_url, store.link_key()) if public_url is not None else None
    try:
        yield _Desk(Protections(store, stations.get, tables, settings.policy()), tables, folder, utc_now(), links)
    finally:
        store.close()


def _print(desk: _Desk, readings: list[Reading], *, as_json: bool, single: bool) -> None:
    from watcher.cli import protect_text
    from watcher.cli.options import print_json
    from watcher.service.protection_contract import as_contract

    links = [_link(desk, each) for each in readings]
    if as_json:
        rows = [
            as_contract(each, _step(each, desk.folder)) | {"link": link}
            for each, link in zip(readings, links, strict=True)
        ]
        print_json(rows[0] if single else rows)
        return
    texts = [
        protect_text.text_of(each, _step(each, desk.folder), link if single else None)
        for each, link in zip(readings, links, strict=True)
    ]
    typer.echo("\n\n".join(texts) or "No aircraft.")


def _link(desk: _Desk, reading: Reading) -> str | None:
    """Return the page for the phone of the crew; None where nobody knows the address of the pages."""
    return desk.links.protection(reading.protection.id) if desk.links is not None and reading.protection.live else None


def _step(reading: Reading, folder: Path | None) -> Item | None:
    from watcher.service.treatment_files import load_procedure
    from watcher.treatment.protection_steps import checklist_step

    protection = reading.protection
    if protection.place is None or not protection.live:
        return None
    return checklist_step(load_procedure(protection.place, folder), protection, reading.clocks.standing)

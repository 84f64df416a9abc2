"""`hoarline procedure`: the checklist of a place, for the screen and for paper."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption, RulesOption

if TYPE_CHECKING:
    from collections.abc import Iterator

    from watcher.treatment.kinds import Engines, Place
    from watcher.treatment.procedures import Clock, Item, Procedure, Situation
    from watcher.treatment.profiles import AircraftProfile, Operations

_WIDTH = 80
_INDENT = " " * 21


def procedure(  # noqa: PLR0917 - options of a command
    place: Annotated[str, typer.Argument(help="stand, after-push or pad.")],
    aircraft: Annotated[
        str | None, typer.Option(help="Aircraft profile: its waits and what does not concern it.", show_default=False)
    ] = None,
    station: Annotated[str | None, typer.Option(help="Station: its local procedure.", show_default=False)] = None,
    engines_running: Annotated[
        bool | None,
        typer.Option(
            "--engines-running/--engines-off",
            help="Main engines. Left out: off at the stand, running at the pad, or as the station treats.",
            show_default=False,
        ),
    ] = None,
    who: Annotated[str | None, typer.Option(help="Only the steps of crew or ground.", show_default=False)] = None,
    rules: RulesOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print what crew and ground crew do before, during and after a treatment, step by step.

    The aircraft's own manual goes first. A step that hangs on something not known here says on what.
    """
    from watcher.cli.options import print_json, settings_from
    from watcher.service.treatment_files import load_procedure
    from watcher.treatment.procedures import in_situation

    if rules is None:
        settings = settings_from(config, required=False)
        folder = settings.text.rules.folder
        rules = settings.path(folder) if folder is not None else None
    where = _place(place)
    profile = _profile(aircraft, rules) if aircraft is not None else None
    operations = _operations(station, rules) if station is not None else None
    situation = _situation(_engines(where, engines_running, operations), profile)
    sheet = in_situation(load_procedure(where, rules), situation)
    steps = [(number, item) for number, item in enumerate(sheet.items, 1) if _concerns(who, item)]
    if as_json:
        print_json(_as_contract(sheet, steps, situation, profile, operations))
    else:
        typer.echo("\n".join(_text(sheet, steps, situation, profile, operations)))


def _place(word: str) -> Place:
    from watcher.errors import Problem, UsageError, nearest
    from watcher.treatment.kinds import Place

    if word not in list(Place):
        raise UsageError([Problem(f'place "{word}"', "is not known", nearest(word, Place))])
    return Place(word)


def _profile(name: str, rules: Path | None) -> AircraftProfile:
    from watcher.errors import Problem, UsageError, nearest
    from watcher.service.treatment_files import load_fleet

    fleet = load_fleet(rules)
    if name not in fleet.profiles:
        raise UsageError([Problem(f'aircraft "{name}"', f"is not in {fleet.file}", nearest(name, fleet.profiles))])
    return fleet.profiles[name]


def _operations(code: str, rules: Path | None) -> Operations:
    from watcher.errors import Problem, UsageError, nearest
    from watcher.service.treatment_files import load_operations

    stations = load_operations(rules)
    if code.upper() not in stations:
        told = nearest(code.upper(), stations)
        raise UsageError([Problem(f'station "{code}"', "is not in operations.toml", told)])
    return stations[code.upper()]


def _engines(place: Place, asked: bool | None, operations: Operations | None) -> Engines | None:
    """Return the state of the engines: as asked, else as the station treats there, else as usual at the place."""
    from watcher.errors import Problem, UsageError
    from watcher.treatment.kinds import Engines, Place

    usual = {Place.STAND: Engines.OFF, Place.PAD: Engines.RUNNING}.get(place)
    if operations is not None:
        sites = operations.at(place)
        if not sites:
            raise UsageError([Problem(f"station {operations.station}", f"does not treat at {place}")])
        found = {site.engines for site in sites}
        usual = found.pop() if len(found) == 1 else None
    if asked is None:
        return usual
    return Engines.RUNNING if asked else Engines.OFF


def _situation(engines: Engines | None, profile: AircraftProfile | None) -> Situation:
    from watcher.treatment.kinds import ApuPlace
    from watcher.treatment.procedures import Apu, Situation

    if profile is None:
        return Situation(engines=engines)
    apu = Apu.OFF if profile.apu is ApuPlace.NONE else None
    return Situation(engines=engines, apu=apu, propeller=profile.propeller)


def _concerns(who: str | None, item: Item) -> bool:
    from watcher.errors import Problem, UsageError, nearest
    from watcher.treatment.procedures import Who

    parties = {"crew": Who.CREW, "ground": Who.GROUND_CREW}
    if who is None:
        return True
    if who not in parties:
        raise UsageError([Problem(f'--who "{who}"', "is not known", nearest(who, parties))])
    return item.who in {parties[who], Who.BOTH}


Steps = list[tuple[int, "Item"]]


def _text(
    sheet: Procedure,
    steps: Steps,
    situation: Situation,
    profile: AircraftProfile | None,
    operations: Operations | None,
) -> Iterator[str]:
    from watcher.notify.message import CAUTION
    from watcher.treatment.procedures import Phase

    yield sheet.title
    yield "Registration ................  Date ..............  Time, Z ............"
    engines = f"Engines {situation.engines}." if situation.engines is not None else "Engines: as agreed."
    yield from _wrapped(" ".join(filter(None, (_about(profile), engines))))
    yield ""
    yield from _wrapped(sheet.first)
    if operations is not None:
        yield from ("", f"Local procedure at {operations.station} ({operations.source})")
        for line in operations.local:
            yield from _wrapped(line, "  - ")
    for phase in Phase:
        yield from ("", phase.upper())
        for number, item in steps:
            if item.phase is phase:
                yield from _step(number, item, situation, profile)
    yield from ("", "STOP THE TREATMENT WHEN")
    for stop in sheet.stops:
        yield from _wrapped(stop.text, "  - ")
    yield ""
    yield from _wrapped(CAUTION)


def _step(number: int, item: Item, situation: Situation, profile: AircraftProfile | None) -> Iterator[str]:
    condition = item.when.text if item.when.holds(situation) is None else ""
    yield from _wrapped(f"If {condition}: {item.text}" if condition else item.text, f"{number:>3} [ ] {item.who:<13}")
    for clock in item.needs:
        if wait := _wait(clock, profile):
            yield from _wrapped(wait, _INDENT)
    for line in item.record:
        yield from _wrapped(f"{line} {'.' * max(8, 50 - len(line))}", _INDENT)


def _about(profile: AircraftProfile | None) -> str:
    from watcher.treatment.kinds import Flaps

    if profile is None:
        return ""
    flaps = profile.flaps_during_treatment
    position = f" Slats and flaps during treatment: {flaps}." if flaps is not None else ""
    shortened = " That shortens holdover times." if flaps is Flaps.EXTENDED else ""
    return f"{profile.name} ({profile.source}).{position}{shortened}"


def _wait(clock: Clock, profile: AircraftProfile | None) -> str:
    from watcher.treatment.procedures import WAITS

    if clock not in WAITS:
        return ""
    if profile is None or (minutes := WAITS[clock](profile)) is None:
        return "How long the wait is, the manual says."
    return (
        f"Wait ends {minutes:g} min after the end of the treatment, at ......Z "
        f"({profile.name}: {profile.waits_source}). Not a permission."
    )


def _wrapped(text: str, lead: str = "") -> Iterator[str]:
    from textwrap import wrap

    from watcher.cli.marks import shown

    yield from wrap(shown(text), _WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead))


def _as_contract(
    sheet: Procedure,
    steps: Steps,
    situation: Situation,
    profile: AircraftProfile | None,
    operations: Operations | None,
) -> dict[str, object]:
    from watcher.notify.message import CAUTION
    from watcher.treatment.procedures import WAITS, Phase

    return {
        "place": sheet.place,
        "title": sheet.title,
        "first": sheet.first,
        "file": sheet.file,
        "aircraft": profile.name if profile is not None else None,
        "station": operations.station if operations is not None else None,
        "local": list(operations.local) if operations is not None else None,
        "situation": asdict(situation),
        "phases": [
            {
                "phase": phase,
                "items": [_item(number, item, situation) for number, item in steps if item.phase is phase],
            }
            for phase in Phase
        ],
        "stops": [asdict(stop) for stop in sheet.stops],
        "waits": [
            {
                "clock": clock,
                "minutes": minutes_of(profile) if profile is not None else None,
                "source": profile.waits_source if profile is not None else None,
            }
            for clock, minutes_of in WAITS.items()
        ],
        "caution": CAUTION,
    }


def _item(number: int, item: Item, situation: Situation) -> dict[str, object]:
    known = replace(item, when=type(item.when)()) if item.when.holds(situation) else item
    fields = {**asdict(known), "when": known.when.text or None}
    del fields["phase"]
    return {"number": number, **fields}

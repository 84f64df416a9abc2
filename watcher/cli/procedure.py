"""`hoarline procedure`: the checklist of a place, for the screen and for paper."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption, RulesOption

if TYPE_CHECKING:
    from collections.abc import Iterator

    from watcher.treatment.kinds import Place
    from watcher.treatment.procedure_sheet import Sheet
    from watcher.treatment.procedures import Item

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
    from watcher.notify.message import CAUTION
    from watcher.service.planning import operations_at, rules_folder_of
    from watcher.service.treatment_files import load_fleet, load_operations, load_procedure
    from watcher.treatment.kinds import Engines
    from watcher.treatment.procedure_sheet import as_contract, sheet_of

    folder = rules if rules is not None else rules_folder_of(settings_from(config, required=False))
    asked = None if engines_running is None else Engines.RUNNING if engines_running else Engines.OFF
    sheet = sheet_of(
        load_procedure(_place(place), folder),
        profile=None if aircraft is None else load_fleet(folder).profile(aircraft),
        operations=None if station is None else operations_at(load_operations(folder), station.upper()),
        engines=asked,
        who=who,
    )
    if as_json:
        print_json(as_contract(sheet, CAUTION))
    else:
        typer.echo("\n".join(_text(sheet)))


def _place(word: str) -> Place:
    from watcher.errors import Problem, UsageError, nearest
    from watcher.treatment.kinds import Place

    if word not in list(Place):
        raise UsageError([Problem(f'place "{word}"', "is not known", nearest(word, Place))])
    return Place(word)


def _text(sheet: Sheet) -> Iterator[str]:
    from watcher.notify.message import CAUTION
    from watcher.treatment.procedures import Phase

    yield sheet.procedure.title
    yield "Registration ................  Date ..............  Time, Z ............"
    yield from _wrapped(sheet.about)
    yield ""
    yield from _wrapped(sheet.procedure.first)
    if sheet.operations is not None:
        yield from ("", f"Local procedure at {sheet.operations.station} ({sheet.operations.source})")
        for line in sheet.operations.local:
            yield from _wrapped(line, "  - ")
    for phase in Phase:
        yield from ("", phase.upper())
        for number, item in sheet.of(phase):
            yield from _step(number, item, sheet)
    yield from ("", "STOP THE TREATMENT WHEN")
    for stop in sheet.procedure.stops:
        yield from _wrapped(stop.text, "  - ")
    yield ""
    yield from _wrapped(CAUTION)


def _step(number: int, item: Item, sheet: Sheet) -> Iterator[str]:
    condition = sheet.condition(item)
    yield from _wrapped(f"If {condition}: {item.text}" if condition else item.text, f"{number:>3} [ ] {item.who:<13}")
    for clock in item.needs:
        if wait := sheet.wait(clock):
            yield from _wrapped(wait, _INDENT)
    for line in item.record:
        yield from _wrapped(f"{line} {'.' * max(8, 50 - len(line))}", _INDENT)


def _wrapped(text: str, lead: str = "") -> Iterator[str]:
    from textwrap import wrap

    from watcher.cli.marks import shown

    yield from wrap(shown(text), _WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead))

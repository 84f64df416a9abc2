"""`hoarline holdover`: one look-up in the holdover tables, by hand, of a report, or of a station's latest report."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption, RulesOption

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from watcher.service.holdover_asking import Asked
    from watcher.treatment.question import Holdover
    from watcher.treatment.words import FluidType

_WIDTH = 100


def holdover(  # noqa: PLR0917 - one option for each thing that may be known
    station: Annotated[str | None, typer.Argument(help="Station code: its latest report.", show_default=False)] = None,
    fluid: Annotated[str, typer.Option(help='Fluid of the final application: "Type IV".')] = "",
    mix: Annotated[str | None, typer.Option(help="Fluid and water: 100/0. Not for Type I.", show_default=False)] = None,
    temp: Annotated[
        str | None, typer.Option(help="Air temperature, °C: -2 as reported, -2.3, M02.", show_default=False)
    ] = None,
    weather: Annotated[
        str | None, typer.Option(help='Weather as reported: "-SN BR"; none.', show_default=False)
    ] = None,
    visibility: Annotated[
        str | None, typer.Option(help="Prevailing visibility: 2500 (metres), 1 1/2SM.", show_default=False)
    ] = None,
    night: Annotated[
        bool | None, typer.Option("--night/--day", help="Left out: the worse of both.", show_default=False)
    ] = None,
    surface: Annotated[str, typer.Option(help="aluminium, composite or unknown: the worse.")] = "unknown",
    flaps_set: Annotated[
        bool, typer.Option("--flaps-set", help="Flaps or slats set before or during the treatment.")
    ] = False,
    frost: Annotated[
        bool, typer.Option("--frost", help="Active frost: skin at or below 0 °C and at or below the frost point.")
    ] = False,
    cold_soaked: Annotated[
        bool | None,
        typer.Option(
            "--cold-soaked/--not-cold-soaked", help="Wing colder than the air. Left out: may be.", show_default=False
        ),
    ] = None,
    authority: Annotated[
        str | None, typer.Option(help="Whose tables. Left out: the strictest of all.", show_default=False)
    ] = None,
    report: Annotated[str | None, typer.Option(help="A METAR or SPECI given by hand.", show_default=False)] = None,
    position: Annotated[
        str | None, typer.Option(help="Place of the station by hand: 60.20,11.10,210.", show_default=False)
    ] = None,
    training: Annotated[bool, typer.Option("--training", help="Give minutes of old tables, marked as such.")] = False,
    config: ConfigOption = None,
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Look up how long a treatment protects, or say why no time exists.

    By --temp, --weather and --visibility, of a report, or of a station's latest report. The worst of all tables, charts
    and temperatures that the question leaves open counts.
    """
    from dataclasses import replace

    from watcher.cli.options import print_json
    from watcher.cli.tables import own_folder
    from watcher.clock import utc_now
    from watcher.service.holdover_asking import answer_as_contract
    from watcher.service.tables_folder import load_tables
    from watcher.treatment.holdover import look_up
    from watcher.treatment.parse_asked import authority_of, fluid_type, mix_of, surface_of

    now = utc_now()
    given = _Given(station, report, temp, weather, visibility, night)
    asked = _asked(given, fluid_type(fluid, "--fluid"), mix_of(mix, "--mix"), position, config, now)
    tables = load_tables(own_folder(rules, config))
    question = replace(
        asked.question,
        surface=surface_of(surface, "--surface"),
        flaps_set=flaps_set,
        active_frost=frost,
        cold_soaked_wing=cold_soaked,
        authority=authority_of(authority, tables.authorities, "--authority"),
    )
    answer = look_up(question, tables, now, training=training)
    if as_json:
        print_json(answer_as_contract(answer, asked))
        return
    for line in _text(answer, replace(asked, question=question)):
        typer.echo(line)


@dataclass(frozen=True, slots=True)
class _Given:
    """What the command was given of the weather."""

    station: str | None
    report: str | None
    temp: str | None
    weather: str | None
    visibility: str | None
    night: bool | None


def _asked(  # noqa: PLR0917 - the options as they come
    given: _Given, fluid: FluidType, mix: str | None, position: str | None, config: Path | None, now: datetime
) -> Asked:
    from watcher.errors import Problem, UsageError
    from watcher.service import holdover_asking

    by_hand = [each for each in (given.temp, given.weather, given.visibility) if each is not None]
    ways = [bool(by_hand), given.report is not None, given.station is not None]
    if sum(ways) != 1:
        what = "has nothing to look up" if not any(ways) else "is given the weather in two ways"
        remedy = "give --temp with --weather and --visibility, or --report, or a station code"
        raise UsageError([Problem("hoarline holdover", what, remedy)])
    if by_hand:
        return holdover_asking.by_hand(fluid, mix, given.temp, given.weather, given.visibility, given.night, front="--")
    if given.report is not None:
        from watcher.cli.hand import hand_now, hand_view

        view = hand_view(given.report, None, position, now)
        if view.latest is None:
            raise UsageError([Problem("--report", "is a TAF", "give a METAR or SPECI")])
        return holdover_asking.of_view(view, given.night, fluid, mix, hand_now(given.report, None, now))
    from watcher.cli.stored import stored

    assert given.station is not None
    return holdover_asking.of_view(stored([given.station], config, now).views[0], given.night, fluid, mix, now)


def _text(answer: Holdover, asked: Asked) -> Iterator[str]:
    """Yield the answer in the first line, then where it comes from, why, and the cautions."""
    from textwrap import wrap

    from watcher.cli.marks import shown
    from watcher.notify.message import CAUTION
    from watcher.treatment.holdover_words import basis_words, headline
    from watcher.treatment.parts import fluid_words

    fluid = fluid_words(asked.question)
    training = "TRAINING  " if answer.training else ""
    yield shown(f"{training}{headline(answer)}  ({fluid})")
    if asked.raw is not None:
        from watcher.units import clock_z, duration_text

        assert asked.observed_at is not None
        assert asked.age is not None
        yield shown(f"  report {clock_z(asked.observed_at)}, {duration_text(asked.age)} old: {asked.raw}")
    if answer.table is not None:
        yield shown(f"  {answer.table}; {answer.authority}, season {answer.season}; {basis_words(answer)}")
    said = [asked.note, answer.why, answer.caution, CAUTION]
    for sentence in filter(None, said):
        yield from wrap(shown(sentence), _WIDTH, initial_indent="  ", subsequent_indent="  ")

"""`hoarline night`: how likely a parked aircraft is frosted, by half hour, part of the wing and departure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from watcher.alerts.model import StationView
    from watcher.service.night_answers import Answer

# Twice the size at which it is drawn: sharp on a dense screen and on paper.
_PNG_WIDTH_PX = 1984
SvgOption = Annotated[Path | None, typer.Option("--svg", help="Draw it into this file.", show_default=False)]
PngOption = Annotated[
    Path | None, typer.Option("--png", help="The same in pixels; needs the extra pictures.", show_default=False)
]


def night(  # noqa: PLR0917 - one option for each thing that may be known
    stations: Annotated[
        list[str] | None, typer.Argument(help="Station codes; left out with --report or --taf.", show_default=False)
    ] = None,
    until: Annotated[
        str | None,
        typer.Option(help="Departure: 0540Z, 2026-01-12T05:40Z, or 6h. Left out: 15 h ahead.", show_default=False),
    ] = None,
    fuel_c: Annotated[
        float | None,
        typer.Option(min=-60, max=60, help="Temperature of the fuel in the wings, °C.", show_default=False),
    ] = None,
    hangar_exit: Annotated[
        str | None, typer.Option(help="When it leaves or left the hangar: 0300Z.", show_default=False)
    ] = None,
    hangar_c: Annotated[
        float | None, typer.Option(min=-40, max=40, help="Temperature in the hangar, °C.", show_default=False)
    ] = None,
    treated: Annotated[
        str | None, typer.Option(help="When it was or will be made clean: 0100Z.", show_default=False)
    ] = None,
    arrived: Annotated[
        str | None, typer.Option(help="Since when it stands outside: 2130Z.", show_default=False)
    ] = None,
    sky: Annotated[float, typer.Option(min=0, max=1, help="Share of the sky that the wing sees: 1 in the open.")] = 1.0,
    emissivity: Annotated[
        float | None,
        typer.Option(
            min=0.02, max=1, help="Upper skin: about 0.9 painted, 0.1 bare polished metal.", show_default=False
        ),
    ] = None,
    report: Annotated[str | None, typer.Option(help="A METAR or SPECI given by hand.", show_default=False)] = None,
    taf: Annotated[str | None, typer.Option(help="A TAF given by hand.", show_default=False)] = None,
    position: Annotated[
        str | None, typer.Option(help="Place of the station by hand: 60.20,11.10,210.", show_default=False)
    ] = None,
    members: Annotated[int, typer.Option(min=20, max=2000, help="Size of the ensemble.")] = 200,
    svg: SvgOption = None,
    png: PngOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say how likely frost is on a parked aircraft, when it begins and ends, and what the answer hangs on.

    With station codes, from the store of the running service; with --report or --taf, of those texts alone.

    No measurement of an aircraft's wing stands behind this: a thin panel and natural ground at night stand in for one.

    The aircraft is checked by hand. --svg and --png draw the night of one station as well; a file - is standard output.
    """
    from datetime import timedelta

    from watcher.cli.hand import hand_now
    from watcher.cli.options import print_json
    from watcher.clock import utc_now
    from watcher.moments import time_ahead
    from watcher.service.night_answers import Asked, answers, worst_first
    from watcher.service.night_asking import Parked, craft_of

    now = hand_now(report, taf, utc_now()) if report or taf else utc_now()
    departs_at = time_ahead("--until", until, now) if until is not None else None
    ends_at = departs_at or now + timedelta(hours=15)
    asked = Asked(now, ends_at, departs_at)
    parked = Parked(fuel_c, hangar_exit, hangar_c, treated, arrived, sky, emissivity)
    craft = craft_of(parked, now, ends_at, lambda name: f"--{name.replace('_', '-')}")
    views = _views(stations or [], report, taf, position, config, now)
    draw = _drawing(svg, png, len(views), as_json=as_json)
    found = worst_first(answers(views, asked, craft, members))
    if draw is not None and draw(found[0]):
        return
    if as_json:
        for answer in found:
            print_json(answer.as_contract())
        return
    _print(found)


def _drawing(svg: Path | None, png: Path | None, stations: int, *, as_json: bool) -> Callable[[Answer], bool] | None:
    """Return what draws the answer, and says whether it took standard output; None where no picture is wanted."""
    if svg is None and png is None:
        return None
    from watcher.cli.picture_files import goes_to_output, write_picture
    from watcher.errors import Problem, UsageError

    to_output = goes_to_output(svg), goes_to_output(png)
    wrong = []
    if stations != 1:
        wrong.append(Problem("--svg and --png", f"draw one station, not {stations}", "name one station"))
    if all(to_output) or (any(to_output) and as_json):
        wrong.append(Problem("-", "is one output for two things", "write one of them to a file"))
    if wrong:
        raise UsageError(wrong)

    def draw(answer: Answer) -> bool:
        from watcher.notify.message import CAUTION
        from watcher.pictures.colours import Theme
        from watcher.pictures.sheet import alone
        from watcher.raster import png_of
        from watcher.service.night_pictures import picture_of
        from watcher.service.night_words import NO_MEASUREMENT

        drawn = alone(picture_of(answer, foot=(NO_MEASUREMENT, CAUTION)), Theme.LIGHT)
        if png is not None:
            write_picture(png, png_of(drawn, width_px=_PNG_WIDTH_PX))
        if svg is not None:
            write_picture(svg, drawn.encode())
        return any(to_output)

    return draw


def _print(found: Sequence[Answer]) -> None:
    from watcher.cli.marks import has, shown
    from watcher.cli.night_text import text_of

    blocks = has("█▏°")
    typer.echo(shown("\n\n".join(text_of(answer, blocks=blocks) for answer in found)))


def _views(  # noqa: PLR0917 - the options as they come
    codes: list[str], report: str | None, taf: str | None, position: str | None, config: Path | None, now: datetime
) -> Sequence[StationView]:
    from dataclasses import replace

    from watcher.cli.hand import hand_view, placed
    from watcher.errors import Problem, UsageError

    if report or taf:
        view = hand_view(report, taf, position, now)
        others = {code.upper() for code in codes} - {view.station.code}
        if others:
            what = f"the texts by hand are of {view.station.code}, not of {', '.join(sorted(others))}"
            raise UsageError([Problem("hoarline night", what, "leave the station codes out")])
        return [view]
    if not codes:
        raise UsageError([Problem("hoarline night", "names no station", "give station codes, or --report")])
    from watcher.cli.stored import stored

    views = stored(codes, config, now).views
    if position is not None and len(views) > 1:
        raise UsageError(
            [Problem("--position", "is of one station", "name one station, or write [[station]] settings")]
        )
    return [replace(view, station=placed(view.station, position)) for view in views]

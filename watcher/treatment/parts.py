"""What single tables say at one temperature: the parts that a look-up takes the worst of."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from watcher.rulebook.snow import Snowfall
from watcher.treatment.bands import Band
from watcher.treatment.bench import Bench, ChartView, HoldoverView
from watcher.treatment.question import HoldoverQuestion, Outcome
from watcher.treatment.tables import AllowanceTable, Cell, Mark, TableSet
from watcher.treatment.weather import (
    ALLOWANCE,
    BY_CHART,
    NONE,
    NOTHING,
    SNOW,
    SNOW_HEAVIER,
    SPECIAL,
    UNKNOWN,
    WeatherRow,
)
from watcher.treatment.words import ACTIVE_FROST, COLUMN_WORDS, SNOW_COLUMNS, Surface

_RAIN_ON_WING = "rain_cold_soaked_wing"
_UNIDENTIFIED = {"freezing_drizzle": "light_freezing_rain"}


@dataclass(frozen=True, slots=True)
class Used:
    """A figure's table: the set, the title of the table, where the row comes from."""

    each: TableSet
    title: str
    mark: Mark


@dataclass(frozen=True, slots=True)
class Part:
    """What one table, or the weather alone, says at one temperature. `snow`: what a chart made of the visibility."""

    outcome: Outcome
    why: str
    column: str | None = None
    lower_min: int | None = None
    upper_min: int | None = None
    table: Used | None = None
    chart: Used | None = None
    snow: Snowfall | None = None


@dataclass(frozen=True, slots=True)
class _Reason:
    """Why a column is looked up; for snow with what a chart made of the visibility, None where that cannot be told."""

    why: str
    intensity: Snowfall | None = None
    chart: Used | None = None


def weather_parts(bench: Bench, rows: Sequence[WeatherRow], temp_c: float) -> Iterator[Part]:
    """Yield what every row of weather comes to at a temperature in °C, table by table."""
    for row in rows:
        for use in row.use:
            yield from _used(bench, row, use, temp_c)


def frost_parts(bench: Bench, temp_c: float) -> Iterator[Part]:
    """Yield what the tables of active frost say at a temperature in °C."""
    for surface, views in bench.frost:
        if not views:
            what = f"no table of active frost has {fluid_words(bench.question)}{_on(surface)}"
            yield Part(Outcome.UNKNOWN, what, ACTIVE_FROST)
        for view in views:
            found = [row for row in view.rows if temp_c in row.oat]
            if not found:
                yield Part(Outcome.NONE, _beyond(ACTIVE_FROST, bench.question, temp_c), ACTIVE_FROST)
            for row in found:
                used = Used(view.each, view.table.title, row.mark)
                if row.minutes is None:
                    why = _beyond(ACTIVE_FROST, bench.question, temp_c)
                    yield Part(Outcome.NONE, why, ACTIVE_FROST, table=used)
                else:
                    yield Part(Outcome.TIME, "active frost", ACTIVE_FROST, row.minutes, row.minutes, used)


def fluid_words(question: HoldoverQuestion) -> str:
    """Return the fluid as a sentence names it: ``Type IV 75/25``, ``Type I``."""
    return f"{question.fluid.value} {question.mix}" if question.fluid.thickened else question.fluid.value


def _used(bench: Bench, row: WeatherRow, use: str, temp_c: float) -> Iterator[Part]:
    what = " with ".join(sorted(row.falls))
    note = f" ({row.note})" if row.note else ""
    if use in {SNOW, SNOW_HEAVIER}:
        yield from _snow_parts(bench, what, temp_c, heavier=use == SNOW_HEAVIER)
    elif use.startswith(ALLOWANCE):
        yield from _allowance_parts(bench, use.removeprefix(ALLOWANCE), what, temp_c)
    elif use in {NONE, SPECIAL}:
        yield Part(Outcome(use), f"{what} has no holdover time{note}")
    elif use in {UNKNOWN, NOTHING}:
        yield Part(Outcome.UNKNOWN if use == UNKNOWN else Outcome.NOT_NEEDED, f"{what} needs no column{note}")
    elif use == _RAIN_ON_WING and bench.question.cold_soaked_wing is False:
        yield Part(Outcome.NOT_NEEDED, f"{what} above 0 °C on a wing that is not cold-soaked")
    else:
        yield from _column_parts(bench, use, temp_c, _Reason(f"{what} is looked up as {COLUMN_WORDS[use]}"))
        if bench.question.automatic and use in _UNIDENTIFIED:
            column = _UNIDENTIFIED[use]
            why = f"{what} is looked up as {COLUMN_WORDS[column]}, since no observer has identified it"
            yield from _column_parts(bench, column, temp_c, _Reason(why))


def _snow_parts(bench: Bench, what: str, temp_c: float, *, heavier: bool) -> Iterator[Part]:
    for snow in _snowfalls(bench, what, temp_c):
        if snow.intensity is None:
            yield Part(Outcome.UNKNOWN, snow.why, chart=snow.chart)
            continue
        intensity = Snowfall(min(snow.intensity + heavier, Snowfall.HEAVY))
        why = f"{snow.why}, taken one intensity heavier for {what}" if heavier else snow.why
        if intensity is Snowfall.HEAVY:
            heavy = f"{why}; heavy snow has no holdover time"
            yield Part(Outcome.SPECIAL, heavy, chart=snow.chart, snow=snow.intensity)
            # No approval helps where moderate snow has no time either: the fluid is not made for this cold.
            intensity = Snowfall.MODERATE
        yield from _column_parts(bench, SNOW_COLUMNS[intensity], temp_c, replace(snow, why=why))


def _snowfalls(bench: Bench, what: str, temp_c: float) -> Iterator[_Reason]:
    """Yield what every chart makes of the visibility, by day and by night where that is not known."""
    if bench.visibility_m is None:
        yield _Reason(f"{what}: the visibility is not known, and it tells how heavy the snow is")
    elif not bench.charts:
        yield _Reason("there is no chart that tells how heavy the snow is")
    for view in bench.charts:
        yield _by_chart(view, bench, temp_c)


def _by_chart(view: ChartView, bench: Bench, temp_c: float) -> _Reason:
    below = "below " if bench.question.visibility_bound == "below" else ""
    asked = f"{below}{bench.question.visibility_m:.0f} m by {'night' if view.night else 'day'}"
    found = view.at(temp_c)
    if found is None:
        return _Reason(f"the snow chart of {view.each.authority} has a gap at {asked}")
    intensity, mark = found
    word = intensity.word.replace("_", " ")
    why = f"{asked} is {word} snow by the chart of {view.each.authority}, {view.each.season}"
    return _Reason(why, intensity, Used(view.each, view.chart.title, mark))


def _allowance_parts(bench: Bench, key: str, what: str, temp_c: float) -> Iterator[Part]:
    """Yield allowance times; the snow in a mixture is told by the charts."""
    if not key.endswith(BY_CHART):
        yield from _allowances(bench, key, temp_c, _Reason(f"{what} has no holdover time"))
        return
    for snow in _snowfalls(bench, what, temp_c):
        if snow.intensity is None:
            yield Part(Outcome.UNKNOWN, snow.why, chart=snow.chart)
        elif snow.intensity is Snowfall.HEAVY:
            yield Part(Outcome.NONE, f"{snow.why}; with ice pellets it has no time at all", chart=snow.chart)
        else:
            word = max(snow.intensity, Snowfall.LIGHT).word
            yield from _allowances(bench, f"{key.removesuffix(BY_CHART)}+snow_{word}", temp_c, snow)


def _allowances(bench: Bench, key: str, temp_c: float, reason: _Reason) -> Iterator[Part]:
    tables = [pair for pair in bench.allowance if any(row.precipitation == key for row in pair[1].rows)]
    if not tables:
        what = f"{reason.why}, and no table has an allowance time for {_falling(key)}"
        yield Part(Outcome.NONE, what, chart=reason.chart)
    for each, table in tables:
        yield _allowance(each, table, bench.question, key, temp_c, reason)


def _allowance(  # noqa: PLR0917 - one row of a table
    each: TableSet, table: AllowanceTable, question: HoldoverQuestion, key: str, temp_c: float, reason: _Reason
) -> Part:
    wanted = (key, question.fluid, question.mix)
    rows = [row for row in table.rows if (row.precipitation, row.fluid, row.mix) == wanted and temp_c in row.oat]
    minutes = [row.minutes for row in rows if row.minutes is not None]
    used = Used(each, table.title, rows[0].mark) if rows else None
    if not minutes or len(minutes) < len(rows) or not _holds(table.limits.get(key), temp_c):
        what = f"no allowance time exists for {_falling(key)} with {fluid_words(question)} at {_degrees(temp_c)}"
        return Part(Outcome.NONE, f"{reason.why}, and {what}", table=used, chart=reason.chart)
    why = f"{reason.why}; there is an allowance time for {_falling(key)}"
    least = min(minutes)
    return Part(Outcome.ALLOWANCE, why, None, least, least, used, reason.chart, reason.intensity)


def _column_parts(bench: Bench, wanted: str, temp_c: float, reason: _Reason) -> Iterator[Part]:
    for surface, views in bench.holdover:
        if not views:
            yield Part(Outcome.UNKNOWN, f"there is no table for {bench.question.fluid.value}{_on(surface)}")
        for view in views:
            yield _cell(view, bench.question, view.table.column(wanted), temp_c, reason)


def _cell(view: HoldoverView, question: HoldoverQuestion, column: str, temp_c: float, reason: _Reason) -> Part:
    if not view.rows:
        mixes = ", ".join(sorted({row.mix for row in view.table.rows}, reverse=True))
        return Part(Outcome.UNKNOWN, f"no table has {fluid_words(question)}; the mixes are {mixes}")
    rows = [row for row in view.rows if temp_c in row.oat]
    cells = [row.cells.get(column, Cell()) for row in rows]
    lower = [cell.lower_min for cell in cells if cell.lower_min is not None]
    upper = [cell.upper_min for cell in cells if cell.upper_min is not None]
    used = Used(view.each, view.table.title, rows[0].mark) if rows else None
    if not lower or len(lower) < len(rows) or not _holds(view.table.limits.get(column), temp_c):
        why = f"{reason.why}; {_beyond(column, question, temp_c)}"
        return Part(Outcome.NONE, why, column, None, None, used, reason.chart, reason.intensity)
    return Part(Outcome.TIME, reason.why, column, min(lower), min(upper), used, reason.chart, reason.intensity)


def _holds(limit: Band | None, temp_c: float) -> bool:
    return limit is None or temp_c in limit


def _on(surface: Surface) -> str:
    return "" if surface is Surface.ANY else f" on {surface.value}"


def _beyond(column: str, question: HoldoverQuestion, temp_c: float) -> str:
    return f"no time exists for {COLUMN_WORDS[column]} with {fluid_words(question)} at {_degrees(temp_c)}"


def _falling(key: str) -> str:
    """Return ``light ice pellets with moderate snow`` for ``ice_pellets_light+snow_moderate``."""
    named = (part.rpartition("_") for part in key.split("+"))
    return " with ".join(f"{intensity} {name.replace('_', ' ')}" for name, _, intensity in named)


def _degrees(temp_c: float) -> str:
    return f"{round(temp_c, 1) + 0.0:g} °C"

"""What must hold in a set of tables, and what is odd in one: gaps, overlaps, times that grow as the weather worsens."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from datetime import timedelta
from itertools import combinations, pairwise
from math import inf
from typing import Protocol, TypeVar

from watcher.errors import Problem
from watcher.treatment.bands import Band
from watcher.treatment.tables import (
    AllowanceTable,
    FrostTable,
    HoldoverRow,
    HoldoverTable,
    Mark,
    SnowChart,
    TableSet,
)
from watcher.treatment.words import COLUMN_WORDS, Basis, Surface


class _Banded(Protocol):
    @property
    def oat(self) -> Band: ...


class _Marked(_Banded, Protocol):
    @property
    def mark(self) -> Mark: ...


Row = TypeVar("Row", bound=_Banded)

# The heavier weather stands second: its times can be no longer.
_NEVER_LONGER = (
    ("snow_very_light", "snow_light"),
    ("snow_light", "snow_moderate"),
    ("freezing_drizzle", "light_freezing_rain"),
)
_SELDOM_LONGER = (("freezing_fog", "freezing_drizzle"), ("freezing_fog", "snow_moderate"), ("freezing_fog", "snow"))
_SHARED_ENDS = _NEVER_LONGER[:2]
_LONGEST_SEASON = timedelta(days=366)
# Transport Canada TP 14052, chapter 11: printed times are cut at 2 h in precipitation and at 4 h in freezing fog.
_CAPS_MIN = {"freezing_fog": 240}
_CAP_MIN = 120
# Tables end there for freezing drizzle and light freezing rain (TP 10643E, table 3; FAA).
_COLDEST_FREEZING_C = -10.0
_FREEZING = ("freezing_drizzle", "light_freezing_rain")
_RAIN_ON_WING = "rain_cold_soaked_wing"


def wrong(tables: TableSet) -> list[Problem]:
    """Return what cannot be right in a set: it must not be used so."""
    return [
        *_validity(tables),
        *(problem for table in tables.holdover for problem in _wrong_holdover(table)),
        *(problem for table in tables.frost for problem in _wrong_frost(table)),
        *(problem for table in tables.allowance for problem in _wrong_allowance(table)),
        *(problem for chart in tables.charts for problem in _wrong_chart(chart)),
    ]


def odd(tables: TableSet) -> list[Problem]:
    """Return what may be right and is seldom so: worth a look at the official table."""
    found = [problem for table in tables.holdover for problem in _odd_holdover(table)]
    found += _odd_surfaces(tables.holdover)
    one_snow = any(column.startswith("snow") for table in tables.holdover for column in table.columns)
    if one_snow and not tables.charts:
        what = "has snow columns and no chart of snowfall by visibility"
        found.append(Problem(tables.name, what, "without a chart in force no minutes are given in snow"))
    found += [
        Problem(f"{where}: {row.oat.text}", "names no source") for where, row in _marked(tables) if not row.mark.source
    ]
    return found


def _validity(tables: TableSet) -> Iterator[Problem]:
    if tables.use != "operation":
        return
    if tables.valid_until - tables.valid_from > _LONGEST_SEASON:
        yield Problem(f"{tables.name}: valid_until", "is more than a year after valid_from", "a table is of one season")
    for where, row in _marked(tables):
        if row.mark.basis is not Basis.OFFICIAL:
            what = f"basis {row.mark.basis.value} in a set for operation"
            yield Problem(f"{where}: {row.oat.text}", what, 'copy it from the official issue, or say use = "training"')


def _marked(tables: TableSet) -> Iterator[tuple[str, _Marked]]:
    yield from ((table.file, row) for table in tables.holdover for row in table.rows)
    yield from ((table.file, row) for table in tables.frost for row in table.rows)
    yield from ((table.file, row) for table in tables.allowance for row in table.rows)
    yield from ((chart.file, row) for chart in tables.charts for row in chart.rows)


def _wrong_holdover(table: HoldoverTable) -> Iterator[Problem]:
    yield from _wrong_bands(table.file, table.rows, lambda row: row.mix)
    for row in table.rows:
        where = f"{table.file}: {row.oat.text}, {row.mix}"
        for lighter, heavier in _NEVER_LONGER:
            if _longer(row, heavier, lighter):
                what = f"{COLUMN_WORDS[heavier]} has more time than {COLUMN_WORDS[lighter]}"
                yield Problem(where, what, "more precipitation never gives more time")
        on_wing = row.cells.get(_RAIN_ON_WING)
        limit = table.limits.get(_RAIN_ON_WING)
        if on_wing is not None and on_wing.lower_min is not None and _reaches(row.oat, limit, 0.0):
            what = f"{COLUMN_WORDS[_RAIN_ON_WING]} has a time at or below 0 °C"
            yield Problem(where, what, f'write limits: {_RAIN_ON_WING} = "above 0"')


def _wrong_frost(table: FrostTable) -> Iterator[Problem]:
    yield from _wrong_bands(table.file, table.rows, lambda row: (row.fluid, row.surface, row.mix))


def _wrong_allowance(table: AllowanceTable) -> Iterator[Problem]:
    yield from _wrong_bands(table.file, table.rows, lambda row: (row.precipitation, row.fluid, row.mix))
    for one, other in combinations(table.rows, 2):
        lighter, heavier = (one, other) if _adds_to(other.precipitation, one.precipitation) else (other, one)
        comparable = _adds_to(heavier.precipitation, lighter.precipitation) and one.oat.overlaps(other.oat)
        same_fluid = (one.fluid, one.mix) == (other.fluid, other.mix)
        if comparable and same_fluid and _more(heavier.minutes, lighter.minutes, heavier.minutes, lighter.minutes):
            what = f"{heavier.precipitation} has more time than {lighter.precipitation}"
            yield Problem(f"{table.file}: {heavier.oat.text}", what, "more precipitation never gives more time")


def _wrong_chart(chart: SnowChart) -> Iterator[Problem]:
    for night in (True, False):
        light = "night" if night else "day"
        rows = [row for row in chart.rows if row.night is night]
        if not rows:
            yield Problem(chart.file, f"has no rows by {light}")
            continue
        by_band = {row.oat.text: row.oat for row in rows}
        yield from _wrong_row(f"{chart.file}: {light}", list(by_band.values()), "temperature")
        for text in by_band:
            of_band = sorted((row for row in rows if row.oat.text == text), key=lambda row: row.visibility.low)
            where = f"{chart.file}: {light}, {text}"
            yield from _wrong_row(where, [row.visibility for row in of_band], "visibility", lowest=0.0)
            for poorer, better in pairwise(of_band):
                if better.intensity > poorer.intensity:
                    what = f"{better.visibility.text} is heavier than {poorer.visibility.text}"
                    yield Problem(where, what, "a lower visibility is never lighter")


def _wrong_bands(file: str, rows: Sequence[Row], key: Callable[[Row], Hashable]) -> Iterator[Problem]:
    """Yield gaps and overlaps between the bands of temperature of rows that belong together."""
    groups: dict[Hashable, list[Row]] = {}
    for row in rows:
        groups.setdefault(key(row), []).append(row)
    for of_key, group in groups.items():
        words = ", ".join(map(str, of_key)) if isinstance(of_key, tuple) else str(of_key)
        bands = [row.oat for row in group]
        yield from _wrong_row(f"{file}: {words}", bands, "temperature", open_below=True)


def _wrong_row(
    where: str, bands: Sequence[Band], of: str, *, lowest: float = -inf, open_below: bool = False
) -> Iterator[Problem]:
    """Yield gaps and overlaps along one line of bands, and an open end: above always, below unless `open_below`."""
    ordered = sorted(bands, key=lambda band: (band.high, band.high_in, band.low), reverse=True)
    for warmer, colder in pairwise(ordered):
        if warmer.overlaps(colder):
            yield Problem(where, f'the bands of {of} "{warmer.text}" and "{colder.text}" overlap')
        elif not warmer.meets(colder):
            yield Problem(where, f'there is a gap of {of} between "{warmer.text}" and "{colder.text}"')
    if ordered[0].high != inf:
        yield Problem(where, f'nothing is said of {of} beyond "{ordered[0].text}"', "the first band has no upper end")
    if not open_below and ordered[-1].low != lowest:
        yield Problem(where, f'nothing is said of {of} beyond "{ordered[-1].text}"')


def _odd_holdover(table: HoldoverTable) -> Iterator[Problem]:
    times = [cell.upper_min for row in table.rows for cell in row.cells.values() if cell.upper_min is not None]
    if times and max(times) < 10:
        yield Problem(table.file, f"the longest time is {max(times)} minutes", "are these hours?")
    for row in table.rows:
        yield from _odd_row(table, row, f"{table.file}: {row.oat.text}, {row.mix}")
    for one, other in combinations(table.rows, 2):
        yield from _odd_pair(table.file, one, other)


def _odd_row(table: HoldoverTable, row: HoldoverRow, where: str) -> Iterator[Problem]:
    for lighter, heavier in _SELDOM_LONGER:
        if _longer(row, heavier, lighter):
            yield Problem(where, f"{COLUMN_WORDS[heavier]} has more time than {COLUMN_WORDS[lighter]}")
    for lighter, heavier in _SHARED_ENDS:
        light, heavy = row.cells.get(lighter), row.cells.get(heavier)
        if light and heavy and light.lower_min and heavy.upper_min and light.lower_min != heavy.upper_min:
            ends = f"begins at {light.lower_min}, {COLUMN_WORDS[heavier]} ends at {heavy.upper_min}"
            what = f"{COLUMN_WORDS[lighter]} {ends}"
            yield Problem(where, what, "neighbouring columns share an end")
    for column, cell in row.cells.items():
        cap = _CAPS_MIN.get(column, _CAP_MIN)
        if cell.upper_min is not None and cell.upper_min > cap:
            yield Problem(where, f"{COLUMN_WORDS[column]} has {cell.upper_min} minutes", f"printed times end at {cap}")
        limit = table.limits.get(column)
        too_cold = column in _FREEZING and cell.lower_min is not None and _below(row.oat, limit, _COLDEST_FREEZING_C)
        if too_cold:
            what = f"{COLUMN_WORDS[column]} has a time below {_COLDEST_FREEZING_C:g} °C"
            yield Problem(where, what, f'as a rule limits: {column} = "-10 and above"')


def _odd_pair(file: str, one: HoldoverRow, other: HoldoverRow) -> Iterator[Problem]:
    """Yield times that grow as it gets colder, of one mix, or as the mix gets weaker, at one temperature."""
    same_mix = one.mix == other.mix
    if same_mix:
        better, worse = (one, other) if one.oat.high > other.oat.high else (other, one)
        how = f"{worse.mix}: {worse.oat.text}", f"colder than {better.oat.text}"
    elif one.oat.overlaps(other.oat):
        better, worse = (one, other) if _strength(one.mix) > _strength(other.mix) else (other, one)
        how = f"{worse.oat.text}: {worse.mix}", f"weaker than {better.mix}"
    else:
        return
    for column, cell in worse.cells.items():
        of_better = better.cells.get(column)
        if of_better is not None and _more(cell.lower_min, of_better.lower_min, cell.upper_min, of_better.upper_min):
            yield Problem(f"{file}: {how[0]}", f"{COLUMN_WORDS[column]} has more time, though {how[1]}")


def _odd_surfaces(tables: Sequence[HoldoverTable]) -> Iterator[Problem]:
    metal = [table for table in tables if table.surface is Surface.ALUMINIUM]
    others = [table for table in tables if table.surface is Surface.COMPOSITE]
    for table in others:
        for row in table.rows:
            for like in (like for other in metal for like in other.rows if like.oat.text == row.oat.text):
                for column, cell in row.cells.items():
                    of_metal = like.cells.get(column)
                    if of_metal is not None and _more(
                        cell.lower_min, of_metal.lower_min, cell.upper_min, of_metal.upper_min
                    ):
                        what = f"{COLUMN_WORDS[column]} has more time than on aluminium"
                        yield Problem(f"{table.file}: {row.oat.text}", what)


def _longer(row: HoldoverRow, heavier: str, lighter: str) -> bool:
    one, other = row.cells.get(heavier), row.cells.get(lighter)
    if one is None or other is None:
        return False
    return _more(one.lower_min, other.lower_min, one.upper_min, other.upper_min)


def _more(lower: int | None, other_lower: int | None, upper: int | None, other_upper: int | None) -> bool:
    """Return whether the first of two cells gives more time; one with no time gives less than any."""
    if lower is None or upper is None:
        return False
    return other_lower is None or other_upper is None or lower > other_lower or upper > other_upper


def _adds_to(heavier: str, lighter: str) -> bool:
    """Return whether a precipitation is another one with something added or made heavier."""
    parts, base = heavier.split("+"), lighter.split("+")
    if heavier == lighter or len(base) > len(parts):
        return False
    return all(_covers(part, wanted) for part, wanted in zip(parts, base, strict=False))


def _covers(part: str, wanted: str) -> bool:
    name, _, intensity = part.rpartition("_")
    other, _, least = wanted.rpartition("_")
    order = ("very_light", "light", "moderate", "heavy")
    known = intensity in order and least in order
    return name == other and known and order.index(intensity) >= order.index(least)


def _reaches(band: Band, limit: Band | None, temp_c: float) -> bool:
    """Return whether a row, within the limit of its column, holds at this temperature or below it."""
    low = band.low if limit is None else max(band.low, limit.low)
    return low < temp_c or (temp_c in band and (limit is None or temp_c in limit))


def _below(band: Band, limit: Band | None, temp_c: float) -> bool:
    return (band.low if limit is None else max(band.low, limit.low)) < temp_c


def _strength(mix: str) -> int:
    share = mix.partition("/")[0]
    return int(share) if share.isdecimal() else 0

"""Holdover, frost, allowance and snow tables as values, the sets they come in, and which of them are in force."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal

from watcher.rulebook.snow import Snowfall
from watcher.treatment.bands import Band
from watcher.treatment.conditions import Condition
from watcher.treatment.weather import WeatherRow
from watcher.treatment.words import ONE_SNOW_COLUMN, Basis, Confidence, FluidType, Surface
from watcher.units import METRES_PER_STATUTE_MILE

Use = Literal["operation", "training"]


@dataclass(frozen=True, slots=True)
class Mark:
    """Where the figures of a row come from. `confidence` is None unless they are from memory."""

    basis: Basis
    confidence: Confidence | None
    source: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Cell:
    """Minutes from the heavier end of the weather to the lighter; both None where the table prints none or nothing."""

    lower_min: int | None = None
    upper_min: int | None = None


@dataclass(frozen=True, slots=True)
class HoldoverRow:
    """One band of temperature and one mix. `cells` by column."""

    oat: Band
    mix: str
    cells: Mapping[str, Cell]
    mark: Mark


@dataclass(frozen=True, slots=True)
class HoldoverTable:
    """The times of one fluid type on one surface. `limits`: the temperatures at which a whole column holds."""

    file: str
    title: str
    fluid: FluidType
    surface: Surface
    columns: tuple[str, ...]
    rows: tuple[HoldoverRow, ...]
    limits: Mapping[str, Band]

    def column(self, wanted: str) -> str:
        """Return the name of a column in this table: all snow is one column in some."""
        return ONE_SNOW_COLUMN if wanted not in self.columns and wanted.startswith("snow_") else wanted


@dataclass(frozen=True, slots=True)
class FrostRow:
    """The single time in active frost; None where the table says that there is none."""

    oat: Band
    fluid: FluidType
    surface: Surface
    mix: str
    minutes: int | None
    mark: Mark


@dataclass(frozen=True, slots=True)
class FrostTable:
    """Times in active frost."""

    file: str
    title: str
    rows: tuple[FrostRow, ...]


@dataclass(frozen=True, slots=True)
class AllowanceRow:
    """The single allowance time in a precipitation with ice pellets; None where there is none."""

    oat: Band
    precipitation: str
    fluid: FluidType
    mix: str
    minutes: int | None
    mark: Mark


@dataclass(frozen=True, slots=True)
class AllowanceTable:
    """Allowance times. They are no holdover times and no inspection extends them."""

    file: str
    title: str
    rows: tuple[AllowanceRow, ...]
    limits: Mapping[str, Band]


@dataclass(frozen=True, slots=True)
class ChartRow:
    """One cell of a chart: by day or night, in a band of temperature and one of visibility (in the chart's unit)."""

    night: bool
    oat: Band
    visibility: Band
    intensity: Snowfall
    mark: Mark


@dataclass(frozen=True, slots=True)
class SnowChart:
    """Snowfall intensity by visibility, temperature and daylight."""

    file: str
    title: str
    unit: Literal["SM", "m"]
    rows: tuple[ChartRow, ...]

    def rows_at(self, visibility_m: float, *, night: bool) -> tuple[ChartRow, ...]:
        """Return the rows for a visibility in metres, by day or night; not for the runway visual range."""
        # Reported visibilities are rounded to metres; a mile of 1609 m must not fall on the other side of 1 SM.
        value = round(visibility_m / METRES_PER_STATUTE_MILE, 3) if self.unit == "SM" else visibility_m
        return tuple(row for row in self.rows if row.night is night and value in row.visibility)


@dataclass(frozen=True, slots=True)
class TableSet:
    """The tables of one authority and season, from one head file.

    `use` training: never in force, whatever its dates say.
    """

    name: str
    season: str
    authority: str
    publisher: str
    valid_from: date
    valid_until: date
    use: Use
    basis: Basis
    provenance: str
    rights: str
    sources: Mapping[str, str]
    holdover: tuple[HoldoverTable, ...] = ()
    frost: tuple[FrostTable, ...] = ()
    allowance: tuple[AllowanceTable, ...] = ()
    charts: tuple[SnowChart, ...] = ()

    def in_force(self, day: date) -> bool:
        """Return whether the set may be used for a departure on a day; the first and last day belong to it."""
        return self.use == "operation" and self.valid_from <= day <= self.valid_until

    @property
    def files(self) -> tuple[str, ...]:
        """The files of its tables."""
        return tuple(
            table.file for group in (self.holdover, self.frost, self.allowance, self.charts) for table in group
        )


@dataclass(frozen=True, slots=True)
class Tables:
    """All that a look-up reads: the sets, which weather means which column, and what voids or shortens a time.

    `breaks_c`: every temperature at which anything in them may change.
    """

    sets: tuple[TableSet, ...]
    weather: tuple[WeatherRow, ...]
    conditions: tuple[Condition, ...]
    breaks_c: tuple[float, ...] = ()

    @property
    def authorities(self) -> tuple[str, ...]:
        """The authorities whose tables there are."""
        return tuple(sorted({each.authority for each in self.sets}))


def collected(sets: tuple[TableSet, ...], weather: tuple[WeatherRow, ...], conditions: tuple[Condition, ...]) -> Tables:
    """Return sets, weather and conditions as one value for look-ups."""
    bands: list[Band] = [row.oat for row in weather]
    for each in sets:
        for table in each.holdover:
            bands += [row.oat for row in table.rows]
            bands += table.limits.values()
        for allowance in each.allowance:
            bands += [row.oat for row in allowance.rows]
            bands += allowance.limits.values()
        bands += [row.oat for frost in each.frost for row in frost.rows]
        bands += [row.oat for chart in each.charts for row in chart.rows]
    return Tables(sets, weather, conditions, tuple(sorted({end for band in bands for end in band.ends})))

"""Wind, sky and weather of a batch over its grid: which state each member is in at each step.

A member passes from the report to the TAF, from one line of the TAF to the next at its own time within a BECMG, into
what is temporary for a share of the hours, and into what is only probable as often as its probability says. Beyond
the TAF it loses what is known little by little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from watcher.outlook.night.conditions import NOTHING_KNOWN, Condition
from watcher.outlook.night.draws import Draws, Even, Noise
from watcher.outlook.night.grid import Grid
from watcher.outlook.night.plan import Plan
from watcher.outlook.night.schedule import TEMPORARY_SHARE, Stretch
from watcher.physics.arrays import Array

Mask = npt.NDArray[np.bool_]
Index = npt.NDArray[np.intp]

# How long a report counts beside a TAF, and how long anything counts that nothing newer confirms. [h] Assumed.
REPORT_MEMORY_H, LAST_WORD_H = 2.0, 6.0
_TEMPORARY_BELOW = np.float32(NormalDist().inv_cdf(TEMPORARY_SHARE))
# A change of mean wind that makes the dew point less sure. [m/s] Common practice, no source.
_WIND_SHIFT_MS = 4.0
_NEVER = 1e9


@dataclass(frozen=True, slots=True)
class Table:
    """Conditions as columns, one row for each."""

    wind_low_ms: Array
    wind_high_ms: Array
    cloud_low: Array
    cloud_high: Array
    cloud_sd: Array
    unseen: Array
    fog: Array
    liquid: Array
    snow: Array
    freezing: Array

    def rows(self, index: Index) -> Table:
        """Return some of the rows, with a second axis for the members."""
        return Table(*(getattr(self, name)[index][:, None] for name in Table.__dataclass_fields__))


@dataclass(frozen=True, slots=True)
class Here:
    """The state at one step: stations x members, or x 1 where all members agree. The masks are None where nowhere."""

    wind_low_ms: Array
    wind_high_ms: Array
    cloud_low: Array
    cloud_high: Array
    unseen: Array
    fog: Mask | None
    liquid: Mask | None
    snow: Mask | None
    freezing: Mask | None


_MIXED = ("wind_low_ms", "wind_high_ms", "cloud_low", "cloud_high", "unseen")
_WEATHER = ("fog", "liquid", "snow", "freezing")


@dataclass(frozen=True, slots=True)
class States:
    """The states of a batch.

    Attributes
    ----------
    observed
        Of the latest reports, one row for each station.
    sky_weight, wind_weight
        How much of the report is still in cloud and wind, steps x stations.
    unsettled_h
        From when on the TAF has a shift of wind or precipitation, for each station.
    """

    hours: Array
    table: Table
    observed: Table
    prevailing: Index
    becoming: Index
    became: Array
    overlay: Index
    chance: Array
    temporary: Mask
    past: Mask
    fell_snow: Mask
    fell_rain: Mask
    sky_weight: Array
    wind_weight: Array
    weather_weight: Array
    unsettled_h: Array

    def at(self, step: int, draws: Draws) -> Here:
        """Return the state of every member at a step."""
        base = self.table.rows(self.prevailing[step])
        turned = self._turned(step, draws)
        low, high, cloud_low, cloud_high, unseen = (_mixed(name, base, turned) for name in _MIXED)
        return Here(low, high, cloud_low, cloud_high, unseen, **self._weather(step, draws, base, turned))

    def _turned(self, step: int, draws: Draws) -> list[tuple[Mask, Table]]:
        """Return what lies over the prevailing state, and for which members."""
        found = []
        if self.became[step].any():
            mask = draws.even[Even.BECOMING] < self.became[step][:, None]
            found.append((mask, self.table.rows(self.becoming[step])))
        if self.chance[step].any():
            mask = draws.even[Even.CHANCE] < self.chance[step][:, None]
            noise = draws.noise[Noise.TEMPORARY, min(max(int(self.hours[step]), 0), draws.noise.shape[1] - 1)]
            mask &= (noise < _TEMPORARY_BELOW) | ~self.temporary[step][:, None]
            found.append((mask, self.table.rows(self.overlay[step])))
        return found

    def _weather(
        self, step: int, draws: Draws, base: Table, turned: list[tuple[Mask, Table]]
    ) -> dict[str, Mask | None]:
        """Return the masks of the weather; that of the report gives way to that of the TAF."""
        past, still = self.past[step][:, None], draws.even[Even.OBSERVED] < self.weather_weight[step][:, None]
        fell = {"snow": self.fell_snow[step], "liquid": self.fell_rain[step]}
        found: dict[str, Mask | None] = {}
        for name in _WEATHER:
            seen = getattr(self.observed, name)
            before = fell.get(name)
            found[name] = None
            if any(part.any() for part in (seen, *(getattr(table, name) for table in (base, *_tables(turned))))):
                share = np.where(still, seen, _mixed(name, base, turned))
                found[name] = (draws.even[Even.FOG] < share) & ~past
            if before is not None and before.any():
                now = found[name]
                mask = np.broadcast_to(before[:, None], still.shape)
                found[name] = mask if now is None else now | mask
        return found


def _tables(turned: list[tuple[Mask, Table]]) -> list[Table]:
    return [table for _, table in turned]


def _mixed(name: str, base: Table, turned: list[tuple[Mask, Table]]) -> Array:
    value: Array = getattr(base, name)
    for mask, table in turned:
        value = np.where(mask, getattr(table, name), value)
    return value


def states_of(plans: Sequence[Plan], grid: Grid) -> States:
    """Return the states of a batch.

    Parameters
    ----------
    plans
        The questions.
    grid
        Their common times.
    """
    build = _Build(len(grid.hours), len(plans))
    observed = [build.row(plan.beginning.condition) for plan in plans]
    for column, plan in enumerate(plans):
        _fill(build, column, plan, grid.hours, observed[column])
    table = build.table()
    start = np.array([plan.start.hour for plan in plans])
    since = np.maximum(grid.hours[:, None] - start, 0)
    report = np.exp(-since / REPORT_MEMORY_H)
    seen = table.rows(np.array(observed, dtype=np.intp))
    forecast = np.array([bool(plan.schedule.prevailing) for plan in plans])
    no_sky = forecast & ~np.array([plan.beginning.condition.sky.known for plan in plans])
    no_wind = forecast & np.isnan(seen.wind_low_ms[:, 0])
    return States(
        hours=grid.hours,
        table=table,
        observed=seen,
        prevailing=build.prevailing,
        becoming=build.becoming,
        became=build.became,
        overlay=build.overlay,
        chance=build.chance,
        temporary=build.temporary,
        past=grid.hours[:, None] < start - 1e-6,
        fell_snow=build.fell_snow,
        fell_rain=build.fell_rain,
        sky_weight=np.where(no_sky, 0, report).astype(np.float32),
        wind_weight=np.where(no_wind, 0, report).astype(np.float32),
        weather_weight=report.astype(np.float32),
        unsettled_h=np.array([_unsettled_h(plan) for plan in plans]),
    )


class _Build:
    """The columns of States while they are filled station by station."""

    def __init__(self, steps: int, stations: int) -> None:
        shape = (steps, stations)
        self._rows: dict[Condition, int] = {}
        self.prevailing: Index = np.zeros(shape, dtype=np.intp)
        self.becoming: Index = np.zeros(shape, dtype=np.intp)
        self.overlay: Index = np.zeros(shape, dtype=np.intp)
        self.became: Array = np.zeros(shape, dtype=np.float32)
        self.chance: Array = np.zeros(shape, dtype=np.float32)
        self.temporary: Mask = np.zeros(shape, dtype=np.bool_)
        self.fell_snow: Mask = np.zeros(shape, dtype=np.bool_)
        self.fell_rain: Mask = np.zeros(shape, dtype=np.bool_)

    def row(self, condition: Condition) -> int:
        return self._rows.setdefault(condition, len(self._rows))

    def table(self) -> Table:
        rows = [_columns(condition) for condition in self._rows]
        return Table(*np.array(rows, dtype=np.float32).T)


def _columns(condition: Condition) -> tuple[float, ...]:
    sky, weather = condition.sky, condition.weather
    low, high = condition.wind_low_ms, condition.wind_high_ms
    return (
        np.nan if low is None else low,
        np.nan if high is None else high,
        sky.low,
        sky.high,
        sky.sd,
        sky.unseen,
        weather.fog,
        weather.liquid,
        weather.snow,
        weather.freezing,
    )


def _fill(build: _Build, column: int, plan: Plan, hours: Array, observed: int) -> None:
    def inside(stretch: Stretch) -> slice:
        edges = [(when - plan.begins_at).total_seconds() / 3600 for when in (stretch.begins_at, stretch.ends_at)]
        first, last = np.searchsorted(hours, np.array(edges) - 1e-6)
        return slice(int(first), int(last))

    schedule = plan.schedule
    build.prevailing[:, column] = observed
    last_word_h = max(plan.start.hour, 0.0)
    for number, stretch in enumerate(schedule.prevailing):
        where = inside(stretch)
        where = slice(0 if number == 0 else where.start, len(hours))
        build.prevailing[where, column] = build.row(stretch.condition)
        last_word_h = (stretch.ends_at - plan.begins_at).total_seconds() / 3600
    beyond = hours > last_word_h
    build.becoming[beyond, column] = build.row(NOTHING_KNOWN)
    build.became[beyond, column] = 1 - np.exp(-(hours[beyond] - last_word_h) / LAST_WORD_H)
    for stretch in schedule.becoming:
        where = inside(stretch)
        begin = (stretch.begins_at - plan.begins_at).total_seconds() / 3600
        length = (stretch.ends_at - stretch.begins_at).total_seconds() / 3600
        build.becoming[where, column] = build.row(stretch.condition)
        build.became[where, column] = (hours[where] - begin) / length if length else 1.0
    for stretch in schedule.overlays:
        where = inside(stretch)
        build.overlay[where, column] = build.row(stretch.condition)
        build.chance[where, column] = stretch.chance
        build.temporary[where, column] = stretch.share < 1
    for past in plan.fell:
        fell = (hours >= past.begins_h) & (hours < past.ends_h)
        (build.fell_snow if past.snow else build.fell_rain)[fell, column] = True


def _unsettled_h(plan: Plan) -> float:
    """Return when the TAF's first shift of wind or precipitation begins."""
    schedule = plan.schedule
    before = plan.beginning.condition.wind_high_ms
    hours = [_NEVER]
    for stretch in (*schedule.prevailing, *schedule.becoming, *schedule.overlays):
        wind = stretch.condition.wind_high_ms
        shifts = before is not None and wind is not None and abs(wind - before) > _WIND_SHIFT_MS
        if shifts or stretch.condition.weather.falls:
            hours.append((stretch.begins_at - plan.begins_at).total_seconds() / 3600)
    return min(hours)

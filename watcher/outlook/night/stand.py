"""The aircraft of a batch on their stands: since when, made clean when, with which fuel, under how much sky."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.outlook.night.draws import Draws, Even, Normal
from watcher.outlook.night.grid import Grid
from watcher.outlook.night.plan import Plan
from watcher.outlook.night.warmth import column
from watcher.physics.arrays import Array
from watcher.physics.surface import Uncertain

Rows = npt.NDArray[np.intp]

# Emissivity of painted skin, and how far a figure that is given may be off.
_PAINT, _GIVEN_EMISSIVITY = (0.85, 0.95), 0.03
_TRANSFER_SPREAD, _COUPLING_SPREAD = 0.20, 0.30
# Fuel of unknown temperature, about that of the air; one that is given or as warm as the hangar, about that. [K]
# Assumed, no source.
_FUEL_UNKNOWN_K, _FUEL_SURE_K = 10.0, 1.0
# A hangar of unknown temperature. [°C] Assumed, no source.
_HANGAR_C = (5.0, 18.0)
# A dry bay takes the temperature of its surroundings in 10 to 20 minutes.
_FELT_H = 1 / 3
_SAME_H = 1e-6


@dataclass(frozen=True, slots=True)
class Stand:
    """What happens to the aircraft, by step of the grid.

    Attributes
    ----------
    present_from
        Index of the first step at which the aircraft stands outside, for each station.
    cleaned
        Stations whose aircraft is clean and at the air's temperature, by step: parked or treated there.
    left_hangar
        Stations whose aircraft comes out of a hangar, by step.
    fuelled
        Stations whose fuel's temperature is set, by step.
    """

    present_from: Rows
    cleaned: dict[int, Rows]
    left_hangar: dict[int, Rows]
    fuelled: dict[int, Rows]
    hangar_c: Array
    fuel_given_c: Array
    fuel_offset_k: Array

    def fuel_c(self, around_c: Array) -> Array:
        """Return the fuel's temperature for every member: as given, else about that of what it stands in."""
        return np.where(np.isnan(self.fuel_given_c), around_c, self.fuel_given_c) + self.fuel_offset_k


def stand_of(plans: Sequence[Plan], grid: Grid, draws: Draws) -> Stand:
    """Return the aircraft of a batch."""
    present = [_index(grid, plan.present_h) for plan in plans]
    cleaned = _by_step(
        [
            *((index, row) for row, index in enumerate(present) if index > 0),
            *((_index(grid, hour), row) for row, hour in enumerate(p.clean_h for p in plans) if _recent(grid, hour)),
        ],
        grid,
    )
    exits = [(_index(grid, hour), row) for row, hour in enumerate(p.exit_h for p in plans) if _recent(grid, hour)]
    fuelled = [
        (max(present[row], grid.first), row) for row, p in enumerate(plans) if p.question.aircraft.fuel_c is not None
    ]
    given = [p.question.aircraft.fuel_c for p in plans]
    sure = [fuel is not None or _recent(grid, p.exit_h) for fuel, p in zip(given, plans, strict=True)]
    width = column([_FUEL_SURE_K if known else _FUEL_UNKNOWN_K for known in sure])
    return Stand(
        present_from=np.array(present, dtype=np.intp),
        cleaned=cleaned,
        left_hangar=_by_step(exits, grid),
        fuelled=_by_step(fuelled, grid),
        hangar_c=_hangar([p.question.aircraft.hangar_c for p in plans], draws),
        fuel_given_c=column([np.nan if value is None else value for value in given]),
        fuel_offset_k=(2 * draws.even[Even.FUEL] - 1) * width,
    )


def uncertain_of(plans: Sequence[Plan], draws: Draws) -> Uncertain:
    """Return what is not well known of skin and transfer, for every member."""
    given = [p.question.aircraft.emissivity for p in plans]
    low = column([_PAINT[0] if value is None else value - _GIVEN_EMISSIVITY for value in given])
    high = column([_PAINT[1] if value is None else value + _GIVEN_EMISSIVITY for value in given])
    emissivity = low + draws.even[Even.EMISSIVITY] * (high - low)
    sheltered = column([p.question.aircraft.sheltered for p in plans])
    return Uncertain(
        emissivity=np.clip(emissivity, 0.02, 1.0),
        transfer_factor=np.exp(np.float32(_TRANSFER_SPREAD) * draws.normal[Normal.TRANSFER]),
        coupling_factor=np.exp(np.float32(_COUPLING_SPREAD) * draws.normal[Normal.COUPLING]),
        sky_view=1.0 if (sheltered == 1).all() else sheltered,
    )


def _recent(grid: Grid, hour: float | None) -> bool:
    """Return whether something is still felt on the skin when the grid begins, or comes later."""
    return hour is not None and hour >= float(grid.hours[0]) - _FELT_H


def _index(grid: Grid, hour: float | None) -> int:
    """Return the last step at or before an hour, the first at the earliest; past the last one there is none."""
    assert hour is not None
    if hour > grid.hours[-1] + _SAME_H:
        return len(grid.hours)
    return max(int(np.searchsorted(grid.hours, hour + _SAME_H)) - 1, 0)


def _by_step(pairs: Sequence[tuple[int, int]], grid: Grid) -> dict[int, Rows]:
    found: dict[int, list[int]] = {}
    for index, row in pairs:
        if index < len(grid.hours):
            found.setdefault(index, []).append(row)
    return {index: np.array(rows, dtype=np.intp) for index, rows in found.items()}


def _hangar(temps: Sequence[float | None], draws: Draws) -> Array:
    low = column([_HANGAR_C[0] if t is None else t for t in temps])
    high = column([_HANGAR_C[1] if t is None else t for t in temps])
    return np.asarray(low + draws.even[Even.HANGAR] * (high - low))

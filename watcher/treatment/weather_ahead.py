"""The weather between now and the take-off, member by member: the members of the frost forecast, with what falls.

Report and TAF give way to one another in a member just as they do there, by the same random numbers, so that frost on
the wing, what falls on it and how long a fluid lasts in it belong together.

References
----------
.. [1] ICAO Doc 9640 and the published guidance by visibility: light snow up to 1.0, moderate up to 2.5 mm/h of water.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import floor

import numpy as np
import numpy.typing as npt

from watcher.outlook.night.air import AirPaths
from watcher.outlook.night.conditions import weather_of
from watcher.outlook.night.draws import Draws, Noise, draws_of
from watcher.outlook.night.ensemble import STRUCTURE_K
from watcher.outlook.night.grid import TEN_MINUTES, Grid, grid_of
from watcher.outlook.night.model import NightQuestion
from watcher.outlook.night.plan import Plan, plan_of
from watcher.outlook.night.stand import stand_of, uncertain_of
from watcher.outlook.night.sunlight import Sunlight, sunlight_of
from watcher.outlook.night.wing import Wing
from watcher.physics.arrays import Array
from watcher.physics.sun import is_night
from watcher.physics.surface import Part, exchange
from watcher.reports.weather import parse_weather
from watcher.treatment.falling import Codes, Falling, Mask, falls_of, usable
from watcher.treatment.kinds import Contamination

# Water equivalent on the wing from which snow counts as deep: some 5 cm. [kg/m2] Common practice, no source.
_DEEP_KG_M2 = 5.0
# By the sign of the group, the upper ends of the categories [1]; heavy: twice that of moderate. [mm/h]
_SNOW_MM_H = {"-": 1.0, "": 2.5, "+": 5.0}
# By number in `Ahead.lies`.
LYING: tuple[Contamination | None, ...] = (None, *Contamination)
_FROST, _SNOW, _ICE, _DEEP = (LYING.index(each) for each in Contamination)


@dataclass(frozen=True, slots=True)
class Ahead:
    """The hours ahead of one station and aircraft, every ten minutes.

    Attributes
    ----------
    begins_at
        Of the first step.
    key
        What names the random numbers: station and issue of the data.
    falling
        What may fall; `falls` are numbers into it.
    falls, temp_c, skin_c, frost
        Steps x members: what falls, temperature of air and untreated skin in °C, whether frost forms on that skin.
    lies
        Steps x members: what lies on the aircraft if nobody treats it, numbers into LYING.
    night
        By step; None where the place is not known.
    notes
        What is not known or widens the answer, in sentences.
    """

    begins_at: datetime
    key: str
    falling: tuple[Falling, ...]
    falls: Codes
    temp_c: Array
    skin_c: Array
    frost: Mask
    lies: Codes
    night: Mask | None
    notes: tuple[str, ...]

    @property
    def members(self) -> int:
        """Size of the ensemble."""
        return int(self.temp_c.shape[1])

    @property
    def ends_at(self) -> datetime:
        """Time of the last step."""
        return self.begins_at + (len(self.temp_c) - 1) * TEN_MINUTES

    def minutes(self, when: datetime) -> float:
        """Return a time in minutes from the beginning."""
        return (when - self.begins_at) / timedelta(minutes=1)

    def when(self, minutes: float) -> datetime:
        """Return the time so many minutes from the beginning, to the nearest minute, halves up."""
        # Equal times that an interpolation leaves a little apart must not fall to both sides of a half.
        return self.begins_at + timedelta(minutes=floor(round(float(minutes), 3) + 0.5))

    def step_of(self, minutes: Array) -> npt.NDArray[np.intp]:
        """Return the step in which each time lies; past the last one the last."""
        steps = np.floor(np.asarray(minutes) / (TEN_MINUTES / timedelta(minutes=1)))
        return np.asarray(np.clip(steps, 0, len(self.temp_c) - 1), dtype=np.intp)


def ahead_of(questions: Sequence[tuple[NightQuestion, Part]], *, members: int = 200) -> tuple[Ahead | None, ...]:
    """Return the hours ahead, in the order of the questions; None where no temperature is known.

    Parameters
    ----------
    questions
        What is known of station and aircraft, all with the same `now`, and the part of the wing that is looked at.
    members
        Size of the ensemble, at least 2.
    """
    found: list[Ahead | None] = [None] * len(questions)
    groups: dict[tuple[float, str], list[tuple[int, Plan, Part]]] = {}
    for number, (question, part) in enumerate(questions):
        plan = plan_of(question)
        if plan is not None:
            groups.setdefault((plan.back_h, part.name), []).append((number, plan, part))
    for group in groups.values():
        for (number, _, _), ahead in zip(
            group, _batch([plan for _, plan, _ in group], group[0][2], members), strict=True
        ):
            found[number] = ahead
    return tuple(found)


def _batch(plans: Sequence[Plan], part: Part, members: int) -> list[Ahead]:
    """Return the hours ahead of questions that share a grid."""
    first = plans[0]
    ahead = max(plan.ends_at - plan.begins_at for plan in plans)
    offset = timedelta(minutes=first.begins_at.minute % 30)
    grid = grid_of(ahead, first.back_h, offset, TEN_MINUTES)
    draws = draws_of([plan.key for plan in plans], members, ahead / timedelta(hours=1))
    sunlight = sunlight_of([plan.question.station for plan in plans], [plan.begins_at for plan in plans], grid)
    skins = _skins(plans, part, grid, draws, sunlight)
    return [_one(plan, row, (grid, sunlight), draws, skins) for row, plan in enumerate(plans)]


@dataclass(frozen=True, slots=True)
class _Skins:
    """Steps x stations x members."""

    temp_c: Array
    skin_c: Array
    frost: Mask
    deposit: Mask
    residual: Mask
    covered: Mask

    def of(self, row: int) -> _Skins:
        """Return those of one station: steps x members."""
        return _Skins(*(getattr(self, name)[:, row] for name in _Skins.__dataclass_fields__))


def _skins(plans: Sequence[Plan], part: Part, grid: Grid, draws: Draws, sunlight: Sunlight) -> _Skins:
    paths = AirPaths(plans, grid, draws, sunlight)
    unsure, stand = uncertain_of(plans, draws), stand_of(plans, grid, draws)
    shape = (len(grid.hours) - grid.first, *draws.even.shape[1:])
    kept = _Skins(*(np.empty(shape, np.float32) for _ in range(2)), *(np.empty(shape, np.bool_) for _ in range(4)))
    wing: Wing | None = None
    for index, hour in enumerate(grid.hours):
        air = paths.at(index)
        acting = exchange(air.forcing(paths.pressure_hpa), unsure)
        if wing is None:
            wing = Wing(part, stand, air, acting)
        else:
            wing.advance(index, air, acting, 3600 * float(hour - grid.hours[index - 1]))
        number = index - grid.first
        if number < 0:
            continue
        seen = wing.see(index, air, np.float32(STRUCTURE_K) * draws.at(Noise.STRUCTURE, float(hour)))
        kept.temp_c[number], kept.skin_c[number], kept.frost[number] = air.temp_c, seen.skin_c, seen.active
        kept.deposit[number], kept.residual[number], kept.covered[number] = seen.deposit, seen.residual, seen.covered
    return kept


def _one(plan: Plan, row: int, times: tuple[Grid, Sunlight], draws: Draws, skins: _Skins) -> Ahead:
    grid, sunlight = times
    hours = grid.hours[grid.first :]
    falling, falls = falls_of(plan, hours, row, draws)
    elevation = sunlight.elevation_deg[grid.first :, row]
    dark = np.array([is_night(float(each)) for each in elevation])
    skin = skins.of(row)
    outside = hours >= max(plan.clean_h or 0.0, plan.exit_h or 0.0, 0.0) - 1e-6
    return Ahead(
        begins_at=plan.begins_at,
        key=plan.key,
        falling=falling,
        falls=falls,
        temp_c=skin.temp_c,
        skin_c=skin.skin_c,
        frost=skin.frost,
        lies=_lying(falling, falls, skin, outside[:, None]),
        night=None if np.isnan(elevation[0]) else dark,
        notes=(*plan.notes, *_notes(plan)),
    )


def _notes(plan: Plan) -> list[str]:
    if not usable(plan.question.forecast):
        return ["No TAF: the latest report is taken to hold for an hour, and after it what falls is not known."]
    return []


def _lying(falling: tuple[Falling, ...], falls: Codes, skin: _Skins, outside: Mask) -> Codes:
    """Return what lies on the aircraft: the least work first, so that the most counts."""
    covered = skin.covered
    freezes = np.array([_freezes(each) for each in falling])[falls] & covered & outside
    snows = np.where(covered & outside, np.array([_snow_mm_h(each) for each in falling])[falls], 0.0)
    frozen = np.logical_or.accumulate(freezes, axis=0) & covered
    depth = np.cumsum(snows, axis=0) * (TEN_MINUTES / timedelta(hours=1))
    lies = np.zeros(falls.shape, np.int16)
    lies[skin.deposit] = _FROST
    lies[covered] = _SNOW
    lies[skin.residual | frozen] = _ICE
    lies[covered & (depth >= _DEEP_KG_M2)] = _DEEP
    return lies


def _freezes(falling: Falling) -> bool:
    return weather_of(falling.weather or (), falling.visibility_m).freezing


def _snow_mm_h(falling: Falling) -> float:
    groups = [group for text in falling.weather or () if (group := parse_weather(text)) is not None]
    return max((_SNOW_MM_H.get(group.sign, 0.0) for group in groups if group.is_frozen_precipitation), default=0.0)

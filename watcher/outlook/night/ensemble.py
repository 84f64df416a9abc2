"""The ensemble: many members of the night at once, over stations and members without a loop over either.

Read `nights` first, then `_batch`: air (`air.py`) acts on three parts of the wing (`wing.py`), and members are counted
(`tally.py`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from watcher.outlook.night.air import AirPaths
from watcher.outlook.night.draws import Draws, Noise, draws_of
from watcher.outlook.night.grid import TEN_MINUTES, Grid, grid_of
from watcher.outlook.night.model import Night, NightQuestion, Steps
from watcher.outlook.night.plan import Plan, plan_of, unanswered
from watcher.outlook.night.stand import stand_of, uncertain_of
from watcher.outlook.night.sunlight import sunlight_of
from watcher.outlook.night.tally import Marks, Outcome, Tally, packed, quantiles_of
from watcher.outlook.night.wing import Wing
from watcher.physics.arrays import Array
from watcher.physics.surface import DRY_BAY, TANK_FULL, TANK_PART, exchange

PARTS = (DRY_BAY, TANK_FULL, TANK_PART)
# Error of the model itself, from a thin panel at night. [K]
STRUCTURE_K = 0.7
# Stations in one batch: 40,000 members at once take numpy longer than its calls do, and 30 MiB.
BATCH = 200
_HOUR = timedelta(hours=1)
_NOTHING_KNOWN = ("No temperature is known, from a report or from a TAF: no answer.",)


def nights(
    questions: Sequence[NightQuestion], *, members: int = 200, dt: timedelta = TEN_MINUTES, threads: int = 2
) -> tuple[Night, ...]:
    """Return the answers, in the order of the questions.

    Parameters
    ----------
    questions
        Stations and aircraft; 36 hours ahead at most.
    members
        Size of the ensemble.
    dt
        Step: ten minutes or a whole part of it.
    threads
        How many batches run at once.

    Returns
    -------
    tuple
        One night for each. The same question gets the same answer, whatever others are asked with it.

    Raises
    ------
    ValueError
        Fewer than two members, or a step that does not divide ten minutes.

    Notes
    -----
    No measurement of an aircraft's wing was available: a thin panel and natural ground stand in for it.
    """
    if members < 2:
        raise ValueError("members: at least 2")
    if dt <= timedelta(0) or TEN_MINUTES % dt:
        raise ValueError("dt: ten minutes or a whole part of it")
    answers: list[Night | None] = [None] * len(questions)
    plans: list[tuple[int, Plan]] = []
    for number, question in enumerate(questions):
        plan = plan_of(question)
        if plan is None:
            answers[number] = unanswered(question, members, _NOTHING_KNOWN)
        else:
            plans.append((number, plan))
    batches = list(_batches(plans))
    with ThreadPoolExecutor(threads) as pool:
        run = pool.map if len(batches) > 1 else map
        for batch, found in zip(batches, run(lambda b: _batch([p for _, p in b], members, dt), batches), strict=True):
            for (number, _), night in zip(batch, found, strict=True):
                answers[number] = night
    return tuple(answer for answer in answers if answer is not None)


def _batches(plans: Sequence[tuple[int, Plan]]) -> Iterator[list[tuple[int, Plan]]]:
    """Yield questions that share a grid: looking back as far, and equally far from a half hour of the clock."""
    groups: dict[tuple[float, timedelta], list[tuple[int, Plan]]] = {}
    for item in plans:
        groups.setdefault((item[1].back_h, _offset(item[1].begins_at)), []).append(item)
    for group in groups.values():
        group.sort(key=lambda item: item[1].ends_at - item[1].begins_at)
        for first in range(0, len(group), BATCH):
            yield group[first : first + BATCH]


def _offset(when: datetime) -> timedelta:
    return timedelta(minutes=when.minute % 30)


@dataclass(frozen=True, slots=True)
class _Kept:
    """Quantiles of the air and of each part's skin at the marks, marks x stations x quantiles."""

    marks: Marks
    air: Array
    skins: tuple[Array, ...]


def _batch(plans: Sequence[Plan], members: int, dt: timedelta) -> list[Night]:
    """Return the nights of questions that share a grid."""
    ahead = max(plan.ends_at - plan.begins_at for plan in plans)
    grid = grid_of(ahead, plans[0].back_h, _offset(plans[0].begins_at), dt)
    draws = draws_of([plan.key for plan in plans], members, ahead / _HOUR)
    sunlight = sunlight_of([p.question.station for p in plans], [p.begins_at for p in plans], grid)
    paths = AirPaths(plans, grid, draws, sunlight)
    last = np.array([round((plan.ends_at - plan.begins_at) / dt) for plan in plans], dtype=np.intp)
    marks = Marks(last, frozenset(i for i in range(len(grid.hours) - grid.first) if grid.is_mark(grid.first + i)), dt)
    tallies = [Tally(grid.hours[grid.first :], last, members) for _ in PARTS]
    kept = _Kept(marks, _room(grid, plans, 6), tuple(_room(grid, plans, 3) for _ in PARTS))
    _go(grid, paths, draws, plans, tallies=tallies, kept=kept)
    outcomes = [tally.result() for tally in tallies]
    return [_night(plan, row, members, outcomes, kept) for row, plan in enumerate(plans)]


def _room(grid: Grid, plans: Sequence[Plan], width: int) -> Array:
    return np.full((len(grid.hours) - grid.first, len(plans), width), np.nan, dtype=np.float32)


def _go(
    grid: Grid, paths: AirPaths, draws: Draws, plans: Sequence[Plan], *, tallies: Sequence[Tally], kept: _Kept
) -> None:
    """Go through the steps: the air, the three parts, and from the beginning on the counts."""
    unsure, stand = uncertain_of(plans, draws), stand_of(plans, grid, draws)
    wings: list[Wing] = []
    for index, hour in enumerate(grid.hours):
        air = paths.at(index)
        acting = exchange(air.forcing(paths.pressure_hpa), unsure)
        if index == 0:
            wings = [Wing(part, stand, air, acting) for part in PARTS]
        else:
            dt_s = 3600 * float(hour - grid.hours[index - 1])
            for wing in wings:
                wing.advance(index, air, acting, dt_s)
        number = index - grid.first
        if number < 0:
            continue
        rows = kept.marks.at(number)
        kept.air[number, rows, :3] = quantiles_of(air.temp_c[rows])
        kept.air[number, rows, 3:] = quantiles_of(air.frost_point_c[rows])
        error = np.float32(STRUCTURE_K) * draws.at(Noise.STRUCTURE, float(hour))
        for wing, tally, skins in zip(wings, tallies, kept.skins, strict=True):
            seen = wing.see(index, air, error)
            tally.add(number, seen)
            skins[number, rows] = quantiles_of(seen.skin_c[rows])


def _night(plan: Plan, row: int, members: int, outcomes: Sequence[Outcome], kept: _Kept) -> Night:
    last = int(kept.marks.last[row])
    indices, times = kept.marks.of(row, plan.begins_at)
    air = packed(kept.air[indices, row])
    parts = []
    for part, outcome, skins in zip(PARTS, outcomes, kept.skins, strict=True):
        values = np.concatenate([outcome.chances[indices, row], skins[indices, row]], axis=1)
        parts.append(outcome.part_night(part.name, row, plan.begins_at, Steps(times, packed(values), air)))
    worst = max(parts, key=lambda part: (part.p_any, part.p_deposit))
    forecast = plan.question.forecast
    return Night(
        station=plan.question.station.code,
        begins_at=plan.begins_at,
        ends_at=plan.ends_at,
        members=members,
        parts=tuple(parts),
        worst_part=worst.part,
        onset=worst.onset,
        end=worst.end,
        p_any=worst.p_any,
        notes=(*plan.notes, *_seen_notes(outcomes[parts.index(worst)].chances[: last + 1, row])),
        observed_at=None if plan.question.latest is None else plan.question.latest.observed_at,
        forecast_issued_at=None if forecast is None else forecast.issued_at,
    )


_WORTH_SAYING, _LIKELY = 0.05, 0.5


def _seen_notes(chances: Array) -> list[str]:
    """Return what lies on the wing beside frost, from the worst part's chances by step."""
    residual, precipitation = (float(value) for value in chances[:, 2:].max(axis=0))
    notes = []
    if precipitation >= _LIKELY:
        notes.append(
            "Snow or freezing precipitation on the wing likely: the chance of frost is not the whole answer, and its "
            "clock stops there."
        )
    elif precipitation >= _WORTH_SAYING:
        notes.append(
            "Snow or freezing precipitation on the wing possible: the chance of frost is not the whole answer."
        )
    if residual >= _WORTH_SAYING:
        notes.append("Water left on the wing may freeze, whatever the dew point.")
    return notes

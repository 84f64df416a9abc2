"""How full the bays and rigs of each site are, half hour by half hour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from watcher.outlook.night.tally import quantiles_of
from watcher.physics.arrays import Array
from watcher.treatment.case import Reach
from watcher.treatment.chain import RIGS
from watcher.treatment.falling import Mask
from watcher.treatment.listed import HALF_HOUR, HalfHour, Range
from watcher.treatment.option import Trial
from watcher.treatment.weather_ahead import Ahead

# Fewer bays busy than this in nine of ten members: nothing is going on.
_WORTH_SAYING = 0.05
_MINUTES = HALF_HOUR.total_seconds() / 60


@dataclass(frozen=True, slots=True)
class Treated:
    """A departure after the queue. `begins`: when it has its bay; `needs`: members in which it is treated at all."""

    trial: Trial
    reach: Reach
    begins: Array
    needs: Mask


def load_of(treated: Sequence[Treated]) -> tuple[HalfHour, ...]:
    """Return the load of every site in which something is treated, by site and half hour."""
    groups: dict[tuple[str, str], list[Treated]] = {}
    for each in treated:
        groups.setdefault((each.trial.case.departure.station, each.trial.site.name), []).append(each)
    return tuple(half for _, group in sorted(groups.items()) for half in _site(group))


def _site(group: Sequence[Treated]) -> list[HalfHour]:
    ahead = group[0].trial.case.ahead
    ends = [each.begins + np.where(each.needs, each.reach.legs.in_bay, 0.0) for each in group]
    edges = _edges(ahead, min(each.begins.min() for each in group), max(end.max() for end in ends))
    shape = (len(edges), ahead.members)
    bays, rigs, count, wait = (np.zeros(shape) for _ in range(4))
    broken, untold = np.zeros(shape, np.bool_), np.zeros(len(edges), np.bool_)
    for each, end in zip(group, ends, strict=True):
        share = np.clip(np.minimum(end, edges[:, None] + _MINUTES) - np.maximum(each.begins, edges[:, None]), 0, None)
        share /= _MINUTES
        bays += share
        rigs += share * min(RIGS[each.trial.case.profile.size], each.trial.site.rigs)
        inside = (each.begins >= edges[:, None]) & (each.begins < edges[:, None] + _MINUTES) & each.needs
        count += inside
        np.maximum(wait, inside * (each.begins - each.reach.approach.arrives), out=wait)
        within = each.trial.cover.within_lower
        if within is None:
            untold |= inside.any(axis=1)
        else:
            broken |= inside & ~within
    columns = [quantiles_of(values) for values in (count, bays, rigs, wait)]
    used = np.flatnonzero(columns[1][:, 2] >= _WORTH_SAYING)
    return [
        _half(group[0], edges[row], [each[row] for each in columns], _chance(broken, untold, int(row))) for row in used
    ]


def _chance(broken: Mask, untold: Mask, row: int) -> float | None:
    return None if untold[row] else float(broken[row].mean())


def _half(first: Treated, edge: float, columns: Sequence[Array], p_broken: float | None) -> HalfHour:
    case, site = first.trial.case, first.trial.site
    aircraft, bays, rigs, wait = (Range(*(round(float(each), 2) for each in column)) for column in columns)
    return HalfHour(
        station=case.departure.station,
        site=site.name,
        place=site.place,
        begins_at=case.ahead.when(edge),
        bays=site.bays,
        rigs=site.rigs,
        aircraft=aircraft,
        bays_busy=bays,
        rigs_busy=rigs,
        wait_min=wait,
        p_broken=p_broken,
    )


def _edges(ahead: Ahead, first: float, last: float) -> Array:
    """Return the half hours of the clock from the first time to the last, in minutes."""
    begin = ahead.begins_at.astimezone(UTC)
    midnight = datetime(begin.year, begin.month, begin.day, tzinfo=UTC)
    offset = ahead.minutes(midnight) % _MINUTES
    start = np.floor((first - offset) / _MINUTES) * _MINUTES + offset
    return np.asarray(np.arange(start, last + 1e-6, _MINUTES))

"""What falls on the way to the take-off, member by member: the report and the TAF by the numbers of the frost forecast.

References
----------
.. [1] WMO-No. 306, FM 51: BECMG, TEMPO and PROB.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import inf
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from watcher.outlook.layers import Layer, layers_of
from watcher.outlook.night.draws import Draws, Even, Noise
from watcher.outlook.night.model import NightQuestion
from watcher.outlook.night.plan import Plan
from watcher.outlook.night.schedule import TEMPORARY_SHARE
from watcher.outlook.night.states import REPORT_MEMORY_H
from watcher.physics.arrays import Array
from watcher.reports.model import Forecast, Period, VisibilityBound
from watcher.rulebook.observed import observed_facts
from watcher.rulebook.words import Certainty

Mask = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.int16]

# A report alone, without a TAF, is taken to hold for so long. Common practice, no source.
REPORT_ALONE_H = 1.0
_TEMPORARY_BELOW = NormalDist().inv_cdf(TEMPORARY_SHARE)
_CHANCE = {
    Certainty.TEMPORARY: 1.0,
    Certainty.PROBABILITY_40: 0.4,
    Certainty.PROBABILITY_40_TEMPORARY: 0.4,
    Certainty.PROBABILITY_30: 0.3,
    Certainty.PROBABILITY_30_TEMPORARY: 0.3,
}
_TEMPORARY = frozenset({Certainty.TEMPORARY, Certainty.PROBABILITY_40_TEMPORARY, Certainty.PROBABILITY_30_TEMPORARY})


@dataclass(frozen=True, slots=True)
class Falling:
    """What falls and how far one sees. `weather` None: not known, and then there is no answer."""

    weather: tuple[str, ...] | None
    visibility_m: float | None = None
    visibility_bound: VisibilityBound | None = None
    automatic: bool = False


NOT_KNOWN = Falling(None)


def usable(forecast: Forecast | None) -> bool:
    """Return whether a TAF says anything."""
    return forecast is not None and forecast.begins_at is not None and not (forecast.cancelled or forecast.nil)


def falls_of(plan: Plan, hours: Array, row: int, draws: Draws) -> tuple[tuple[Falling, ...], Codes]:
    """Return what may fall, and which of it does in each member at each step: numbers, steps x members.

    Parameters
    ----------
    plan
        The station's question made ready.
    hours
        Of the steps, from its beginning.
    row, draws
        Its row in the random numbers of the batch.
    """
    known: dict[Falling, int] = {NOT_KNOWN: 0}
    falls = np.zeros((len(hours), draws.even.shape[2]), np.int16)
    seen, latest = _observed(plan.question), plan.question.latest
    reported_at = plan.beginning.at if latest is None else latest.observed_at
    start_h = min((reported_at - plan.begins_at).total_seconds() / 3600, 0.0)
    forecast = plan.question.forecast
    if forecast is None or not usable(forecast):
        falls[hours <= start_h + REPORT_ALONE_H] = known.setdefault(seen, len(known))
        return tuple(known), falls
    for number, layer in enumerate(_in_order(layers_of(forecast))):
        where = _inside(layer, plan.begins_at, hours, from_start=number == 0)
        code = known.setdefault(_forecast(layer.state), len(known))
        falls[where] = np.where(_turned(layer, plan.begins_at, hours[where], row, draws), code, falls[where])
    if latest is not None:
        still = draws.even[Even.OBSERVED, row] < np.exp(-(hours[:, None] - start_h) / REPORT_MEMORY_H)
        falls[still & (falls != 0)] = known.setdefault(seen, len(known))
    return tuple(known), falls


def _in_order(layers: Sequence[Layer]) -> list[Layer]:
    """Return the prevailing states first, over them what becomes, over that what is temporary or only probable.

    Of several of the last kind the one in which one sees least lies on top.
    """
    order = {Certainty.PREVAILING: 0, Certainty.BECOMING: 1}

    def place(layer: Layer) -> tuple[int, float, datetime]:
        level = order.get(layer.certainty, 2)
        clear_m = layer.state.visibility_m if layer.state.visibility_m is not None else inf
        return level, -clear_m if level == 2 else 0.0, layer.begins_at

    return sorted(layers, key=place)


def _inside(layer: Layer, begins_at: datetime, hours: Array, *, from_start: bool) -> slice:
    edges = [(when - begins_at).total_seconds() / 3600 - 1e-6 for when in (layer.begins_at, layer.ends_at)]
    first, last = np.searchsorted(hours, edges)
    return slice(0 if from_start else int(first), int(last))


def _turned(layer: Layer, begins_at: datetime, hours: Array, row: int, draws: Draws) -> Mask:
    """Return in which members a layer is in force at some hours: steps x members."""
    if layer.certainty is Certainty.PREVAILING:
        return np.ones((len(hours), 1), np.bool_)
    if layer.certainty is Certainty.BECOMING:
        begin = (layer.begins_at - begins_at).total_seconds() / 3600
        length = (layer.ends_at - layer.begins_at).total_seconds() / 3600
        return np.asarray(draws.even[Even.BECOMING, row] < ((hours - begin) / length)[:, None])
    there = np.broadcast_to(draws.even[Even.CHANCE, row] < _CHANCE[layer.certainty], (len(hours), draws.even.shape[2]))
    if layer.certainty not in _TEMPORARY:
        return there
    knots = np.clip(hours.astype(np.intp), 0, draws.noise.shape[1] - 1)
    return np.asarray(there & (draws.noise[Noise.TEMPORARY, knots, row] < _TEMPORARY_BELOW))


def _observed(question: NightQuestion) -> Falling:
    latest = question.latest
    if latest is None:
        return NOT_KNOWN
    texts = observed_facts(latest, station=question.station, history=(), now=question.now).values["weather"]
    if not isinstance(texts, frozenset):
        return NOT_KNOWN
    return Falling(tuple(sorted(texts)), latest.visibility_m, latest.visibility_bound, latest.auto)


def _forecast(state: Period) -> Falling:
    return Falling(tuple(sorted(state.weather or ())), state.visibility_m, state.visibility_bound)

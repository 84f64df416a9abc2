"""Where a night begins: temperature, dew point and wind from the latest reports, with what they leave open.

References
----------
.. [1] Edges of rounding: a reported whole degree stands for half a degree to each side, M00 and 00 for half of that
   (`temp_c_low`, `temp_c_high` of the observation); the group of tenths makes them narrow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.outlook.night.conditions import NOTHING_KNOWN, Condition, observed_condition
from watcher.outlook.night.model import NightQuestion
from watcher.reports.model import Observation
from watcher.rulebook.history import Moment

STALE = timedelta(minutes=90)
_ROUNDING_K = 0.5
# Two reports this near in time that differ by more have one that is wrong: both are kept possible.
_NEAR, _DISAGREE_K = timedelta(minutes=35), 3.0


@dataclass(frozen=True, slots=True)
class Beginning:
    """What the reports say of the present.

    `at`: time of the temperature. `dew` None: not known, the humidity is taken as 60 to 100 %. `stale`: the report is
    older than 90 minutes. `notes`: what is not as it should be, in sentences.
    """

    at: datetime
    temp: tuple[float, float]
    dew: tuple[float, float] | None
    condition: Condition
    pressure_hpa: float | None
    stale: bool
    snow_on_ground: bool
    notes: tuple[str, ...]


def beginning_of(question: NightQuestion) -> Beginning | None:
    """Return where the night begins; None where no temperature is known.

    Parameters
    ----------
    question
        The latest report counts; without a temperature in it the last one of the history, else the nearest of the TAF.
    """
    latest, notes = question.latest, list[str]()
    measured = _temperature(latest, question.history) or _of_taf(question)
    if measured is None:
        return None
    at, temp = measured
    dew = _dew_point(latest)
    temp = _with_doubt(at, temp, question.history, notes)
    stale = question.now - at > STALE
    condition = NOTHING_KNOWN if latest is None else observed_condition(latest)
    notes.extend(_missing(latest, condition, dew))
    if latest is None or latest.temp_c is None:
        notes.append("The latest report has no temperature; an older one or the TAF stands in.")
    elif stale:
        minutes = round((question.now - at).total_seconds() / 60)
        notes.append(f"The latest report is {minutes} min old, which widens the answer.")
    return Beginning(
        at=at,
        temp=temp,
        dew=dew,
        condition=condition,
        pressure_hpa=None if latest is None else latest.pressure_hpa,
        stale=stale,
        snow_on_ground=latest is not None and bool(latest.remarks.snow_depth_cm),
        notes=tuple(notes),
    )


def _interval(value: float | None, low: float | None, high: float | None) -> tuple[float, float] | None:
    if value is None:
        return None
    return (value - _ROUNDING_K if low is None else low, value + _ROUNDING_K if high is None else high)


def _dew_point(latest: Observation | None) -> tuple[float, float] | None:
    if latest is None:
        return None
    return _interval(latest.dew_point_c, latest.dew_point_c_low, latest.dew_point_c_high)


def _temperature(latest: Observation | None, history: Sequence[Moment]) -> tuple[datetime, tuple[float, float]] | None:
    if latest is not None:
        temp = _interval(latest.temp_c, latest.temp_c_low, latest.temp_c_high)
        if temp is not None:
            return latest.observed_at, temp
    for moment in reversed(history):
        if moment.temp_c is not None:
            return moment.observed_at, (moment.temp_c - _ROUNDING_K, moment.temp_c + _ROUNDING_K)
    return None


def _of_taf(question: NightQuestion) -> tuple[datetime, tuple[float, float]] | None:
    """Return all that lies between the TAF's lowest and highest temperature, at the present."""
    temps = () if question.forecast is None else question.forecast.temps
    if not temps:
        return None
    values = [temp.temp_c for temp in temps]
    return question.now, (min(values) - 2, max(values) + 2)


def _with_doubt(
    at: datetime, temp: tuple[float, float], history: Sequence[Moment], notes: list[str]
) -> tuple[float, float]:
    for moment in history:
        if moment.temp_c is None or moment.observed_at == at or abs(at - moment.observed_at) > _NEAR:
            continue
        if abs(moment.temp_c - (temp[0] + temp[1]) / 2) > _DISAGREE_K:
            notes.append("Two reports within half an hour differ by more than 3 K; both are kept possible.")
            return min(temp[0], moment.temp_c - _ROUNDING_K), max(temp[1], moment.temp_c + _ROUNDING_K)
    return temp


def _missing(latest: Observation | None, condition: Condition, dew: tuple[float, float] | None) -> list[str]:
    if latest is None:
        return ["No usable report: wind, cloud and humidity are not known."]
    notes = []
    if dew is None:
        notes.append("The dew point is not known; 60 to 100 % humidity is taken as possible.")
    if condition.wind_low_ms is None:
        notes.append("The wind is not known.")
    if not condition.sky.known:
        notes.append("The cloud is not known.")
    if not latest.weather_observable:
        notes.append("Whether anything falls is not known.")
    return notes

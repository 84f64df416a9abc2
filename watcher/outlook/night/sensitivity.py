"""What would change the answer: the same night with another sky, another wind and another dew point.

Each is asked of the ensemble again with the same random numbers, so that a difference is the change and not chance.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from watcher.outlook.night.model import Night, NightQuestion
from watcher.reports.model import CloudLayer, Observation, Period

# Smaller differences are not worth a line, in percentage points. Common practice, no source.
WORTH_SAYING = 5.0
_CLEAR = (CloudLayer("NSC", None),)
_OVERCAST = (CloudLayer("OVC", 2000),)
_FRESH_KT = 10.0
_STEP_K = 1.0


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """One change of what is known, and the answer it would give.

    `change`: in words. `p_any`, `p_deposit`: the chance that frost forms at any time and that a deposit lies on the
    wing at the end, of the part where each is highest. `_points`: the difference in percentage points.
    """

    change: str
    p_any: float
    p_any_points: float
    p_deposit: float
    p_deposit_points: float

    @property
    def size(self) -> float:
        """The larger of the two differences, without sign."""
        return max(abs(self.p_any_points), abs(self.p_deposit_points))


def variants(question: NightQuestion) -> tuple[tuple[str, NightQuestion], ...]:
    """Return the question with one thing changed at a time, each with its words.

    Parameters
    ----------
    question
        As it was asked. The sky and the wind are changed in the report and in every line of the TAF; without a TAF
        the report alone is changed, and what it says is forgotten little by little as in any answer.
    """
    reach = "all night" if question.forecast is not None else "in the report"
    return (
        (f"clear sky {reach}", _with_sky(question, _CLEAR)),
        (f"overcast at 2000 ft {reach}", _with_sky(question, _OVERCAST)),
        (f"calm {reach}", _with_wind(question, 0.0)),
        (f"wind of {_FRESH_KT:.0f} kt {reach}", _with_wind(question, _FRESH_KT)),
        *_with_dew_points(question),
    )


def sensitivities(night: Night, others: Sequence[tuple[str, Night]]) -> tuple[Sensitivity, ...]:
    """Return the changes that move the answer by 5 percentage points or more, the largest first.

    Parameters
    ----------
    night
        The answer.
    others
        The answers to the changed questions, with their words.
    """
    if night.p_any is None:
        return ()
    found = [
        Sensitivity(
            change=words,
            p_any=other.p_any,
            p_any_points=round(100 * (other.p_any - night.p_any), 1),
            p_deposit=deposit_chance(other),
            p_deposit_points=round(100 * (deposit_chance(other) - deposit_chance(night)), 1),
        )
        for words, other in others
        if other.p_any is not None
    ]
    return tuple(sorted((item for item in found if item.size >= WORTH_SAYING), key=lambda item: -item.size))


def deposit_chance(night: Night) -> float:
    """Return the chance of a deposit at the end on the part where it is highest; 0 where nothing was computed."""
    return max((part.p_deposit for part in night.parts), default=0.0)


def _with_sky(question: NightQuestion, clouds: tuple[CloudLayer, ...]) -> NightQuestion:
    latest = question.latest
    if latest is not None:
        latest = latest._replace(clouds=clouds, cavok=False, vertical_visibility_ft=None)
    return _changed(
        question, latest, lambda period: replace(period, clouds=clouds, cavok=False, vertical_visibility_ft=None)
    )


def _with_wind(question: NightQuestion, wind_kt: float) -> NightQuestion:
    latest = question.latest
    if latest is not None:
        latest = latest._replace(wind_kt=wind_kt, wind_variable=False, gust_kt=None)
    return _changed(
        question, latest, lambda period: replace(period, wind_kt=wind_kt, wind_variable=False, gust_kt=None)
    )


def _changed(question: NightQuestion, latest: Observation | None, change: Callable[[Period], Period]) -> NightQuestion:
    forecast = question.forecast
    if forecast is not None:
        forecast = replace(forecast, periods=tuple(change(period) for period in forecast.periods))
    return replace(question, latest=latest, forecast=forecast)


def _with_dew_points(question: NightQuestion) -> Sequence[tuple[str, NightQuestion]]:
    """Return it lower and higher; higher no further than the temperature, and neither where it is not known."""
    latest = question.latest
    if latest is None or latest.dew_point_c is None or latest.temp_c is None:
        return ()
    higher = min(_STEP_K, latest.temp_c - latest.dew_point_c)
    found = [(f"dew point {_STEP_K:g} K lower", replace(question, latest=_moved(latest, -_STEP_K)))]
    if higher > 0:
        found.append((f"dew point {higher:.2g} K higher", replace(question, latest=_moved(latest, higher))))
    return found


def _moved(latest: Observation, by_k: float) -> Observation:
    def moved(value: float | None) -> float | None:
        return None if value is None else value + by_k

    return latest._replace(
        dew_point_c=moved(latest.dew_point_c),
        dew_point_c_low=moved(latest.dew_point_c_low),
        dew_point_c_high=moved(latest.dew_point_c_high),
    )

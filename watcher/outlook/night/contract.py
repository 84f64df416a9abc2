"""The `night` contract: the answer as plain values for JSON."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from watcher.outlook.night.model import Night, NightStep, PartNight, Quantiles, Times
from watcher.units import iso_z


def as_contract(night: Night, caution: str) -> dict[str, Any]:
    """Return a night in the form of the `night` contract.

    Parameters
    ----------
    night
        The answer.
    caution
        The sentence that every output carries.

    Returns
    -------
    dict
        Times as ISO 8601 with Z, probabilities to 3 and temperatures in °C to 2 decimals, unknown as None. The top
        level is that of the worst part.
    """
    worst = night.worst
    return {
        "station": night.station,
        "from": iso_z(night.begins_at),
        "until": iso_z(night.ends_at),
        "members": night.members,
        "worst_part": night.worst_part,
        "steps": [_step(step) for step in worst.steps] if worst is not None else [],
        "onset": _times(night.onset),
        "end": _times(night.end),
        "deposit_end": _times(worst.deposit_end) if worst is not None else None,
        "p_any": _rounded(night.p_any, 3),
        "parts": {part.part: _part(part) for part in night.parts},
        "notes": list(night.notes),
        "observed_at": _time(night.observed_at),
        "report_age_min": None if night.report_age is None else round(night.report_age.total_seconds() / 60),
        "forecast_issued_at": _time(night.forecast_issued_at),
        "caution": caution,
    }


def _part(part: PartNight) -> dict[str, Any]:
    return {
        "p_any": _rounded(part.p_any, 3),
        "p_deposit": _rounded(part.p_deposit, 3),
        "p_frozen_residual": _rounded(part.p_frozen_residual, 3),
        "p_precipitation": _rounded(part.p_precipitation, 3),
        "onset": _times(part.onset),
        "end": _times(part.end),
        "deposit_end": _times(part.deposit_end),
        "likely_from": _time(part.likely_from),
        "likely_until": _time(part.likely_until),
    }


def _step(step: NightStep) -> dict[str, Any]:
    return {
        "at": iso_z(step.at),
        "p_active_frost": _rounded(step.p_active_frost, 3),
        "p_deposit": _rounded(step.p_deposit, 3),
        "p_frozen_residual": _rounded(step.p_frozen_residual, 3),
        "p_precipitation": _rounded(step.p_precipitation, 3),
        "skin_c": _quantiles(step.skin_c),
        "temp_c": _quantiles(step.temp_c),
        "frost_point_c": _quantiles(step.frost_point_c),
    }


def _quantiles(values: Quantiles) -> dict[str, float | None]:
    return {name: _rounded(value, 2) for name, value in values._asdict().items()}


def _times(times: Times | None) -> dict[str, str | None] | None:
    return None if times is None else {name: _time(value) for name, value in times._asdict().items()}


def _time(when: datetime | None) -> str | None:
    return None if when is None else iso_z(when)


def _rounded(value: float | None, digits: int) -> float | None:
    """Return a rounded value; a negative zero loses its sign."""
    return None if value is None else round(value, digits) + 0.0

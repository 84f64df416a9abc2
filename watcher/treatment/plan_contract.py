"""The `depart` contract: a plan as plain values for JSON."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from watcher.treatment.planned import Moments, Need, Option, Plan, Stage
from watcher.units import iso_z


def as_contract(plan: Plan, caution: str) -> dict[str, Any]:
    """Return a plan in the form of the `depart` contract.

    Parameters
    ----------
    plan
        The answer.
    caution
        The sentence that every output carries.

    Returns
    -------
    dict
        Times as ISO 8601 with Z, probabilities to 3 decimals, unknown as None. `from` and `to` of a step are those of
        half the members.
    """
    departure, observed = plan.departure, plan.observed_at
    return {
        "station": departure.station,
        "departure": departure.name,
        "aircraft": departure.aircraft,
        "tobt": iso_z(departure.tobt),
        "tsat": _time(departure.tsat),
        "ctot": _time(departure.ctot),
        "runway": plan.runway,
        "made_at": iso_z(plan.made_at),
        "members": plan.members,
        "training": plan.training,
        "need": None if plan.need is None else _need(plan.need),
        "options": [_option(option) for option in plan.options],
        "choice": None if plan.choice is None else plan.choice.place.value,
        "choice_site": None if plan.choice is None else plan.choice.site,
        "why": plan.why,
        "notes": list(plan.notes),
        "observed_at": _time(observed),
        "report_age_min": None if observed is None else round((plan.made_at - observed).total_seconds() / 60),
        "forecast_issued_at": _time(plan.forecast_issued_at),
        "caution": caution,
    }


def _need(need: Need) -> dict[str, Any]:
    return {
        "p_any": round(need.p_any, 3),
        "p_protection": round(need.p_protection, 3),
        "kinds": {kind.value: round(chance, 3) for kind, chance in need.kinds.items()},
        "likeliest": None if need.likeliest is None else need.likeliest.value,
    }


def _option(option: Option) -> dict[str, Any]:
    clocks, take_off = option.clocks, option.take_off
    return {
        "place": option.place.value,
        "site": option.site,
        "provider": option.provider,
        "not_offered": option.not_offered,
        "engines": None if option.engines is None else option.engines.value,
        "call_by": _time(option.call_by),
        "call_late": option.call_late,
        "steps": [_stage(stage) for stage in option.stages],
        "times": None if option.times is None else {name: _moments(each) for name, each in option.times.items()},
        "fluid": None if option.fluid is None else option.fluid.name,
        "holdover": _holdover(option),
        "engine_bleed_wait_ends": None if clocks is None else _time(clocks.engine_bleed_wait_ends),
        "apu_bleed_wait_ends": None if clocks is None else _time(clocks.apu_bleed_wait_ends),
        "take_off": None if take_off is None else _moments(take_off),
        "p_within_lower": _chance(option.p_within_lower),
        "p_within_upper": _chance(option.p_within_upper),
        "p_no_time": _chance(option.p_no_time),
        "p_slot": _chance(option.p_slot),
        "early_min": option.early_min,
        "fuel_kg": option.fuel_kg,
        "verdict": None if option.verdict is None else option.verdict.value,
        "why": option.why,
    }


def _holdover(option: Option) -> dict[str, Any] | None:
    answer, clocks = option.holdover, option.clocks
    if answer is None or clocks is None:
        return None
    return {
        "outcome": answer.outcome.value,
        "column": answer.column,
        "lower_min": answer.lower_min,
        "upper_min": answer.upper_min,
        "no_time": None if answer.no_time is None else answer.no_time.value,
        "starts_at": iso_z(clocks.starts_at),
        "lower_ends_at": _time(clocks.lower_ends_at),
        "upper_ends_at": _time(clocks.upper_ends_at),
        "table": answer.table,
        "season": answer.season,
        "in_season": answer.current,
        "authority": answer.authority,
        "training": answer.training,
        "basis": None if answer.basis is None else answer.basis.value,
        "why": answer.why,
        "caution": answer.caution,
    }


def _stage(stage: Stage) -> dict[str, Any]:
    return {
        "name": stage.name,
        "from": iso_z(stage.begins.p50),
        "to": iso_z(stage.ends.p50),
        "begins": _moments(stage.begins),
        "ends": _moments(stage.ends),
    }


def _moments(moments: Moments) -> dict[str, str]:
    return {"p10": iso_z(moments.p10), "p50": iso_z(moments.p50), "p90": iso_z(moments.p90)}


def _time(when: datetime | None) -> str | None:
    return None if when is None else iso_z(when)


def _chance(p: float | None) -> float | None:
    return None if p is None else round(p, 3)

"""What a computed night says to the rules: its values now, and the periods in which a rule is expected to hold by it.

The values are those of the part of the wing that is most likely to be frosted.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from watcher.outlook.expectations import expectations
from watcher.outlook.model import Expectation, Odds, Step
from watcher.outlook.night.model import Night, NightStep, Times
from watcher.rulebook.facts import Facts, Value
from watcher.rulebook.model import Rulebook
from watcher.rulebook.words import Certainty, Flag, Kind
from watcher.units import clock_z

# Which probability stands behind a flag; the others are told by the highest of the three.
_BEHIND: Mapping[Flag, tuple[str, ...]] = {
    Flag.FROST_LIKELY: ("p_active_frost", "p_deposit"),
    Flag.FROZEN_RESIDUAL_WATER: ("p_frozen_residual",),
}
_ANY = ("p_active_frost", "p_deposit", "p_frozen_residual")
# Periods have edges on the half hour, the members on ten minutes.
_NEAR = timedelta(minutes=30)


def computed_values(night: Night, at: datetime) -> dict[str, Value]:
    """Return the values of the model at a time; empty outside the night, and where it could not be computed."""
    worst = night.worst
    if worst is None or not night.begins_at <= at <= night.ends_at:
        return {}
    step = max((step for step in worst.steps if step.at <= at), key=lambda step: step.at, default=None)
    return _values(step) if step is not None else {}


def computed_expectations(
    rulebook: Rulebook, night: Night, *, now: datetime, held: Collection[str] = ()
) -> tuple[Expectation, ...]:
    """Return where rules are expected to hold by a computed night, each with its odds.

    Parameters
    ----------
    rulebook
        The rules.
    night
        The answer for the station.
    now
        The present: what has passed is left out.
    held
        Rules that are expected already; they go on by their release thresholds.
    """
    found = expectations(rulebook, _steps(night, now), held=held)
    return tuple(replace(item, why=_why(item, night), odds=_odds(item, night)) for item in found)


def _steps(night: Night, now: datetime) -> list[Step]:
    worst = night.worst
    if worst is None:
        return []
    steps = list(worst.steps)
    ends = [*(step.at for step in steps[1:]), night.ends_at]
    return [
        Step(
            since=max(step.at, now),
            begins_at=max(step.at, now),
            ends_at=end,
            certainty=Certainty.COMPUTED,
            facts=Facts(night.station, step.at, Kind.EXPECTED, _values(step), reported_at=night.observed_at),
        )
        for step, end in zip(steps, ends, strict=True)
        if end > now and end > step.at
    ]


def _values(step: NightStep) -> dict[str, Value]:
    return {
        "skin_temp_c": step.skin_c.p50,
        "p_active_frost": step.p_active_frost,
        "p_deposit": step.p_deposit,
        "p_frozen_residual": step.p_frozen_residual,
        "p_precipitation": step.p_precipitation,
    }


def _odds(item: Expectation, night: Night) -> Odds:
    worst = night.worst
    assert worst is not None
    within = [step for step in worst.steps if item.begins_at - timedelta(minutes=30) < step.at < item.ends_at]
    fields = _BEHIND.get(item.flag, _ANY)
    probability = max((getattr(step, field) for step, field in itertools.product(within, fields)), default=0.0)
    return Odds(
        probability=probability,
        begins_between=_span(worst.onset, item.begins_at) if item.flag is Flag.FROST_LIKELY else None,
        ends_between=_span(worst.deposit_end or worst.end, item.ends_at) if item.flag is Flag.FROST_LIKELY else None,
        goes_on=item.ends_at >= night.ends_at,
    )


def _span(times: Times | None, edge: datetime) -> tuple[datetime, datetime] | None:
    """Return where most members have the edge of a period, where they speak of that edge at all."""
    if times is None or times.p10 is None or times.p90 is None or times.p10 == times.p90:
        return None
    if not times.p10 - _NEAR <= edge <= times.p90 + _NEAR:
        return None
    return min(times.p10, edge), max(times.p90, edge)


def _why(item: Expectation, night: Night) -> str:
    worst = night.worst
    assert worst is not None
    within = [step for step in worst.steps if item.begins_at <= step.at < item.ends_at] or list(worst.steps[:1])
    coldest = min(within, key=lambda step: step.skin_c.p50)
    report = f"the report of {clock_z(night.observed_at)}" if night.observed_at is not None else "no report"
    taf = f" and the TAF of {clock_z(night.forecast_issued_at)}" if night.forecast_issued_at is not None else ""
    skin = coldest.skin_c
    return (
        f"Computed from {report}{taf}: wing skin down to {skin.p50:.0f} °C ({skin.p10:.0f} to {skin.p90:.0f}) at "
        f"{clock_z(coldest.at)}, frost point {coldest.frost_point_c.p50:.0f} °C."
    )

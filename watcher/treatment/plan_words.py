"""A plan in words: its first line, what it was asked, whether there is anything to treat, what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from watcher.treatment.holdover_words import table_words
from watcher.treatment.planned import Moments, Option, Plan
from watcher.treatment.question import Outcome
from watcher.units import clock_z, duration_text, percent

DEFER: Final = (
    "The aircraft's own manual goes first. Ends of waits and of holdover times are no permission; fluid, mix and start "
    "of the final step are taken from the ground crew's final code."
)
# What stands where a place has no minutes.
WITHOUT_MINUTES: Final = {
    Outcome.NONE: "none exists",
    Outcome.NOT_NEEDED: "no clock runs",
    Outcome.ALLOWANCE: "none; an allowance time may exist",
    Outcome.SPECIAL: "none; only under special approval",
    Outcome.OUT_OF_SEASON: "no minutes: tables out of season",
    Outcome.UNKNOWN: "cannot be told",
}
# Less likely than this, a deposit is not named. Common practice, no source.
_WORTH_SAYING = 0.05


def headline(plan: Plan) -> str:
    """Return the choice, its call and its verdict in one line that stands alone."""
    departure, choice = plan.departure, plan.choice
    front = f"{departure.station} {departure.name}, off-block {clock_z(departure.off_block)}: "
    if choice is None or choice.call_by is None or choice.verdict is None:
        return f"{front}no place is recommended."
    called = "call now, it is late" if choice.call_late else f"call by {clock_z(choice.call_by)}"
    training = ", training" if is_training(choice) else ""
    return f"{front}{choice.place.value} ({choice.site}), {called}, {verdict_words(choice)}{training}."


def verdict_words(option: Option) -> str:
    """Return the verdict of a place: fits, tight, does not fit, no answer."""
    return "no answer" if option.verdict is None else option.verdict.value.replace("-", " ")


def is_training(option: Option) -> bool:
    """Return whether a place's figures are of tables that are not in force."""
    return option.holdover is not None and option.holdover.training


def asked_words(plan: Plan, zone: str | None) -> str:
    """Return aircraft, times and runway that the plan is for, and when it was made.

    `zone`: IANA zone of the station, for local times.
    """
    departure = plan.departure
    local = "" if zone is None else f" ({departure.off_block.astimezone(ZoneInfo(zone)):%H:%M} {zone})"
    said = [f"{departure.aircraft}, off-block {clock_z(departure.off_block)}{local}"]
    said += [f"{name} {clock_z(at)}" for name, at in (("TSAT", departure.tsat), ("CTOT", departure.ctot)) if at]
    if plan.runway is not None:
        said.append(f"runway {plan.runway}")
    return f"{', '.join(said)}. Made {clock_z(plan.made_at)} with {plan.members} members."


def need_words(plan: Plan) -> str:
    """Return whether the aircraft needs treatment, and what is expected on it."""
    if plan.need is None:
        return "Whether it needs treatment cannot be told."
    kinds = [f"{kind.value} {percent(p)}" for kind, p in plan.need.kinds.items() if p >= _WORTH_SAYING]
    lies = f"On it at off-block: {', '.join(kinds)}." if kinds else "Nothing is expected on it at off-block."
    return f"Needs treatment: {percent(plan.need.p_any)}. {lies} Protection needed: {percent(plan.need.p_protection)}."


def ages_words(plan: Plan) -> str:
    """Return the reports that a plan rests on, with their age."""
    return f"Rests on: {reports_words(plan.observed_at, plan.forecast_issued_at, plan.made_at)}."


def reports_words(observed_at: datetime | None, issued_at: datetime | None, now: datetime) -> str:
    """Return report and TAF with their times and ages; None: there is none."""
    said = []
    for name, at in (("report", observed_at), ("TAF", issued_at)):
        age = None if at is None else duration_text(max(now - at, timedelta(0)))
        said.append(f"no {name}" if at is None else f"{name} of {clock_z(at)}, {age} old")
    return "; ".join(said)


def span_words(moments: Moments) -> str:
    """Return from when until when it happens in 8 of 10 members: ``0552-0610Z``."""
    return f"{clock_z(moments.p10).removesuffix('Z')}-{clock_z(moments.p90)}"


def holdover_words(option: Option, *, lower: bool) -> str:
    """Return the lower or the upper holdover time of a place with its end; old figures say training; may be empty."""
    answer, clocks = option.holdover, option.clocks
    if answer is None or clocks is None:
        return ""
    minutes = answer.lower_min if lower else answer.upper_min
    if minutes is None:
        return answer.outcome.value.replace("-", " ") if lower else ""
    end = clocks.lower_ends_at if lower else clocks.upper_ends_at
    until = "" if end is None else f"to {clock_z(end)}"
    return f"{minutes} min {'training' if answer.training else until}"


def tables_of(options: Sequence[Option]) -> dict[tuple[str, str], list[str]]:
    """Return which places' holdover times are of which table and look-up: places by table line and reason."""
    said: dict[tuple[str, str], list[str]] = {}
    for option in options:
        if option.holdover is not None:
            said.setdefault((table_words(option.holdover), option.holdover.why), []).append(option.place.value)
    return said

"""The answer of a night in words, the same for commands and pages: whether and when, and what else lies on the wing."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from watcher.alerts.parked_words import LIKELY, POSSIBLE
from watcher.outlook.night.model import Night, PartNight, Times
from watcher.outlook.night.sensitivity import deposit_chance
from watcher.units import clock_z

if TYPE_CHECKING:
    from watcher.service.night_answers import Answer

NO_MEASUREMENT = (
    "No measurement of an aircraft's wing stands behind this: a thin panel and natural ground at night stand in for "
    "one. Check the aircraft by hand."
)
# Common practice, no source: less is not worth a sentence.
_WORTH_SAYING = 0.05


def chance(p: float) -> str:
    """Return a probability in percent; an ensemble never says never or always."""
    if p < 0.01:
        return "<1 %"
    return ">99 %" if p > 0.99 else f"{whole_percent(p)} %"


def whole_percent(p: float) -> int:
    """Return whole percents, halves up; a chance in the packed steps is a little off its third decimal."""
    return int(100 * round(p, 3) + 0.5)


def headline(answer: Answer) -> str:
    """Return whether and when in one sentence, the departure first; the night has been computed."""
    night = answer.night
    frost = _frost(answer)
    if answer.asked.departs_at is not None:
        return f"At {clock_z(night.ends_at)}: {_lying(night)}; {frost}."
    worst = night.worst
    assert worst is not None
    peak = max(worst.steps, key=lambda step: step.p_deposit)
    if peak.p_deposit < _WORTH_SAYING:
        return f"{first_upper(frost)}."
    return f"{first_upper(frost)}; a deposit most likely at {clock_z(peak.at)}, {chance(peak.p_deposit)}."


def _lying(night: Night) -> str:
    fallen = max(part.p_precipitation for part in night.parts)
    if fallen >= LIKELY:
        return f"snow or freezing precipitation on the wing {chance(fallen)}"
    return f"deposit on the wing {chance(deposit_chance(night))}"


def _frost(answer: Answer) -> str:
    night = answer.night
    p_any, onset = night.p_any or 0.0, night.onset
    if p_any < _WORTH_SAYING or onset is None or onset.p50 is None:
        return f"frost not expected, {chance(p_any)}"
    begins = "from now" if onset.p50 <= night.begins_at else f"from about {spanned(onset, night)}"
    end = worst_after(answer).end
    until = f"past {clock_z(answer.after.ends_at)}" if end is None or end.p50 is None else clock_z(end.p50)
    if p_any < POSSIBLE:
        return f"frost unlikely, {chance(p_any)}, if so {begins} to {until}"
    return f"frost {'likely' if p_any >= LIKELY else 'possible'} {begins} to {until}, {chance(p_any)}"


def worst_after(answer: Answer) -> PartNight:
    """Return the part that is worst until the departure, with the hours after it."""
    return next(part for part in answer.after.parts if part.part == answer.night.worst_part)


def spanned(times: Times, night: Night) -> str:
    """Return a time with the interval that 80 % of the members give."""
    assert times.p50 is not None
    if times.p10 is None or times.p90 is None or times.p10 == times.p90:
        return clock_z(times.p50)
    first = "now" if times.p10 <= night.begins_at else clock_z(times.p10)[:4]
    return f"{clock_z(times.p50)} ({first}-{clock_z(times.p90)})"


def also(answer: Answer) -> str:
    """Return what else may lie on the wing, and what a later departure meets."""
    night, found = answer.night, list[str]()
    fallen = max(part.p_precipitation for part in night.parts)
    residual = max(part.p_frozen_residual for part in night.parts)
    if _WORTH_SAYING <= fallen < LIKELY:
        found.append(f"Snow or freezing precipitation on the wing {chance(fallen)}.")
    if residual >= _WORTH_SAYING:
        found.append(f"Water left on the wing and frozen {chance(residual)}.")
    if max(deposit_chance(night), night.p_any or 0.0) >= POSSIBLE:
        found.append(_gone(answer))
    return " ".join(found)


def _gone(answer: Answer) -> str:
    worst = worst_after(answer)
    times, end = worst.deposit_end, worst.end
    if times is None or times.p50 is None:
        return f"A deposit lies on past {clock_z(answer.after.ends_at)}."
    later = ", later than forming ends" if end is not None and end.p50 is not None and times.p50 > end.p50 else ""
    return f"A deposit is gone about {spanned(times, answer.night)}{later}."


def past(times: Times | None, after: Night) -> str:
    """Return when something ends; where it does not in most members, after what time it goes on."""
    if times is None or times.p50 is None:
        return f"after {clock_z(after.ends_at)}"
    return clock_z(times.p50)


def elsewhere(at: datetime, answer: Answer) -> str:
    """Return where the aircraft is before it stands outside; "" where it stands there."""
    craft = answer.question.aircraft
    if craft.hangar_exit_at is not None and at < craft.hangar_exit_at:
        return "in the hangar"
    return "not parked here yet" if craft.arrived_at is not None and at < craft.arrived_at else ""


def moved(before: float, after: float) -> str:
    """Return a chance after a change, and by how many percentage points it moved."""
    points = whole_percent(after) - whole_percent(before)
    return f"{chance(after):<5} ({points:+d})" if points else chance(after)


def first_upper(text: str) -> str:
    """Return a text that begins a sentence."""
    return text[:1].upper() + text[1:]

"""The plan of one departure in words, 80 columns wide: the choice and why, then the places side by side."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from watcher.notify.message import CAUTION
from watcher.notify.wording import plain
from watcher.treatment.option import fluid_name
from watcher.treatment.planned import Moments, Option, Plan
from watcher.treatment.question import Holdover
from watcher.units import clock_z, duration_text, percent

COLUMNS = 80
_LABEL, _CELL, _ABREAST = 23, 19, 3
_WORTH_SAYING = 0.05
DEFER = (
    "The aircraft's own manual goes first. Ends of waits and of holdover times are no permission; fluid, mix and start "
    "of the final step are taken from the ground crew's final code."
)


def text_of(plan: Plan, zone: str | None, raws: Sequence[str] = ()) -> str:
    """Return a plan for people.

    Parameters
    ----------
    plan
        What was computed.
    zone
        IANA zone of the station, for local times.
    raws
        The reports it rests on.

    Returns
    -------
    str
        Lines of at most 80 characters; the first two say the choice and why.
    """
    offered = [option for option in plan.options if option.not_offered is None]
    lines = [*_wrapped(_headline(plan), ""), *_wrapped(plan.why, ""), ""]
    lines += [*_wrapped(_question(plan, zone), ""), *_wrapped(_need(plan), ""), ""]
    for first in range(0, len(offered), _ABREAST):
        lines += [*_side_by_side(offered[first : first + _ABREAST]), ""]
    lines += _tables(offered)
    lines += [line for option in plan.options if option.not_offered for line in _wrapped(option.why, "- ")]
    lines += [line for note in plan.notes for line in _wrapped(note, "- ")]
    lines += [line for raw in raws for line in _wrapped(plain(raw), "  ")]
    lines += [*_wrapped(_ages(plan), ""), *_wrapped(DEFER, ""), *_wrapped(CAUTION, "")]
    return "\n".join(lines)


def _headline(plan: Plan) -> str:
    departure, choice = plan.departure, plan.choice
    front = f"{departure.station} {departure.name}, off-block {clock_z(departure.off_block)}: "
    if choice is None or choice.call_by is None or choice.verdict is None:
        return f"{front}no place is recommended."
    called = "call now, it is late" if choice.call_late else f"call by {clock_z(choice.call_by)}"
    return f"{front}{_place(choice)}, {called}, {_verdict(choice)}{', training' if _training(choice) else ''}."


def _place(option: Option) -> str:
    return f"{option.place.value} ({option.site})"


def _verdict(option: Option) -> str:
    return "no answer" if option.verdict is None else option.verdict.value.replace("-", " ")


def _training(option: Option) -> bool:
    return option.holdover is not None and option.holdover.training


def _question(plan: Plan, zone: str | None) -> str:
    departure = plan.departure
    local = "" if zone is None else f" ({departure.off_block.astimezone(ZoneInfo(zone)):%H:%M} {zone})"
    said = [f"{departure.aircraft}, off-block {clock_z(departure.off_block)}{local}"]
    said += [f"{name} {clock_z(at)}" for name, at in (("TSAT", departure.tsat), ("CTOT", departure.ctot)) if at]
    if plan.runway is not None:
        said.append(f"runway {plan.runway}")
    return f"{', '.join(said)}. Made {clock_z(plan.made_at)} with {plan.members} members."


def _need(plan: Plan) -> str:
    if plan.need is None:
        return "Whether it needs treatment cannot be told."
    kinds = [f"{kind.value} {percent(p)}" for kind, p in plan.need.kinds.items() if p >= _WORTH_SAYING]
    lies = f"On it at off-block: {', '.join(kinds)}." if kinds else "Nothing is expected on it at off-block."
    return f"Needs treatment: {percent(plan.need.p_any)}. {lies} Protection needed: {percent(plan.need.p_protection)}."


def _side_by_side(options: Sequence[Option]) -> Iterator[str]:
    yield _row("", [option.place.value for option in options])
    yield _row("", [option.site for option in options])
    for label, cell in _rows():
        cells = [cell(option) for option in options]
        if any(cells):
            yield _row(label, [each or "-" for each in cells])


def _row(label: str, cells: Sequence[str]) -> str:
    shown = [each if len(each) < _CELL else f"{each[: _CELL - 2]}." for each in cells]
    return f"{label:<{_LABEL}}{''.join(f'{each:<{_CELL}}' for each in shown)}".rstrip()


def _rows() -> Iterator[tuple[str, Callable[[Option], str]]]:
    """Yield the lines of the comparison; a line in which nobody has anything to say is left out."""
    yield "protection", _verdict
    yield "call by", lambda option: f"{_at(option.call_by)}{' late' if option.call_late else ''}"
    yield "ready (ERZT)", lambda option: _half(option, "ERZT")
    yield "commences (ECZT)", lambda option: _half(option, "ECZT")
    yield "fluid", lambda option: "" if option.fluid is None else fluid_name(option.fluid)
    yield "final step from", lambda option: "" if option.clocks is None else clock_z(option.clocks.starts_at)
    yield "ends (EEZT)", lambda option: _half(option, "EEZT")
    yield "engine bleed wait ends", lambda option: _wait(option, engine=True)
    yield "APU bleed wait ends", lambda option: _wait(option, engine=False)
    yield "take-off (TTOT)", lambda option: _half(option, "TTOT")
    yield "  in 8 of 10", lambda option: _span(option.take_off)
    yield "holdover, lower", lambda option: _holdover(option, lower=True)
    yield "holdover, upper", lambda option: _holdover(option, lower=False)
    yield "off within lower", lambda option: _marked(option, option.p_within_lower)
    yield "off within upper", lambda option: _marked(option, option.p_within_upper)
    yield "no holdover time", lambda option: _marked(option, option.p_no_time or None)
    yield "slot met", lambda option: "" if option.p_slot is None else percent(option.p_slot)
    yield "fuel, waiting", lambda option: "" if option.fuel_kg is None else f"{option.fuel_kg:.0f} kg"
    yield "engines meanwhile", lambda option: "" if option.engines is None else option.engines.value
    yield "tables", lambda option: "training" if _training(option) else ""


def _at(when: datetime | None) -> str:
    return "" if when is None else clock_z(when)


def _wait(option: Option, *, engine: bool) -> str:
    clocks = option.clocks
    if clocks is None:
        return ""
    return _at(clocks.engine_bleed_wait_ends if engine else clocks.apu_bleed_wait_ends)


def _half(option: Option, name: str) -> str:
    return "" if option.times is None else clock_z(option.times[name].p50)


def _span(moments: Moments | None) -> str:
    return "" if moments is None else f"{moments.p10.astimezone(UTC):%H%M}-{clock_z(moments.p90)}"


def _holdover(option: Option, *, lower: bool) -> str:
    answer, clocks = option.holdover, option.clocks
    if answer is None or clocks is None:
        return ""
    minutes = answer.lower_min if lower else answer.upper_min
    if minutes is None:
        return answer.outcome.value.replace("-", " ") if lower else ""
    end = clocks.lower_ends_at if lower else clocks.upper_ends_at
    return f"{minutes} min {'training' if answer.training else f'to {_at(end)}'}"


def _marked(option: Option, p: float | None) -> str:
    if p is None:
        return ""
    return f"{percent(p)} training" if _training(option) else percent(p)


def _tables(options: Sequence[Option]) -> Iterator[str]:
    """Yield which tables the holdover times are from, and how the weather was looked up, places alike together."""
    said: dict[tuple[str, str], list[str]] = {}
    for option in options:
        answer = option.holdover
        if answer is not None:
            said.setdefault((_table(answer), answer.why), []).append(option.place.value)
    for (table, why), places in said.items():
        yield from _wrapped(f"{', '.join(dict.fromkeys(places))}: {table}{why}", "- ")


def _table(answer: Holdover) -> str:
    if answer.table is None:
        return ""
    state = "training, not in force" if answer.training else "in force" if answer.current else "out of season"
    return f"{answer.table}; {answer.season}; {answer.authority}; {state}. "


def _ages(plan: Plan) -> str:
    said = []
    for name, at in (("report", plan.observed_at), ("TAF", plan.forecast_issued_at)):
        if at is not None:
            age = plan.made_at - at
            said.append(f"{name} of {clock_z(at)}, {duration_text(max(age, timedelta(0)))} old")
        else:
            said.append(f"no {name}")
    return f"Rests on: {'; '.join(said)}."


def _wrapped(text: str, first: str) -> list[str]:
    return textwrap.wrap(text, COLUMNS, initial_indent=first, subsequent_indent=" " * len(first))

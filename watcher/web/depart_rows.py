"""The comparison of a plan's places, row by row: when to call, how long it protects, what it costs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from watcher.treatment.plan_words import WITHOUT_MINUTES, is_training, span_words
from watcher.treatment.planned import Moments, Option
from watcher.units import percent
from watcher.web.times import Shown, shown_at

_TRAINING = "training"


@dataclass(frozen=True, slots=True)
class Cell:
    """What one place has in one row: a time or words, and a smaller line beneath. Nothing: not known."""

    at: Shown | None = None
    words: str = ""
    beneath: str = ""
    loud: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the comparison; a cell is None where nothing is known."""

    label: str
    cells: tuple[Cell | None, ...]


def rows_of(options: Sequence[Option], zone: str) -> list[Row]:
    """Return the comparison; a row in which nobody has anything to say is left out.

    `zone`: IANA, of the station.
    """
    found = []
    for label, cell in _CELLS:
        cells = tuple(cell(option, zone) for option in options)
        if any(each is not None for each in cells):
            found.append(Row(label, cells))
    return found


def _call(option: Option, zone: str) -> Cell | None:
    if option.call_by is None:
        return None
    late = "late: call now" if option.call_late else ""
    return Cell(shown_at(option.call_by, zone), beneath=late, loud=True)


def _moment(name: str) -> Callable[[Option, str], Cell | None]:
    def cell(option: Option, zone: str) -> Cell | None:
        return None if option.times is None else _moments(option.times[name], zone)

    return cell


def _moments(moments: Moments, zone: str) -> Cell:
    return Cell(shown_at(moments.p50, zone), beneath=f"8 of 10: {span_words(moments)}")


def _fluid(option: Option, _zone: str) -> Cell | None:
    return None if option.fluid is None else Cell(words=option.fluid.name)


def _final(option: Option, zone: str) -> Cell | None:
    return None if option.clocks is None else Cell(shown_at(option.clocks.starts_at, zone))


def _bleed(option: Option, zone: str, *, engine: bool) -> Cell | None:
    clocks = option.clocks
    if clocks is None:
        return None
    ends = clocks.engine_bleed_wait_ends if engine else clocks.apu_bleed_wait_ends
    return None if ends is None else Cell(shown_at(ends, zone), beneath="end of a wait, no permission")


def _holdover(option: Option, zone: str, *, lower: bool) -> Cell | None:
    answer, clocks = option.holdover, option.clocks
    if answer is None or clocks is None:
        return None
    minutes = answer.lower_min if lower else answer.upper_min
    end = clocks.lower_ends_at if lower else clocks.upper_ends_at
    if minutes is None or end is None:
        return Cell(words=WITHOUT_MINUTES.get(answer.outcome, "-")) if lower else None
    mark = f"{_TRAINING}, " if answer.training else ""
    return Cell(words=f"{minutes} min", beneath=f"{mark}until {shown_at(end, zone).z}")


def _chance(option: Option, p: float | None) -> Cell | None:
    if p is None:
        return None
    return Cell(words=percent(p), beneath=_TRAINING if is_training(option) else "")


def _slot(option: Option, _zone: str) -> Cell | None:
    return None if option.p_slot is None else Cell(words=percent(option.p_slot))


def _fuel(option: Option, _zone: str) -> Cell | None:
    return None if option.fuel_kg is None else Cell(words=f"{option.fuel_kg:.0f} kg")


def _engines(option: Option, _zone: str) -> Cell | None:
    return None if option.engines is None else Cell(words=option.engines.value)


_CELLS: tuple[tuple[str, Callable[[Option, str], Cell | None]], ...] = (
    ("Call by", _call),
    ("Treatment commences (ECZT)", _moment("ECZT")),
    ("Fluid", _fluid),
    ("Final step from", _final),
    ("Treatment ends (EEZT)", _moment("EEZT")),
    ("Take-off (TTOT)", _moment("TTOT")),
    ("Holdover, lower", lambda option, zone: _holdover(option, zone, lower=True)),
    ("Holdover, upper", lambda option, zone: _holdover(option, zone, lower=False)),
    ("Off within the lower", lambda option, _zone: _chance(option, option.p_within_lower)),
    ("Off within the upper", lambda option, _zone: _chance(option, option.p_within_upper)),
    ("No holdover time", lambda option, _zone: _chance(option, option.p_no_time or None)),
    ("Slot met", _slot),
    ("Engine bleed wait ends", lambda option, zone: _bleed(option, zone, engine=True)),
    ("APU bleed wait ends", lambda option, zone: _bleed(option, zone, engine=False)),
    ("Engines meanwhile", _engines),
    ("Fuel while waiting", _fuel),
)

"""Which place is recommended, and one sentence why."""

from __future__ import annotations

from collections.abc import Sequence

from watcher.treatment.departures import Departure
from watcher.treatment.planned import Need, Option, Verdict
from watcher.units import clock_z, percent

_WORTH_SAYING = 0.05
_SLOT_LIKELY = 0.5
_ORDER = {Verdict.FITS: 0, Verdict.TIGHT: 1, None: 2, Verdict.DOES_NOT_FIT: 3}


def choose(options: Sequence[Option], need: Need | None, departure: Departure) -> tuple[Option | None, str]:
    """Return the place that is recommended and why; no place where nothing fits or nothing can be told.

    The best verdict goes first, then the slot, then the earlier take-off, then less fuel.

    Parameters
    ----------
    options
        What each site comes to.
    need
        Whether there is anything to treat.
    departure
        Its slot and what it asks for.
    """
    open_ones = [option for option in options if option.not_offered is None]
    if not open_ones:
        said = " ".join(option.why for option in options)
        return None, f"Nobody treats {departure.name}: {said}" if said else f"Nobody treats {departure.name} here."
    best = min(open_ones, key=_rank)
    others = [option for option in open_ones if option is not best]
    if best.verdict is None:
        return None, f"No answer: {best.why}"
    if best.verdict is Verdict.DOES_NOT_FIT:
        return None, f"No place fits. Best at {_place(best)}: {best.why}"
    if need is not None and need.p_any < _WORTH_SAYING:
        return best, f"Treatment is not expected ({percent(need.p_any)}); if the check finds a deposit, {_place(best)}."
    return best, " ".join([*_first(best, departure), *_rest(others)])


def rank_of(verdict: Verdict | None, p_slot: float | None, take_off: float, fuel_kg: float) -> tuple[float, ...]:
    """Return what orders places: verdict, slot, take-off, fuel; the best first."""
    return float(_ORDER[verdict]), float(p_slot is not None and p_slot < _SLOT_LIKELY), take_off, fuel_kg


def _rank(option: Option) -> tuple[tuple[float, ...], str]:
    assert option.take_off is not None
    take_off = option.take_off.p50.timestamp()
    return rank_of(option.verdict, option.p_slot, take_off, option.fuel_kg or 0.0), option.site


def _place(option: Option) -> str:
    return f"{option.place.value} ({option.site})"


def _first(best: Option, departure: Departure) -> list[str]:
    said = [best.why]
    if best.p_slot is not None and departure.ctot is not None:
        said.append(f"Slot {clock_z(departure.ctot)} is met in {percent(best.p_slot)}.")
    return said


def _rest(others: Sequence[Option]) -> list[str]:
    """Return what the other places would give, by their chance alone."""
    found = [
        f"{option.place.value} {percent(option.p_within_lower)}"
        for option in others
        if option.p_within_lower is not None
    ]
    return [f"Elsewhere: {', '.join(found)}."] if found else []

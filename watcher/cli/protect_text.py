"""How treated aircraft are printed: first how many minutes are left, then what comes next, then where it comes from."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from textwrap import wrap

from watcher.cli.marks import shown
from watcher.notify.message import CAUTION
from watcher.notify.wording import plain
from watcher.service.protections import Reading
from watcher.treatment.clocks import whole_minutes_to
from watcher.treatment.procedures import Item
from watcher.treatment.protection import Standing
from watcher.treatment.protection_steps import next_step
from watcher.units import clock_z, duration_text, iso_z

_WIDTH = 80
_LEAD = 13
_STANDS = {
    Standing.NO_LIMIT: "NO LIMIT  nothing falls that a table answers for",
    Standing.SPECIAL: "LOST  no take-off in this weather without a special approval",
    Standing.NONE: "LOST  no holdover time exists in this weather",
    Standing.BLIND: "NO MINUTES  the station is blind: no usable report",
    Standing.UNKNOWN: "NO MINUTES  the weather cannot be told",
    Standing.OUT_OF_SEASON: "NO MINUTES  the tables are out of season",
}


def text_of(reading: Reading, step: Item | None) -> str:
    """Return one treated aircraft in lines of at most 80 characters.

    Parameters
    ----------
    reading
        How it stands.
    step
        Where the checklist of its place goes on; None: not known.
    """
    return "\n".join(shown(line) for line in _lines(reading, step))


def as_json(reading: Reading, step: Item | None) -> dict[str, object]:
    """Return one treated aircraft as JSON has it: unknown is null, times end in Z."""
    protection, clocks, observation = reading.protection, reading.clocks, reading.observation
    holdover = clocks.worst.holdover if clocks.worst is not None else None
    return {
        "protection": protection.id,
        "station": protection.station,
        "aircraft": protection.aircraft,
        "at": iso_z(clocks.at),
        "standing": clocks.standing.value,
        "minutes_left": whole_minutes_to(clocks.ends_at, clocks.at),
        "minutes_to_upper": whole_minutes_to(clocks.upper_ends_at, clocks.at),
        "lower_min": clocks.lower_min,
        "upper_min": clocks.upper_min,
        "allowance_min": clocks.allowance_min,
        "lower_ends_at": _iso(clocks.lower_ends_at),
        "upper_ends_at": _iso(clocks.upper_ends_at),
        "allowance_ends_at": _iso(clocks.allowance_ends_at),
        "engine_bleed_wait_ends": _iso(clocks.engine_bleed_wait_ends),
        "apu_bleed_wait_ends": _iso(clocks.apu_bleed_wait_ends),
        "waits_source": protection.waits_source,
        "next_step": next_step(protection, clocks),
        "checklist": {"id": step.id, "who": step.who.value, "text": step.text} if step is not None else None,
        "fluid": protection.fluid.value,
        "mix": protection.mix,
        "surface": protection.surface.value,
        "flaps_set": protection.flaps_set,
        "lout_c": protection.lout_c,
        "cold_soaked_wing": protection.cold_soaked_wing,
        "place": protection.place.value if protection.place is not None else None,
        "started_at": iso_z(protection.started_at),
        "treatment_ended_at": _iso(protection.treatment_ended_at),
        "why": holdover.why if holdover is not None else None,
        "by_crew": clocks.worst.seen.by_crew if clocks.worst is not None else None,
        "open": [f"{clock_z(each.seen.first_at)}: {each.holdover.why}" for each in clocks.unsure],
        "blind": clocks.blind,
        "was_blind": protection.was_blind,
        "column": holdover.column if holdover is not None else None,
        "table": holdover.table if holdover is not None else None,
        "season": holdover.season if holdover is not None else None,
        "authority": holdover.authority if holdover is not None else None,
        "asked_authority": protection.authority,
        "current": holdover.current if holdover is not None else None,
        "training": protection.training,
        "observed_at": _iso(observation.observed_at if observation is not None else None),
        "report_age_min": _age_min(reading),
        "raw": observation.raw if observation is not None else None,
        "ended_at": _iso(protection.ended_at),
        "ending": protection.ending.value if protection.ending is not None else None,
        "caution": CAUTION,
    }


def _lines(reading: Reading, step: Item | None) -> Iterator[str]:
    protection, clocks = reading.protection, reading.clocks
    fluid = f"{protection.fluid.value} {protection.mix}" if protection.mix is not None else protection.fluid.value
    training = "TRAINING  " if clocks.training and protection.live else ""
    began = f"final application {clock_z(protection.started_at)}"
    yield from _wrapped("", f"{protection.id}  {plain(protection.aircraft)} at {protection.station}, {fluid}, {began}")
    yield from _wrapped("  ", f"{training}{_headline(reading)}")
    if clocks.upper_ends_at is not None and clocks.standing is Standing.RUNNING:
        left = whole_minutes_to(clocks.upper_ends_at, clocks.at)
        yield f"  {left} min to the upper end at {clock_z(clocks.upper_ends_at)}"
    if protection.ended_at is not None:
        return
    yield from _waits(reading)
    yield ""
    yield from _said("Next step", next_step(protection, clocks))
    if step is not None:
        yield from _said("Checklist", step.text)
    yield from _because(reading)
    yield from _said("Report", _report(reading))
    yield from _said("Figures", _figures(reading))
    yield from _wrapped("  ", CAUTION)


def _headline(reading: Reading) -> str:
    protection, clocks = reading.protection, reading.clocks
    if protection.ended_at is not None:
        return f"ENDED {clock_z(protection.ended_at)}: {protection.ending or ''}".replace("-", " ")
    left = whole_minutes_to(clocks.ends_at, clocks.at)
    end = clock_z(clocks.ends_at) if clocks.ends_at is not None else ""
    what = "the allowance time" if clocks.allowance_ends_at is not None else "the lower end"
    if clocks.standing is Standing.OVER:
        assert clocks.ends_at is not None
        return f"OVER  past {what} since {end} ({duration_text(clocks.at - clocks.ends_at)})"
    if clocks.standing is Standing.ALLOWANCE:
        return f"{left} MIN to the end of {what} at {end}; no holdover time exists"
    if clocks.standing is Standing.RUNNING:
        return f"{left} MIN to {what} at {end}"
    return _STANDS[clocks.standing]


def _waits(reading: Reading) -> Iterator[str]:
    """Yield when the waits for bleed air end; where that is not known, that it is not."""
    protection, clocks = reading.protection, reading.clocks
    waits = [
        f"{what} wait ends {clock_z(end)}"
        for what, end in (("engine bleed", clocks.engine_bleed_wait_ends), ("APU bleed", clocks.apu_bleed_wait_ends))
        if end is not None
    ]
    if waits:
        yield from _wrapped("  ", f"{', '.join(waits)} ({protection.waits_source}). Not a permission.")
    elif protection.treatment_ended_at is None:
        yield from _wrapped("  ", "Bleed waits: they run from the end of the treatment; say it with protect treated.")
    else:
        yield from _wrapped("  ", "Bleed waits: not known for this aircraft; its manual says how long they are.")


def _because(reading: Reading) -> Iterator[str]:
    clocks = reading.clocks
    if clocks.worst is not None:
        by = "Seen by the crew" if clocks.worst.seen.by_crew else "Report"
        why = f"{clocks.worst.holdover.why} {clocks.worst.holdover.caution}".strip()
        yield from _said("Why", f"{by} of {clock_z(clocks.worst.seen.first_at)}, the worst so far: {why}")
    if reading.protection.was_blind and not clocks.blind:
        yield from _said("Open", "The station was blind for some time. Judge yourself what fell then.")
    for each in clocks.unsure:
        yield from _said("Open", f"{clock_z(each.seen.first_at)}: {each.holdover.why} Judge yourself what fell then.")


def _report(reading: Reading) -> str:
    age = _age_min(reading)
    blind = " The station is blind." if reading.clocks.blind else ""
    if reading.observation is None or age is None:
        return f"none at hand.{blind}"
    return f"{age} min old: {reading.observation.raw}{blind}"


def _figures(reading: Reading) -> str:
    holdover = reading.clocks.worst.holdover if reading.clocks.worst is not None else None
    rule = reading.protection.authority or "strictest authority"
    if holdover is None or holdover.table is None:
        return f"no table was needed; {rule}"
    force = "in force" if holdover.current else "NOT in force"
    return f"{holdover.table}; {holdover.authority}, season {holdover.season}; {force}; {rule}"


def _said(label: str, text: str) -> Iterator[str]:
    yield from _wrapped(f"  {label}".ljust(_LEAD), plain(text), " " * _LEAD)


def _wrapped(first: str, text: str, rest: str | None = None) -> Iterator[str]:
    yield from wrap(text, _WIDTH, initial_indent=first, subsequent_indent=first if rest is None else rest)


def _age_min(reading: Reading) -> int | None:
    if reading.observation is None:
        return None
    return max(0, int((reading.clocks.at - reading.observation.observed_at).total_seconds() // 60))


def _iso(moment: datetime | None) -> str | None:
    return iso_z(moment) if moment is not None else None

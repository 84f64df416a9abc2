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
from watcher.treatment.protection_words import (
    age_min,
    figures_words,
    fluid_words,
    headline,
    open_words,
    report_words,
    waits_words,
    why_words,
)
from watcher.units import clock_z, iso_z

_WIDTH = 80
_LEAD = 13


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
        "report_age_min": age_min(clocks, observation),
        "raw": observation.raw if observation is not None else None,
        "ended_at": _iso(protection.ended_at),
        "ending": protection.ending.value if protection.ending is not None else None,
        "caution": CAUTION,
    }


def _lines(reading: Reading, step: Item | None) -> Iterator[str]:
    protection, clocks = reading.protection, reading.clocks
    training = "TRAINING  " if clocks.training and protection.live else ""
    began = f"final application {clock_z(protection.started_at)}"
    who = f"{protection.id}  {plain(protection.aircraft)} at {protection.station}"
    yield from _wrapped("", f"{who}, {fluid_words(protection)}, {began}")
    yield from _wrapped("  ", f"{training}{headline(protection, clocks)}")
    if clocks.upper_ends_at is not None and clocks.standing is Standing.RUNNING:
        left = whole_minutes_to(clocks.upper_ends_at, clocks.at)
        yield f"  {left} min to the upper end at {clock_z(clocks.upper_ends_at)}"
    if protection.ended_at is not None:
        return
    yield from _wrapped("  ", waits_words(protection, clocks))
    yield ""
    yield from _said("Next step", next_step(protection, clocks))
    if step is not None:
        yield from _said("Checklist", step.text)
    why = why_words(clocks)
    if why is not None:
        yield from _said("Why", why)
    for gap in open_words(protection, clocks):
        yield from _said("Open", gap)
    yield from _said("Report", report_words(clocks, reading.observation))
    yield from _said("Figures", figures_words(protection, clocks))
    yield from _wrapped("  ", CAUTION)


def _said(label: str, text: str) -> Iterator[str]:
    yield from _wrapped(f"  {label}".ljust(_LEAD), plain(text), " " * _LEAD)


def _wrapped(first: str, text: str, rest: str | None = None) -> Iterator[str]:
    yield from wrap(text, _WIDTH, initial_indent=first, subsequent_indent=first if rest is None else rest)


def _iso(moment: datetime | None) -> str | None:
    return iso_z(moment) if moment is not None else None

"""One treated aircraft as JSON has it, for commands and programs: unknown is null, times end in Z."""

from __future__ import annotations

from datetime import datetime

from watcher.notify.message import CAUTION
from watcher.service.protections import Reading
from watcher.treatment.clocks import whole_minutes_to
from watcher.treatment.procedures import Item
from watcher.treatment.protection_steps import next_step
from watcher.treatment.protection_words import age_min
from watcher.units import clock_z, iso_z


def as_contract(reading: Reading, step: Item | None) -> dict[str, object]:
    """Return the `protection` contract.

    Parameters
    ----------
    reading
        How it stands.
    step
        Where the checklist of its place goes on; None: not known.
    """
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
        "take_off_at": _iso(protection.take_off_at),
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


def _iso(moment: datetime | None) -> str | None:
    return iso_z(moment) if moment is not None else None

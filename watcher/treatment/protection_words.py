"""How a treated aircraft stands, in the words of commands and pages alike: minutes first, then where they come from."""

from __future__ import annotations

from typing import Final

from watcher.reports.model import Observation
from watcher.treatment.clocks import Clocks, whole_minutes_to
from watcher.treatment.protection import Protection, Standing
from watcher.units import clock_z, duration_text

# The word that one must hear, and what it means.
STANDS: Final = {
    Standing.NO_LIMIT: ("NO LIMIT", "nothing falls that a table answers for"),
    Standing.SPECIAL: ("LOST", "no take-off in this weather without a special approval"),
    Standing.NONE: ("LOST", "no holdover time exists in this weather"),
    Standing.BLIND: ("NO MINUTES", "the station is blind: no usable report that is recent enough"),
    Standing.UNKNOWN: ("NO MINUTES", "the weather cannot be told"),
    Standing.OUT_OF_SEASON: ("NO MINUTES", "the tables are out of season"),
}


def fluid_words(protection: Protection) -> str:
    """Return the fluid of the final application and its mix, such as ``Type IV 100/0``."""
    return f"{protection.fluid.value} {protection.mix}" if protection.mix is not None else protection.fluid.value


def end_words(clocks: Clocks) -> str:
    """Return what the minutes run to."""
    return "the allowance time" if clocks.allowance_ends_at is not None else "the lower end"


def headline(protection: Protection, clocks: Clocks) -> str:
    """Return the line that says how it stands and how many minutes are left."""
    if protection.ended_at is not None:
        return f"ENDED {clock_z(protection.ended_at)}: {protection.ending or ''}".replace("-", " ")
    left = whole_minutes_to(clocks.ends_at, clocks.at)
    end = clock_z(clocks.ends_at) if clocks.ends_at is not None else ""
    if clocks.standing is Standing.OVER:
        assert clocks.ends_at is not None
        return f"OVER  past {end_words(clocks)} since {end} ({duration_text(clocks.at - clocks.ends_at)})"
    if clocks.standing is Standing.ALLOWANCE:
        return f"{left} MIN to the end of {end_words(clocks)} at {end}; no holdover time exists"
    if clocks.standing is Standing.RUNNING:
        return f"{left} MIN to {end_words(clocks)} at {end}"
    return "  ".join(STANDS[clocks.standing])


def waits_words(protection: Protection, clocks: Clocks) -> str:
    """Return when the waits for bleed air end; where that is not known, that it is not."""
    waits = [
        f"{what} wait ends {clock_z(end)}"
        for what, end in (("engine bleed", clocks.engine_bleed_wait_ends), ("APU bleed", clocks.apu_bleed_wait_ends))
        if end is not None
    ]
    if waits:
        return f"{', '.join(waits)} ({protection.waits_source}). Not a permission."
    if protection.treatment_ended_at is None:
        return "Bleed waits: they run from the end of the treatment, once that is entered."
    return "Bleed waits: not known for this aircraft; its manual says how long they are."


def why_words(clocks: Clocks) -> str | None:
    """Return which weather decides, and why; None before the first report."""
    if clocks.worst is None:
        return None
    by = "Seen by the crew" if clocks.worst.seen.by_crew else "Report"
    why = f"{clocks.worst.holdover.why} {clocks.worst.holdover.caution}".strip()
    return f"{by} of {clock_z(clocks.worst.seen.first_at)}, the worst so far: {why}"


def open_words(protection: Protection, clocks: Clocks) -> tuple[str, ...]:
    """Return what nobody knows of the weather since the start, a sentence for each gap."""
    gaps = [f"{clock_z(each.seen.first_at)}: {each.holdover.why}" for each in clocks.unsure]
    if protection.was_blind and not clocks.blind:
        gaps.insert(0, "The station was blind for some time.")
    return tuple(f"{gap} Judge yourself what fell then." for gap in gaps)


def report_words(clocks: Clocks, observation: Observation | None) -> str:
    """Return the newest report with its age."""
    age = age_min(clocks, observation)
    blind = " The station is blind." if clocks.blind else ""
    if observation is None or age is None:
        return f"none at hand.{blind}"
    return f"{age} min old: {observation.raw}{blind}"


def figures_words(protection: Protection, clocks: Clocks) -> str:
    """Return whose figures decide: table, authority, season, whether they are in force, and how the flaps count."""
    holdover = clocks.worst.holdover if clocks.worst is not None else None
    flaps = "out" if protection.flaps_set else "in"
    rule = f"{protection.authority or 'strictest authority'}; flaps and slats taken as {flaps} during the treatment"
    if holdover is None or holdover.table is None:
        return f"no table was needed; {rule}"
    force = "in force" if holdover.current else "NOT in force"
    return f"{holdover.table}; {holdover.authority}, season {holdover.season}; {force}; {rule}"


def age_min(clocks: Clocks, observation: Observation | None) -> int | None:
    """Return how old the newest report is, in whole minutes; None without one."""
    if observation is None:
        return None
    return max(0, int((clocks.at - observation.observed_at).total_seconds() // 60))

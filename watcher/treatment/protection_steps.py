"""What comes next for a treated aircraft, by the published guidance. A planning aid, never a permission."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from watcher.treatment.clocks import Clocks
from watcher.treatment.press import not_undone
from watcher.treatment.procedures import (
    Clock,
    HoldoverState,
    Item,
    Procedure,
    Situation,
    done_at,
    in_situation,
    steps_after,
)
from watcher.treatment.protection import Protection, Standing
from watcher.treatment.words import FluidType
from watcher.units import clock_z


@dataclass(frozen=True, slots=True)
class CheckRule:
    """When an authority lets a contamination check stand for a holdover time that has run out.

    It is made of the treated surfaces within 5 minutes before the take-off. Never on an allowance time, never where no
    holdover time exists.

    Parameters
    ----------
    type_one
        Also with Type I.
    least_lower_min
        Only where the lower time is at least so many minutes.
    once
        One time only: not again every five minutes.
    source
        Where it says so.
    """

    type_one: bool
    least_lower_min: int
    once: bool
    source: str


STRICTEST: Final = CheckRule(
    type_one=False,
    least_lower_min=20,
    once=True,
    source="Transport Canada, TP 10643E, chapter 4, paragraphs 83 to 87",
)
# An authority that is not named here has the strictest rule.
CHECK_RULES: Final = {
    "Transport Canada": STRICTEST,
    "FAA": CheckRule(type_one=True, least_lower_min=0, once=False, source="14 CFR 121.629(c)(3) and (4): memory"),
}

_NEW_TREATMENT = "Return for a complete new treatment: all residue off first, never a top-up"
# UK CAA, GM on ground de-icing (pre-take-off check, new treatment); the rest: common practice, no source.
_STEPS: Final = {
    Standing.NO_LIMIT: (
        "Watch for precipitation or frost and enter what you see; pre-take-off check shortly before the take-off."
    ),
    Standing.RUNNING: (
        "Pre-take-off check inside the holdover time: do weather, wind and temperature still agree with it?"
    ),
    Standing.ALLOWANCE: (
        "No holdover time exists. The allowance time counts only where the operator's programme has it; no inspection "
        "extends it. Once it is over, return for a complete new treatment."
    ),
    Standing.SPECIAL: (
        "Hold: no take-off without the operator's special approval for such weather. Else return for a complete new "
        "treatment once a holdover time exists again."
    ),
    Standing.NONE: (
        "Hold: no take-off on the tables. Once a holdover time exists again, return for a complete new treatment: all "
        "residue off first, never a top-up."
    ),
    Standing.BLIND: "No minutes while the station is blind: find out the weather by other means, enter what you see.",
    Standing.UNKNOWN: "No minutes while the weather cannot be told: ask, look, and use this season's official table.",
    Standing.OUT_OF_SEASON: "No minutes: the tables here are out of season. Use this season's official table.",
    Standing.ENDED: "Nothing: it is over. Another treatment is another protection.",
}


def next_step(protection: Protection, clocks: Clocks) -> str:
    """Return what comes next.

    Parameters
    ----------
    protection
        The aircraft.
    clocks
        How it stands.
    """
    if clocks.standing is Standing.OVER:
        return _after_the_end(protection, clocks)
    if clocks.standing is Standing.UNKNOWN and clocks.wants_visibility:
        return (
            "No minutes until you enter how far you see in the snow: the report has none, and by that distance the "
            "tables tell how heavy it is."
        )
    return _STEPS[clocks.standing]


def why_no_check(protection: Protection, clocks: Clocks) -> str | None:
    """Return why no contamination check may stand for the time that has run out; None where one may."""
    rule = CHECK_RULES.get(protection.authority or "", STRICTEST)
    if clocks.allowance_min is not None:
        return "an allowance time is never extended by a check"
    if clocks.lower_min is None:
        return "no lower time is known"
    if protection.fluid is FluidType.I and not rule.type_one:
        return "not with Type I"
    if clocks.lower_min < rule.least_lower_min:
        return f"the lower time was {clocks.lower_min} min, less than {rule.least_lower_min}"
    return None


def _after_the_end(protection: Protection, clocks: Clocks) -> str:
    reason = why_no_check(protection, clocks)
    if reason is not None:
        return f"{_NEW_TREATMENT}. No contamination check instead: {reason}."
    rule = CHECK_RULES.get(protection.authority or "", STRICTEST)
    once = ", once only" if rule.once else ""
    within = ""
    if clocks.upper_ends_at is not None and clocks.at < clocks.upper_ends_at:
        within = f" The upper end is {clock_z(clocks.upper_ends_at)}, in the lightest of such weather."
    return (
        f"Contamination check of the treated surfaces within 5 minutes before the take-off{once}, where operator and "
        f"authority allow it; else: {_NEW_TREATMENT.lower()}.{within}"
    )


# In these the holdover time is over or in doubt.
IN_DOUBT: Final = frozenset({Standing.OVER, Standing.SPECIAL, Standing.NONE, Standing.BLIND, Standing.UNKNOWN})


def checklist_step(procedure: Procedure, protection: Protection, standing: Standing) -> Item | None:
    """Return the step of a place's checklist from which a crew goes on; None when none is left.

    Parameters
    ----------
    procedure
        Of the place of the treatment.
    protection, standing
        The aircraft, and how it stands. In doubt: the step for that, until it was pressed. Else the first that does not
        lie behind.
    """
    behind = steps_behind(procedure, protection)
    if standing in IN_DOUBT:
        found = next((item for item in procedure.items if item.when.holdover is HoldoverState.OVER), None)
        if found is not None and found.id not in behind:
            return found
    return steps_after(steps_of(procedure, standing), behind)


def steps_behind(procedure: Procedure, protection: Protection) -> frozenset[str]:
    """Return the ids of the steps that are done.

    All up to what is known to be done lie behind: the end of the treatment, or before that the start of the final
    application. Besides them those that were pressed.
    """
    begun = Clock.FINAL_STEP_START if protection.treatment_ended_at is None else Clock.TREATMENT_END
    said = {press.step for press in not_undone(protection.presses) if press.step is not None}
    return done_at(procedure, begun) | said


def steps_of(procedure: Procedure, standing: Standing) -> Procedure:
    """Return a procedure with the steps that count while a protection stands so."""
    state = HoldoverState.OVER if standing in IN_DOUBT else HoldoverState.RUNNING
    return in_situation(procedure, Situation(holdover=state))

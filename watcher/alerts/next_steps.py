"""What to do next, in trade words: one sentence for each level and kind. A planning aid, never a permission."""

from __future__ import annotations

from watcher.rulebook.words import Flag, Kind, Level, NoTime

# Common practice, no source: who arranges what, and in which order, differs between operators.
_BY_LEVEL: dict[tuple[Level, Kind], str] = {
    (Level.NOTE, Kind.OBSERVED): "Keep an eye on the next reports.",
    (Level.NOTE, Kind.EXPECTED): "Look again when the next TAF is out.",
    (Level.PREPARE, Kind.OBSERVED): "Have the aircraft checked by hand and arrange treatment for the next departures.",
    (Level.PREPARE, Kind.EXPECTED): "Arrange crews, fluid and a treatment slot for departures in this period.",
    (Level.TREAT, Kind.OBSERVED): "Call treatment for departures now and plan it close to take-off.",
    (Level.TREAT, Kind.EXPECTED): "Book treatment for departures in this period and plan it close to take-off.",
    (Level.NO_TIME, Kind.OBSERVED): "Plan no take-off on the tables until this ends; tell crews and passengers.",
    (Level.NO_TIME, Kind.EXPECTED): "Plan departures before or after this period; no holdover time will exist in it.",
}

_BY_NO_TIME: dict[NoTime, str] = {
    NoTime.ALLOWANCE: "No holdover time exists; see whether an allowance time of this season's tables applies.",
    NoTime.SPECIAL: "No take-off without the operator's special approval for this condition.",
}

_BY_FLAG: dict[tuple[Flag, Level], str] = {
    (Flag.FROST_LIKELY, Level.PREPARE): "Have parked aircraft checked by hand before departure; arrange frost removal.",
    (Flag.FROST_LIKELY, Level.TREAT): "Plan frost removal for every aircraft parked outside.",
    (Flag.COLD_SOAKED_WING, Level.PREPARE): "Feel the upper wing over the tanks by hand; clear ice is hard to see.",
    (Flag.COLD_SOAKED_WING, Level.TREAT): "Feel the upper wing over the tanks by hand and call treatment.",
    (
        Flag.FROZEN_RESIDUAL_WATER,
        Level.PREPARE,
    ): "Check steps, hinges, brakes and upper surfaces for frozen water by hand.",
}

BLIND = "Check the station by other means; its open alerts stand as they are."
SEEING = "Reports are back; its alerts follow them again."
ENDED = "Aircraft treated or parked before this stay in need of a check: a deposit outlives its weather."
NOT_EXPECTED = "Release what was arranged for it only after a look at the present report."
CAME_TRUE = "Follow the open alert of the same kind at this station."
CANCELLED = "Keep what was arranged until a new TAF or the reports say more."
WITHDRAWN = "The station or its rule is no longer watched here; watch it by other means."


def next_step(flag: Flag, level: Level, kind: Kind, no_time: NoTime | None) -> str:
    """Return the next step for an open episode."""
    if level is Level.NO_TIME and no_time in _BY_NO_TIME:
        return _BY_NO_TIME[no_time]
    return _BY_FLAG.get((flag, level)) or _BY_LEVEL[level, kind]

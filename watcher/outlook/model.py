"""What the outlook gives: steps with expected facts, and the periods in which a rule is expected to hold."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from watcher.rulebook.facts import Facts
from watcher.rulebook.words import Certainty, Flag, Level, NoTime


@dataclass(frozen=True, slots=True)
class Step:
    """Facts that are expected from `begins_at` to `ends_at` (not included).

    `since`: when the TAF's own period behind it begins, which may be before the present.
    """

    since: datetime
    begins_at: datetime
    ends_at: datetime
    certainty: Certainty
    facts: Facts


@dataclass(frozen=True, slots=True)
class Odds:
    """What an ensemble says of an expectation.

    `probability`: 0 to 1. `begins_between`, `ends_between`: where 80 % of the members begin and end; None where that
    is not known. `goes_on`: whether it lasts beyond the time that was looked at.
    """

    probability: float
    begins_between: tuple[datetime, datetime] | None = None
    ends_between: tuple[datetime, datetime] | None = None
    goes_on: bool = False


@dataclass(frozen=True, slots=True)
class Expectation:
    """One rule that is expected to hold from `begins_at` to `ends_at`; steps of like certainty are joined.

    `since`: when the TAF's own period behind it begins, which may be before the present. `odds`: of what is computed.
    """

    rule: str
    flag: Flag
    level: Level
    certainty: Certainty
    since: datetime
    begins_at: datetime
    ends_at: datetime
    why: str
    no_time: NoTime | None = None
    odds: Odds | None = None

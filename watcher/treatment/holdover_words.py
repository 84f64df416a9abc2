"""An answer of the holdover tables in words, and what it carries about the report that it was asked of."""

from __future__ import annotations

from watcher.treatment.question import Holdover, Outcome
from watcher.treatment.words import COLUMN_WORDS

_BASIS_WORDS = {"official": "official figures", "seen": "read in an old copy", "memory": "from memory"}


def headline(answer: Holdover) -> str:
    """Return the answer in one clause."""
    column = COLUMN_WORDS[answer.column] if answer.column is not None else ""
    match answer.outcome:
        case Outcome.TIME if answer.lower_min == answer.upper_min:
            return f"{answer.lower_min} min holdover time, {column}"
        case Outcome.TIME:
            return f"{answer.lower_min}-{answer.upper_min} min holdover time, {column}"
        case Outcome.ALLOWANCE if answer.allowance_min is not None:
            return f"No holdover time; allowance time {answer.allowance_min} min"
        case Outcome.ALLOWANCE:
            return "No holdover time; an allowance time may exist"
        case Outcome.SPECIAL:
            return "No holdover time on the tables"
        case Outcome.OUT_OF_SEASON:
            return f"No minutes: the tables are out of season, {column}"
        case Outcome.UNKNOWN:
            return "No answer"
        case Outcome.NOT_NEEDED:
            return "No holdover time needed for this weather"
        case Outcome.NONE:
            return f"No holdover time exists{f', {column}' if column else ''}"


def basis_words(answer: Holdover) -> str:
    """Return whether the tables are in force, and how sure their figures are."""
    force = "in force" if answer.current else "NOT in force"
    confidence = f", confidence {answer.confidence.value}" if answer.confidence is not None else ""
    return f"{force}; {_BASIS_WORDS[answer.basis.value]}{confidence}" if answer.basis is not None else force


def table_words(answer: Holdover) -> str:
    """Return table, season, authority and state of the figures in one line; empty where no table was needed."""
    if answer.table is None:
        return ""
    state = "training, not in force" if answer.training else "in force" if answer.current else "out of season"
    return f"{answer.table}; {answer.season}; {answer.authority}; {state}"

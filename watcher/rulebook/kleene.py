"""Three-valued logic: true, false, unknown (None). Unknown is never false.

Source: S. C. Kleene, Introduction to Metamathematics, 1952, section 64: the strong tables.
"""

from __future__ import annotations

from collections.abc import Iterable

Tri = bool | None


def all_of(values: Iterable[Tri]) -> Tri:
    """Return false if any is false, else unknown if any is unknown, else true."""
    result: Tri = True
    for value in values:
        if value is False:
            return False
        if value is None:
            result = None
    return result


def any_of(values: Iterable[Tri]) -> Tri:
    """Return true if any is true, else unknown if any is unknown, else false."""
    result: Tri = False
    for value in values:
        if value is True:
            return True
        if value is None:
            result = None
    return result


def negated(value: Tri) -> Tri:
    """Return the opposite; of unknown, unknown."""
    return None if value is None else not value

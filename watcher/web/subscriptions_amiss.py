"""What is wrong with a subscription or a destination, put beside the field of the form that it is about."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from watcher.errors import Problem
from watcher.web.amiss import Amiss, amiss

# What is wrong with the whole names its field in its words; the first that fits is the place.
Clues = Sequence[tuple[str, str]]


def placed(problems: Iterable[Problem], fields: Collection[str], clues: Clues) -> Amiss:
    """Return problems for a form.

    Parameters
    ----------
    problems
        As the settings are refused: the place is ``subscription "x": zone``, or ``subscription "x"`` for the whole.
    fields
        The names that the form has.
    clues
        Words of problems about the whole, each with the field that they are about.
    """
    return amiss([replace(item, where=_field(item, fields, clues)) for item in problems], fields)


def _field(problem: Problem, fields: Collection[str], clues: Clues) -> str:
    whole, _, key = problem.where.rpartition(": ")
    if whole and key.partition(".")[0] in fields:
        return key.partition(".")[0]
    return next((field for words, field in clues if words in problem.what), problem.where)

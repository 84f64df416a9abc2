"""What is wrong in a form that somebody sent: beside the field that it is about, or above all of them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from watcher.errors import Problem
from watcher.notify.wording import plain


@dataclass(frozen=True, slots=True)
class Amiss:
    """The sentences for a template. `beside`: by the name of the field."""

    beside: Mapping[str, str]
    above: tuple[str, ...]

    @property
    def any(self) -> bool:
        """Whether anything is wrong."""
        return bool(self.beside or self.above)


NOTHING = Amiss({}, ())


def amiss(problems: Iterable[Problem], fields: Collection[str]) -> Amiss:
    """Return problems for a form with these fields; one is about a field where its place is the field's name."""
    beside: dict[str, str] = {}
    above = []
    for problem in problems:
        if problem.where in fields:
            said = _sentence(problem.what, problem.remedy)
            beside[problem.where] = f"{beside[problem.where]} {said}" if problem.where in beside else said
        else:
            above.append(_sentence(f"{problem.where}: {problem.what}", problem.remedy))
    return Amiss(beside, tuple(dict.fromkeys(above)))


def _sentence(what: str, remedy: str) -> str:
    said = f"{what}; {remedy}" if remedy else what
    said = plain(said)
    return f"{said[:1].upper()}{said[1:]}{'' if said.endswith(('.', '?')) else '.'}"

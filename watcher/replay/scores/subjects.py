"""What is scored: each flag from each of its levels up, against the weather that proves it, and any alert at all."""

from __future__ import annotations

from dataclasses import dataclass

from watcher.replay.phenomena import PROOFS, Phenomenon
from watcher.rulebook.model import Rulebook
from watcher.rulebook.words import Flag, Level

# An alert of whatever flag: was anything told at all before the precipitation began?
ANY = "any-alert"


@dataclass(frozen=True, slots=True)
class Subject:
    """A flag, or `ANY`, from a level up.

    `precursor`: it also warns of what no report tells; an alert after which nothing came is no false alarm by that.
    """

    flag: str
    at_least: Level
    phenomenon: Phenomenon
    precursor: bool

    @property
    def words(self) -> str:
        """How a table names it."""
        name = "any alert" if self.flag == ANY else self.flag
        return f"{name}, {self.at_least.word}" + ("" if self.at_least is Level.NO_TIME else " or worse")


def subjects_of(rulebook: Rulebook) -> tuple[Subject, ...]:
    """Return what can be scored of a rulebook, flag by flag, the lowest level first; flags of no proof are left out."""
    found = []
    every: set[Level] = set()
    for flag in Flag:
        levels = {rule.level for rule in rulebook.of_flag(flag)}
        every |= levels
        proof = PROOFS.get(flag)
        if proof is not None:
            found += [Subject(flag.value, level, proof.phenomenon, proof.precursor) for level in sorted(levels)]
    found += [Subject(ANY, level, Phenomenon.PRECIPITATION, precursor=True) for level in sorted(every)]
    return tuple(found)

"""The scores of two rulebooks held against each other: told ahead, and told and in vain by the hour."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from watcher.replay.scores.estimate import Estimate
from watcher.replay.scores.model import Scores
from watcher.replay.scores.score import MAIN_LEAD_H
from watcher.replay.scores.subjects import Subject


@dataclass(frozen=True, slots=True)
class Pair:
    """One score by the rules in force, and by the other ones."""

    now: Estimate
    other: Estimate

    @property
    def same(self) -> bool:
        """Whether both rest on the same counts."""
        return (self.now.counted, self.now.of) == (self.other.counted, self.other.of)


@dataclass(frozen=True, slots=True)
class Difference:
    """A flag from a level up whose scores differ.

    `ahead`: of the onsets, the share told ahead. `pod`, `far`: by the hour, `MAIN_LEAD_H` hours ahead.
    """

    subject: Subject
    ahead: Pair
    pod: Pair
    far: Pair


def differences(now: Scores, other: Scores) -> list[Difference]:
    """Return what differs, in the order of the scores in force; what only one of them has cannot be compared."""
    theirs = {subject: found for subject, *found in _three(other)}
    every = (
        Difference(subject, *map(Pair, found, theirs[subject])) for subject, *found in _three(now) if subject in theirs
    )
    return [row for row in every if not (row.ahead.same and row.pod.same and row.far.same)]


def _three(scores: Scores) -> Iterator[tuple[Subject, Estimate, Estimate, Estimate]]:
    hours = {row.subject: row.scores for row in scores.hours if row.lead_h == MAIN_LEAD_H and row.not_yet}
    for onset in scores.onsets:
        by_hour = hours[onset.subject]
        yield onset.subject, onset.ahead, by_hour["pod"], by_hour["far"]

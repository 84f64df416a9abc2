"""From the text of a procedure file to a procedure. All that is wrong is said at once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import PurePath
from typing import ClassVar

from watcher.errors import Problem, RulesError
from watcher.treatment.kinds import Place
from watcher.treatment.procedures import Clock, Item, Phase, Procedure, Stop
from watcher.treatment.profiles import Name, Sentence
from watcher.treatment.written import STRICT, checked, tables, twice, values

_HEAD = ("place", "title", "first")
_PHASES = list(Phase)
# The moments that every treatment has, and what runs from them.
_RUNS_FROM = {
    Clock.FINAL_STEP_START: (Clock.HOLDOVER,),
    Clock.TREATMENT_END: (Clock.ENGINE_BLEED_WAIT, Clock.APU_BLEED_WAIT),
}

Placed = tuple[str, Item]


@dataclass(frozen=True, slots=True)
class _Head:
    __pydantic_config__: ClassVar = STRICT

    place: Place
    title: Name
    first: Sentence


def parse_procedure(text: str, name: str) -> Procedure:
    """Return the procedure of one place.

    Parameters
    ----------
    text
        TOML.
    name
        Of the file, for messages. Its last part is the place: ``procedures/pad.toml``.

    Raises
    ------
    RulesError
        With everything that is wrong: words that are not known, a phase without a step, a clock that is started at
        another moment than its own, a step that needs a time which no step before it starts, and a step that moves
        slats, flaps or controls before the treatment has ended.
    """
    raw = tables(text, name, [*_HEAD, "item", "stop"])
    problems: list[Problem] = []
    head = checked(_Head, {key: raw[key] for key in _HEAD if key in raw}, name, problems)
    if head is not None and head.place != PurePath(name).stem:
        problems.append(Problem(f"{name}: place", f'"{head.place}" is not the name of the file', "make them the same"))
    items = values(Item, raw, "item", name, problems)
    stops = values(Stop, raw, "stop", name, problems)
    problems.extend(
        twice([*((where, item.id) for where, item in items), *((where, stop.id) for where, stop in stops)], "id")
    )
    if not problems:
        problems.extend((*_order(items, name), *_clocks(items, name), *_needs(items), *_moves(items)))
    if problems or head is None:
        raise RulesError(problems)
    return Procedure(
        head.place, head.title, head.first, tuple(item for _, item in items), tuple(stop for _, stop in stops), name
    )


def _order(items: Sequence[Placed], name: str) -> Iterator[Problem]:
    for phase in Phase:
        if all(item.phase is not phase for _, item in items):
            yield Problem(name, f'phase "{phase}" has no item', "every procedure has before, during and after")
    for (_, before), (where, item) in pairwise(items):
        if _PHASES.index(item.phase) < _PHASES.index(before.phase):
            yield Problem(where, f'phase "{item.phase}" after "{before.phase}"', "put it before that item")


def _clocks(items: Sequence[Placed], name: str) -> Iterator[Problem]:
    """Yield what is wrong with the two moments: each is noted once, in every situation, and its times run from it."""
    starts = [(where, item, clock) for where, item in items for clock in item.starts]
    counted = Counter(clock for _, _, clock in starts)
    for moment, runs in _RUNS_FROM.items():
        if counted[moment] == 0:
            yield Problem(name, f"no item starts {moment}", f'give one of them starts = ["{moment}"]')
        for where, item, clock in starts:
            if clock in runs and moment not in item.starts:
                yield Problem(where, f"starts {clock}", f"it runs from {moment}: start it in the item that starts that")
            if clock is moment and item.when.text:
                yield Problem(where, f"starts {moment} only under a condition", "leave out when")
    for clock, count in counted.items():
        if count > 1:
            yield Problem(name, f"{count} items start {clock}", "one of them does")


def _needs(items: Sequence[Placed]) -> Iterator[Problem]:
    started: set[Clock] = set()
    for where, item in items:
        for clock in item.needs:
            if clock not in started:
                yield Problem(
                    where, f"needs {clock}, which no item before it starts", "start it before, or leave it out"
                )
        started.update(item.starts)


def _moves(items: Sequence[Placed]) -> Iterator[Problem]:
    ended = False
    for where, item in items:
        if item.moves and not ended:
            yield Problem(
                where,
                f"moves {', '.join(item.moves)} before the treatment has ended",
                f"put it after the item that starts {Clock.TREATMENT_END}",
            )
        ended = ended or Clock.TREATMENT_END in item.starts

"""The tree of a condition: leaves over facts, joined by all, any and not, in three-valued logic.

Each node answers twice: does the condition begin (`enter`), does one that already holds go on (`keep`). A leaf with
`off` lets go later than it takes hold, so whatever begins also goes on. Under `not` the two change places: what is
denied begins once its opposite has let go for sure, and goes on until its opposite takes hold. So the same is true of
every tree, and the order false < unknown < true of enter and keep is kept by all, any and not alike.

A tree is compiled to nested functions when it is made: verdicts are wanted for every rule and station at every turn,
reasons only when somebody asks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from watcher.rulebook.facts import Facts
from watcher.rulebook.kleene import all_of, any_of, negated
from watcher.rulebook.leaves import NO, YES, Answer, Ask, Leaf
from watcher.rulebook.model import Reasons, Verdict


@dataclass(frozen=True, slots=True)
class All:
    """Every part. Known from its false parts, or from all."""

    parts: tuple[Node, ...]

    def compiled(self) -> Ask:
        """Return the function that answers (enter, keep)."""
        asks = tuple(part.compiled() for part in self.parts)

        def ask(facts: Facts) -> Answer:
            enter: bool | None = True
            keep: bool | None = True
            for part in asks:
                begins, goes_on = part(facts)
                if goes_on is False:
                    return NO
                if goes_on is None:
                    keep = None
                if begins is False:
                    enter = False
                elif begins is None and enter:
                    enter = None
            return enter, keep

        return ask


@dataclass(frozen=True, slots=True)
class AnyOf:
    """At least one part. Known from its true parts, or from all."""

    parts: tuple[Node, ...]

    def compiled(self) -> Ask:
        """Return the function that answers (enter, keep)."""
        asks = tuple(part.compiled() for part in self.parts)

        def ask(facts: Facts) -> Answer:
            enter: bool | None = False
            keep: bool | None = False
            for part in asks:
                begins, goes_on = part(facts)
                if begins:
                    return YES
                if begins is None:
                    enter = None
                if goes_on:
                    keep = True
                elif goes_on is None and keep is False:
                    keep = None
            return enter, keep

        return ask


@dataclass(frozen=True, slots=True)
class Not:
    """The opposite of a part."""

    part: Node

    def compiled(self) -> Ask:
        """Return the function that answers (enter, keep): begins when the part has let go, ends when it takes hold."""
        inner = self.part.compiled()

        def ask(facts: Facts) -> Answer:
            enter, keep = inner(facts)
            return negated(keep), negated(enter)

        return ask


Node = All | AnyOf | Not | Leaf


def _reasons(node: Node, facts: Facts, *, held: bool, denied: bool = False) -> Reasons:
    """Return what a node has to say; what is denied is judged by its other threshold."""
    if isinstance(node, Not):
        part = _reasons(node.part, facts, held=not held, denied=not denied)
        return Reasons(negated(part.verdict), part.because, part.decisive)
    if not isinstance(node, All | AnyOf):
        leaf = (node.because(facts, held=held, denied=denied),)
        return Reasons(leaf[0].verdict, leaf, leaf)
    parts = [_reasons(part, facts, held=held, denied=denied) for part in node.parts]
    verdicts = [part.verdict for part in parts]
    verdict = all_of(verdicts) if isinstance(node, All) else any_of(verdicts)
    # The parts with another verdict could say anything: they change nothing.
    return Reasons(
        verdict,
        tuple(leaf for part in parts for leaf in part.because),
        tuple(leaf for part in parts if part.verdict is verdict for leaf in part.decisive),
    )


_VERDICTS = {(enter, keep): Verdict(enter, keep) for enter in (True, False, None) for keep in (True, False, None)}


@dataclass(frozen=True, slots=True)
class Tree:
    """A whole condition, as a rule carries it."""

    root: Node
    _ask: Callable[[Facts], Answer] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_ask", self.root.compiled())

    def __reduce__(self) -> tuple[type[Tree], tuple[Node]]:
        # Functions do not travel between processes; what they are made from does.
        return Tree, (self.root,)

    def judge(self, facts: Facts) -> Verdict:
        """Return whether the condition begins and whether it goes on."""
        return _VERDICTS[self._ask(facts)]

    def reasons(self, facts: Facts, *, held: bool) -> Reasons:
        """Return one of the two verdicts with its reasons: whether it goes on where `held`, else whether it begins."""
        return _reasons(self.root, facts, held=held)

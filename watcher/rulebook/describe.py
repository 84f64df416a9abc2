"""A condition in plain lines, for people who want to know what a rule asks."""

from __future__ import annotations

from collections.abc import Iterator

from watcher.rulebook.condition import All, AnyOf, Node, Not
from watcher.rulebook.facts import FACTS_BY_NAME
from watcher.rulebook.leaves import BetweenLeaf, EqualLeaf, Leaf, NumberLeaf

_INDENT = "  "


def described(node: Node) -> tuple[str, ...]:
    """Return the lines of a condition; what belongs together is indented below its "all of", "any of" or "not"."""
    return tuple(_lines(node))


def _lines(node: Node) -> Iterator[str]:
    if isinstance(node, All | AnyOf):
        yield "all of" if isinstance(node, All) else "any of"
        parts: tuple[Node, ...] = node.parts
    elif isinstance(node, Not):
        yield "not"
        parts = (node.part,)
    else:
        yield _leaf(node)
        return
    for part in parts:
        yield from (_INDENT + line for line in _lines(part))


def _leaf(leaf: Leaf) -> str:
    spec = FACTS_BY_NAME[leaf.field]
    unit = f" {spec.unit}" if spec.unit else ""
    if isinstance(leaf, NumberLeaf):
        release = f", lets go past {leaf.off:g}{unit}" if leaf.off != leaf.value else ""
        return f"{spec.noun} {leaf.op} {leaf.value:g}{unit}{release}{_sure(leaf)}"
    if isinstance(leaf, BetweenLeaf):
        release = f", lets go outside {leaf.off[0]:g} to {leaf.off[1]:g}{unit}" if leaf.off != leaf.value else ""
        return f"{spec.noun} from {leaf.value[0]:g} to {leaf.value[1]:g}{unit}{release}{_sure(leaf)}"
    if isinstance(leaf, EqualLeaf):
        if spec.type == "flag":
            return " or ".join(spec.says[0] if allowed else spec.says[1] for allowed in leaf.allowed)
        return f"{spec.noun} is {' or '.join(str(word).replace('_', ' ') for word in leaf.allowed)}"
    intensity = f", {' or '.join(leaf.intensity)}" if leaf.intensity else ""
    return f"{spec.noun} {leaf.op} {' or '.join(leaf.wanted)}{intensity}"


def _sure(leaf: NumberLeaf | BetweenLeaf) -> str:
    return ", whatever rounding leaves" if leaf.sure else ""

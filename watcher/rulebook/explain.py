"""One plain sentence from the leaves that decide a condition."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from watcher.rulebook.derive import UNSEEN, UNSEEN_FREEZING_RAIN
from watcher.rulebook.facts import FACTS_BY_NAME, Value
from watcher.rulebook.leaves import among
from watcher.rulebook.model import Because, Reasons
from watcher.rulebook.words import Kind

_SHOWN = 4
_MARKS = frozenset({UNSEEN, UNSEEN_FREEZING_RAIN})


def explain(reasons: Reasons, *, held: bool = False, kind: Kind = Kind.OBSERVED) -> str:
    """Return why a condition is true, false or unknown.

    Parameters
    ----------
    reasons
        The verdict, and the leaves that decide it.
    held
        Whether the leaves were judged by their release thresholds.
    kind
        Whether the facts are reported or expected.
    """
    if reasons.verdict is None:
        return _sentence(["not known: " + _listed([_unknown(leaf) for leaf in reasons.decisive], "and")])
    said = "reported" if kind is Kind.OBSERVED else "forecast"
    # Only what goes on has a release ahead.
    releases = held and reasons.verdict
    return _sentence([_known(leaf, held=releases, said=said) for leaf in _tightest(reasons.decisive)])


def _tightest(leaves: Sequence[Because]) -> list[Because]:
    """Return of several leaves about one number the one nearest to its limit; in the order written."""
    nearest: dict[str, Because] = {}
    for leaf in leaves:
        other = nearest.get(leaf.field)
        if leaf.margin is not None and (other is None or other.margin is None or abs(leaf.margin) < abs(other.margin)):
            nearest[leaf.field] = leaf
    return [leaf for leaf in leaves if leaf.margin is None or nearest[leaf.field] is leaf]


def _sentence(parts: Iterable[str]) -> str:
    text = _listed(parts, "and")
    return text[:1].upper() + text[1:] + "."


def _listed(parts: Iterable[str], last: str) -> str:
    distinct = list(dict.fromkeys(parts))
    more = len(distinct) - _SHOWN
    shown = [*distinct[:_SHOWN], f"{more} more"] if more > 0 else distinct
    return f" {last} ".join(shown) if len(shown) < 3 else ", ".join(shown[:-1]) + f" {last} " + shown[-1]


def _known(leaf: Because, *, held: bool, said: str) -> str:
    spec = FACTS_BY_NAME[leaf.field]
    if leaf.margin is not None:
        return f"{spec.noun} {_quantity(leaf.value, spec.unit)} ({_place(leaf, held=held)})"
    if isinstance(leaf.value, frozenset):
        return _weather(leaf, said)
    if isinstance(leaf.value, bool):
        return spec.says[0] if leaf.value else spec.says[1]
    return f"{spec.noun} is {_word(leaf.value)}"


def _place(leaf: Because, *, held: bool) -> str:
    """Return where a number stands: against its limit, or how far from its release."""
    assert leaf.margin is not None
    spec = FACTS_BY_NAME[leaf.field]
    room = abs(leaf.margin)
    if isinstance(leaf.threshold, tuple):
        low, high = (_number(bound) for bound in leaf.threshold)
        return f"{'within' if leaf.verdict else 'outside'} {low} to {_with_unit(high, spec.unit)}"
    assert isinstance(leaf.threshold, int | float)
    limit = _quantity(leaf.threshold, spec.unit)
    if held and leaf.off is not None:
        return f"{_difference(room, spec.unit)} from release at {limit}"
    if room == 0:
        return f"at the limit {limit}"
    assert isinstance(leaf.value, int | float)
    side = "below" if leaf.value < leaf.threshold else "above"
    return f"limit {limit}, {_plain(room, spec.unit)} {side}"


def _weather(leaf: Because, said: str) -> str:
    assert isinstance(leaf.value, frozenset)
    groups = sorted(leaf.value - _MARKS)
    recent = "recent " if leaf.field == "recent_weather" else ""
    is_there = (leaf.op == "has") is leaf.verdict
    if is_there:
        matching = [group for group in groups if among(frozenset({group}), _codes(leaf))]
        return f"{recent}{' '.join(matching)} is {said}"
    there = f" ({' '.join(groups)} is)" if groups else ""
    return f"no {recent}{_listed(_wanted(leaf), 'or')} is {said}{there}"


def _wanted(leaf: Because) -> tuple[str, ...]:
    return leaf.threshold if isinstance(leaf.threshold, tuple) else ()  # type: ignore[return-value]


def _codes(leaf: Because) -> tuple[str, ...]:
    return tuple(words.rpartition(" ")[2] for words in _wanted(leaf))


def _unknown(leaf: Because) -> str:
    spec = FACTS_BY_NAME[leaf.field]
    if isinstance(leaf.value, frozenset):
        if UNSEEN in leaf.value:
            return "precipitation, which the station cannot tell or which could not be read"
        return "freezing rain or drizzle, whose sensor is off"
    if leaf.value is not None:
        return f"on which side of the limit the {spec.noun} is, rounded to {_quantity(leaf.value, spec.unit)}"
    return spec.noun


def _quantity(value: Value, unit: str) -> str:
    return _with_unit(_number(value), unit)


def _with_unit(number: str, unit: str) -> str:
    return f"{number}{'' if unit in {'', '°', '%'} else ' '}{unit}".strip()


def _difference(room: float, unit: str) -> str:
    """Return a distance; between temperatures it is in kelvin."""
    return _with_unit(_plain(room, unit), "K" if unit == "°C" else unit)


def _plain(room: float, unit: str) -> str:
    return f"{room:.2f}" if not unit else f"{room:.1f}" if room < 100 else f"{room:.0f}"


def _number(value: object) -> str:
    assert isinstance(value, int | float)
    return f"{round(value, 2 if abs(value) < 1 else 1) + 0.0:g}" if abs(value) < 1000 else f"{value:.0f}"


def _word(value: Value) -> str:
    return str(value).replace("_", " ")

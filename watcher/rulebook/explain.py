"""One plain sentence from the leaves of a finding."""

from __future__ import annotations

from collections.abc import Sequence

from watcher.rulebook.derive import UNSEEN
from watcher.rulebook.facts import FACTS_BY_NAME, Value
from watcher.rulebook.model import Because

_SHOWN = 4


def explain(verdict: bool | None, because: Sequence[Because], *, held: bool) -> str:
    """Return why a condition is true, false or unknown.

    Parameters
    ----------
    verdict
        Of the whole condition.
    because
        Its leaves.
    held
        Whether the leaves were judged by their release thresholds.
    """
    decisive = [leaf for leaf in because if (leaf.verdict is not None) and (leaf.verdict is not leaf.negated)]
    if verdict is True:
        return _sentence([_met(leaf, held) for leaf in decisive])
    if verdict is None:
        unknown = [leaf for leaf in because if leaf.verdict is None]
        return _sentence(["not known: " + ", ".join(dict.fromkeys(_unknown(leaf) for leaf in unknown))])
    missed = [leaf for leaf in because if leaf.verdict is leaf.negated]
    return _sentence([_not_met(leaf) for leaf in missed])


def _sentence(parts: Sequence[str]) -> str:
    shown = list(dict.fromkeys(parts))[:_SHOWN]
    text = " and ".join(shown) if len(shown) < 3 else ", ".join(shown[:-1]) + " and " + shown[-1]
    return text[:1].upper() + text[1:] + "." if text else "Nothing in the condition decides."


def _met(leaf: Because, held: bool) -> str:
    if leaf.margin is None:
        return _said(leaf)
    room = abs(leaf.margin)
    if held and leaf.off is not None:
        return f"{_named(leaf)} ({_number(room)} from release)"
    return f"{_named(leaf)} (limit {_limit(leaf)}, {_number(room)} inside)"


def _not_met(leaf: Because) -> str:
    if leaf.margin is None:
        return _said(leaf)
    return f"{_named(leaf)} (limit {_limit(leaf)}, {_number(abs(leaf.margin))} outside)"


def _said(leaf: Because) -> str:
    if leaf.op in {"has", "lacks"}:
        return _weather(leaf)
    name = FACTS_BY_NAME[leaf.field].meaning
    if isinstance(leaf.value, bool):
        return f"{'it is so' if leaf.value else 'it is not so'} that {name}"
    return f"{name} is {_word(leaf.value)}"


def _weather(leaf: Because) -> str:
    groups = sorted(leaf.value - {UNSEEN}) if isinstance(leaf.value, frozenset) else []
    there = " ".join(groups) if groups else "no significant weather"
    recent = "recently " if leaf.field == "recent_weather" else ""
    has = (leaf.op == "has") is (leaf.verdict is True)
    if has:
        return f"{recent}{there} is reported"
    wanted = leaf.threshold if isinstance(leaf.threshold, tuple) else (leaf.threshold,)
    return f"{recent}{there} is reported, without {', '.join(str(code) for code in wanted)}"


def _unknown(leaf: Because) -> str:
    if isinstance(leaf.value, frozenset) and UNSEEN in leaf.value:
        return "freezing weather, which could not be seen or read"
    return FACTS_BY_NAME[leaf.field].meaning.split(";", maxsplit=1)[0]


def _named(leaf: Because) -> str:
    unit = f" {leaf.unit}" if leaf.unit else ""
    return f"{FACTS_BY_NAME[leaf.field].meaning.split(';', maxsplit=1)[0]} {_word(leaf.value)}{unit}"


def _limit(leaf: Because) -> str:
    if isinstance(leaf.threshold, tuple):
        return " to ".join(_word(bound) for bound in leaf.threshold)
    return _word(leaf.threshold)


def _number(value: float) -> str:
    return f"{value:.1f}"


def _word(value: Value) -> str:
    if isinstance(value, float):
        return f"{round(value, 1) + 0.0:g}"
    return str(value).replace("_", " ")

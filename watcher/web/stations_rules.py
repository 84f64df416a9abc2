"""The facts of a station and what each rule makes of them, as its page shows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isinf

from watcher.alerts.model import StationView
from watcher.notify.wording import plain
from watcher.reports.weather_words import weather_words
from watcher.rulebook.derive import UNSEEN, UNSEEN_FREEZING_RAIN
from watcher.rulebook.facts import FACTS, FACTS_BY_NAME, Facts, FactSpec, Value
from watcher.rulebook.model import Because, Finding, Rulebook
from watcher.rulebook.nearness import turning
from watcher.units import percent

# What icing is decided by most often; the others stand behind them.
_FIRST = (
    "temp_c",
    "dew_point_c",
    "frost_point_c",
    "spread_c",
    "weather",
    "visibility_m",
    "snow_intensity",
    "wind_kt",
    "cloud_cover",
    "skin_temp_c",
    "p_active_frost",
    "p_deposit",
    "p_frozen_residual",
    "hours_below_zero",
    "precipitation_last_h",
)
_VERDICTS = {True: "met", False: "not met", None: "cannot be told"}
_OPS = {"<=": "at most", "<": "below", ">=": "at least", ">": "above"}
_MARKS = {
    UNSEEN: "precipitation may go unseen",
    UNSEEN_FREEZING_RAIN: "freezing rain or drizzle may go unseen",
}


@dataclass(frozen=True, slots=True)
class FactShown:
    """One fact. `value`: None is not known; `interval`: what rounding or doubt leaves of it."""

    name: str
    noun: str
    value: str | None
    interval: str
    meaning: str
    origin: str


@dataclass(frozen=True, slots=True)
class LeafShown:
    """One part of a rule's condition: what it asks, what is, and how far from its limit."""

    asks: str
    value: str
    margin: str
    verdict: str


@dataclass(frozen=True, slots=True)
class RuleShown:
    """One rule. `held`: an open alert rests on it, so that it is judged by its release."""

    name: str
    text: str
    level: str
    flag: str
    verdict: str
    why: str
    held: bool
    leaves: tuple[LeafShown, ...]


def facts_shown(facts: Facts | None) -> tuple[tuple[FactShown, ...], tuple[FactShown, ...]]:
    """Return the facts that matter most, and all others, each in the order of the table."""
    if facts is None:
        return (), ()
    shown = {spec.name: _fact(spec, facts) for spec in FACTS}
    return tuple(shown[name] for name in _FIRST), tuple(each for name, each in shown.items() if name not in _FIRST)


def rules_shown(
    findings: Sequence[Finding], facts: Facts | None, view: StationView, book: Rulebook
) -> tuple[RuleShown, ...]:
    """Return the rules: those that are met first, then what cannot be told, then those nearest to being met."""
    if facts is None:
        return ()
    held = {hold.rule for episode in view.episodes for hold in episode.holds}
    rules = {rule.name: rule for rule in book.rules}

    def order(finding: Finding) -> tuple[int, float, int, str]:
        group = {True: 0, None: 1, False: 2}[finding.verdict]
        away = turning(rules[finding.rule], facts, held=finding.rule in held) if finding.verdict is False else 0.0
        return group, inf if isinf(away) else round(away, 2), -finding.level, finding.rule

    return tuple(
        _rule(finding, rules[finding.rule].text, held=finding.rule in held) for finding in sorted(findings, key=order)
    )


def _fact(spec: FactSpec, facts: Facts) -> FactShown:
    value, ends = facts.values.get(spec.name), facts.intervals.get(spec.name)
    interval = ""
    if value is not None and ends is not None:
        interval = f"{_figure(ends[0])} to {_figure(ends[1])}{_unit(spec.unit)}"
    noun = spec.noun if spec.type != "flag" else spec.meaning
    return FactShown(spec.name, noun, _value(spec, value), interval, spec.meaning, spec.origin)


def _value(spec: FactSpec, value: Value) -> str | None:
    if value is None:
        return None
    if spec.type == "flag":
        return "yes" if value else "no"
    if isinstance(value, frozenset):
        return ", ".join(_group(code) for code in sorted(value)) or "none"
    if isinstance(value, int | float) and spec.name.startswith("p_"):
        return percent(float(value))
    if isinstance(value, int | float):
        return f"{_figure(value)}{_unit(spec.unit)}"
    return plain(str(value).replace("_", " "))


def _group(code: str) -> str:
    words = _MARKS.get(code) or weather_words(code)
    return f"{plain(code)} ({words})" if words else plain(code)


def _figure(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 100 else f"{round(value, 1) + 0.0:g}"


def _unit(unit: str) -> str:
    return f"{'' if unit in {'', '°'} else ' '}{unit}"


def _rule(finding: Finding, text: str, *, held: bool) -> RuleShown:
    return RuleShown(
        name=finding.rule,
        text=plain(text),
        level=finding.level.word,
        flag=finding.flag.value,
        verdict=_VERDICTS[finding.verdict],
        why=plain(finding.why),
        held=held,
        leaves=tuple(_leaf(leaf, held=held) for leaf in finding.because),
    )


def _leaf(leaf: Because, *, held: bool) -> LeafShown:
    spec = FACTS_BY_NAME[leaf.field]
    return LeafShown(
        asks=f"{'not: ' if leaf.negated else ''}{_asks(leaf, spec)}",
        value=_value(spec, leaf.value) or "not known",
        margin=_margin(leaf, held=held),
        verdict=_VERDICTS[leaf.verdict],
    )


def _asks(leaf: Because, spec: FactSpec) -> str:
    wanted = leaf.threshold
    if leaf.op in _OPS and isinstance(wanted, int | float):
        return f"{spec.noun} {_OPS[leaf.op]} {_limit(wanted, spec)}"
    if leaf.op == "between" and isinstance(wanted, tuple):
        return f"{spec.noun} from {_limit(wanted[0], spec)} to {_limit(wanted[1], spec)}"
    if isinstance(wanted, bool):
        return spec.says[0] if wanted else spec.says[1]
    words = wanted if isinstance(wanted, tuple | frozenset) else (wanted,)
    said = [_word(word, spec) for word in words]
    return f"{spec.noun} {'is' if leaf.op == '==' else leaf.op} {' or '.join(said)}"


def _word(word: object, spec: FactSpec) -> str:
    if isinstance(word, bool):
        return spec.says[0] if word else spec.says[1]
    return str(word).replace("_", " ")


def _limit(wanted: object, spec: FactSpec) -> str:
    assert isinstance(wanted, int | float)
    return percent(wanted) if spec.name.startswith("p_") else f"{wanted:g}{_unit(spec.unit)}"


def _margin(leaf: Because, *, held: bool) -> str:
    """Return how far a number is from where it turns, in its unit; between temperatures in kelvin."""
    if leaf.margin is None:
        return ""
    if leaf.margin == 0:
        return "at the limit"
    unit = "K" if leaf.unit == "°C" else leaf.unit
    room = abs(leaf.margin)
    said = f"{100 * room:.0f} points" if leaf.field.startswith("p_") else f"{_figure(room)}{_unit(unit)}"
    if leaf.margin > 0:
        return f"{said} from release" if held and not leaf.negated else f"met by {said}"
    return f"{said} short"

"""One look at a station in words: what was reported, what the wing is like, what the rules make of it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from watcher.alerts.habit_words import habit_sentences
from watcher.cli.marks import mark
from watcher.notify.message import CAUTION
from watcher.notify.wording import plain
from watcher.rulebook.facts import FACTS_BY_NAME, Facts, Value
from watcher.service.look_words import why_apart
from watcher.service.night_words import chance
from watcher.units import clock_z, duration_text

if TYPE_CHECKING:
    from watcher.service.look import Look

_TEMPERATURES = {
    "temp_c": "air",
    "dew_point_c": "dew point",
    "frost_point_c": "frost point",
    "skin_temp_c": "wing skin",
}
_CHANCES = {"p_active_frost": "frost forming", "p_deposit": "deposit", "p_frozen_residual": "frozen water"}
_SHOWN = ("spread_c", "wind_kt", "visibility_m", "weather", "snow_intensity")


def text_of(seen: Look) -> str:
    """Return what is known of a station now, in lines."""
    word = seen.level.word if seen.level is not None else "nothing met"
    inner = [*_texts(seen), *_facts(seen), *_findings(seen), *_habits(seen), CAUTION]
    return "\n".join([f"{mark(seen.level)} {seen.station}  {word}", *(f"  {line}" for line in inner if line)])


def _texts(seen: Look) -> Iterator[str]:
    if seen.observation is None:
        yield "no report is known"
    else:
        age = duration_text(seen.at - seen.observation.observed_at)
        yield f"report {clock_z(seen.observation.observed_at)}, {age} old: {plain(seen.observation.raw)}"
        for doubt in seen.observation.doubts:
            yield f"doubt: {doubt}"
    if seen.forecast is not None:
        yield plain(seen.forecast.raw)
    for text in seen.unreadable:
        yield f"unreadable: {plain(text.raw)} ({text.error})"


def _habits(seen: Look) -> Iterator[str]:
    if seen.blind_after is not None:
        yield " ".join(
            (f"blind once its report is {duration_text(seen.blind_after)} old.", *habit_sentences(seen.habits))
        )


def _facts(seen: Look) -> Iterator[str]:
    if seen.facts is None:
        return
    values = seen.facts.values
    yield ", ".join(
        f"{words} {_short(values[name])} °C" for name, words in _TEMPERATURES.items() if values.get(name) is not None
    ) + _between(seen)
    skin = values.get("skin_temp_c")
    if isinstance(skin, float):
        yield why_apart(seen.facts, skin)
        yield "on the wing now, computed and not measured: " + ", ".join(
            f"{said} {_chance(values.get(n))}" for n, said in _CHANCES.items()
        )
    yield ", ".join(text for name in _SHOWN if (text := _fact(seen.facts, name)))


def _between(seen: Look) -> str:
    """Return where 80 % of the members have the skin; nothing where it was not computed."""
    worst = seen.night.worst if seen.night is not None else None
    if worst is None or seen.facts is None or seen.facts.values.get("skin_temp_c") is None:
        return ""
    skin = worst.steps[0].skin_c
    return f" ({_short(skin.p10)} to {_short(skin.p90)})"


def _chance(value: Value) -> str:
    return chance(value) if isinstance(value, float) else "unknown"


def _fact(facts: Facts, name: str) -> str:
    value = facts.values.get(name)
    if value in {None, "none", frozenset()}:
        return ""
    text = " ".join(sorted(value)) if isinstance(value, frozenset) else _short(value)
    unit = FACTS_BY_NAME[name].unit
    label = name.rsplit("_", 1)[0] if unit else name
    return f"{label.replace('_', ' ')} {text} {unit}".rstrip()


def _short(value: object) -> str:
    return f"{round(value, 1) + 0.0:g}" if isinstance(value, float) else str(value)


def _findings(seen: Look) -> Iterator[str]:
    true_ones = sorted((item for item in seen.findings if item.verdict is True), key=lambda item: -item.level)
    for finding in true_ones:
        why_none = f" ({finding.no_time.value})" if finding.no_time is not None else ""
        yield f"{mark(finding.level)} {finding.level.word}{why_none} {finding.flag.value}: {finding.why}"
    unknown = [finding.rule for finding in seen.findings if finding.verdict is None]
    if unknown:
        yield f"? cannot be told: {', '.join(unknown)}"
    for item in seen.expected:
        span = f"{clock_z(item.begins_at)}-{clock_z(item.ends_at)}"
        odds = f", {chance(item.odds.probability)}" if item.odds is not None else ""
        yield f"{mark(item.level)} {item.level.word} {item.flag.value} expected {span}{odds}: {item.why}"

"""The look-up: one question to the tables, answered by the worst of all that they say."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import pairwise
from math import isfinite

from watcher.rulebook.snow import Snowfall
from watcher.rulebook.words import NoTime
from watcher.treatment.bench import Bench, laid_out
from watcher.treatment.conditions import cautions, flaps_percent
from watcher.treatment.parts import Part, Used, frost_parts, weather_parts
from watcher.treatment.question import Holdover, HoldoverQuestion, Outcome, as_contract
from watcher.treatment.tables import Tables
from watcher.treatment.weather import Mixture, mixture_of, rows_for
from watcher.treatment.words import Basis, Confidence

__all__ = ["Holdover", "HoldoverQuestion", "NoTime", "Outcome", "as_contract", "look_up"]

_RANK = {outcome: rank for rank, outcome in enumerate(Outcome)}
_BASES = tuple(Basis)
_CONFIDENCES = tuple(Confidence)
# Common practice, no source: warmer than this, what is said to freeze or to be frozen contradicts the temperature. Half
# a degree is for rounding.
_WARMEST_FREEZING_C = 3.5
_WARMEST_FROZEN_C = 10.5
_WARMEST_FROST_C = 10.5
_CAUTIONS = {
    Outcome.NOT_NEEDED: "What lies on the aircraft already must still be found and removed.",
    Outcome.ALLOWANCE: "An allowance time is no holdover time, and no inspection extends it.",
    Outcome.SPECIAL: "Only under a special approval of the operator.",
    Outcome.OUT_OF_SEASON: "Use the official tables of this season.",
    Outcome.UNKNOWN: "Find out what is not known; do not take a time from another row.",
    Outcome.NONE: "Do not take a time from another row.",
}
_FREEZING = frozenset({"FZRA", "FZDZ", "FZFG", "FZUP"})
_FROZEN = frozenset({"SN", "SG", "IC", "PL"})


def look_up(question: HoldoverQuestion, tables: Tables, now: datetime, *, training: bool = False) -> Holdover:
    """Return the holdover time of a treatment, or why there is none.

    Every table, every chart and every temperature that rounding leaves open is asked, and the worst counts: an outcome
    without a time before one with a time, the shortest lower and the shortest upper time. Colder is not always worse.

    Parameters
    ----------
    question
        What is asked.
    tables
        The tables there are.
    now
        Aware UTC; decides which tables are in force.
    training
        Allow minutes from tables that are not in force, marked as such.

    Returns
    -------
    Holdover
        Minutes only where every table used is in force, or with `training`.
    """
    contradiction = _contradiction(question, tables)
    if contradiction is not None:
        return _answer(question, tables, [Part(Outcome.UNKNOWN, contradiction)], now, training=training)
    assert question.weather is not None
    parts = list(_parts(question, tables, mixture_of(question.weather), now))
    return _answer(question, tables, parts, now, training=training)


def _parts(question: HoldoverQuestion, tables: Tables, mixture: Mixture, now: datetime) -> Iterator[Part]:
    bench = laid_out(question, tables, now.date())
    for open_question in (mixture.unreadable, _too_warm(question, mixture)):
        if open_question is not None:
            yield Part(Outcome.UNKNOWN, open_question)
    if question.lout_c is not None and question.temp_low_c is not None and question.temp_low_c < question.lout_c:
        yield Part(Outcome.NONE, f"this fluid must not be used below {question.lout_c:g} °C")
    for temp_c in _temperatures(question, tables):
        if question.active_frost:
            yield from frost_parts(bench, temp_c)
        yield from _falling_parts(bench, tables, mixture, temp_c)


def _falling_parts(bench: Bench, tables: Tables, mixture: Mixture, temp_c: float) -> Iterator[Part]:
    if mixture.blown:
        yield Part(Outcome.UNKNOWN, "snow is blown up, and it cannot be told whether any falls")
    if not mixture.falls:
        yield Part(Outcome.NOT_NEEDED, "nothing is reported that a holdover table answers for")
        return
    rows = rows_for(tables.weather, mixture, temp_c)
    if not rows:
        words = " with ".join(sorted(mixture.falls))
        yield Part(Outcome.NONE, f"no column is known for {mixture.intensity} {words}")
    yield from weather_parts(bench, rows, temp_c)


def _contradiction(question: HoldoverQuestion, tables: Tables) -> str | None:
    """Return why the question has no answer, before any table is opened."""
    low, high = question.temp_low_c, question.temp_high_c
    if low is None or high is None or not (isfinite(low) and isfinite(high)):
        return "the temperature is not known"
    if low > high:
        return f"the temperature runs from {low:g} to {high:g} °C, which is backwards"
    if question.fluid.thickened and question.mix is None:
        return f"the mix of the {question.fluid.value} fluid is not known"
    if question.weather is None:
        return "the weather is not known"
    if question.visibility_m is not None and not question.visibility_m >= 0:
        return f"a visibility of {question.visibility_m:g} m cannot be"
    if question.authority is not None and question.authority not in tables.authorities:
        return f"there are no tables of {question.authority}; there are: {', '.join(tables.authorities)}"
    return None


def _too_warm(question: HoldoverQuestion, mixture: Mixture) -> str | None:
    assert question.temp_high_c is not None
    for codes, warmest in ((_FREEZING, _WARMEST_FREEZING_C), (_FROZEN, _WARMEST_FROZEN_C)):
        found = sorted(mixture.falls & codes)
        if found and question.temp_high_c > warmest:
            return f"{found[0]} contradicts a temperature of {question.temp_high_c:g} °C"
    if question.active_frost and question.temp_high_c > _WARMEST_FROST_C:
        return f"active frost contradicts a temperature of {question.temp_high_c:g} °C"
    return None


def _temperatures(question: HoldoverQuestion, tables: Tables) -> list[float]:
    """Return temperatures that stand for the whole interval: each at which something changes, and one between two."""
    low, high = question.temp_low_c, question.temp_high_c
    assert low is not None
    assert high is not None
    changes = [each for each in tables.breaks_c if low <= each <= high]
    marks = sorted({low, high, *changes})
    return [*changes, *((one + other) / 2 for one, other in pairwise(marks))] or [low]


def _answer(
    question: HoldoverQuestion, tables: Tables, parts: list[Part], now: datetime, *, training: bool
) -> Holdover:
    worst = max((part.outcome for part in parts), key=_RANK.__getitem__)
    weighed = [part for part in parts if part.outcome is worst]
    asked = _tables(parts if worst is Outcome.TIME else weighed)
    current = all(used.each.in_force(now.date()) for used in asked) if asked else None
    withheld = current is False and not training
    lower, upper = _shortest(weighed)
    shown = _deciding(weighed, lower, upper)
    percent = flaps_percent(tables.conditions, question.fluid) if question.flaps_set else 100
    minutes = [None if withheld or each is None else each * percent // 100 for each in (lower, upper)]
    outcome = Outcome.OUT_OF_SEASON if worst is Outcome.TIME and withheld else worst
    figures = [part.table for part in shown if part.table is not None]
    marks = [used.mark for used in _tables(shown)]
    return Holdover(
        outcome=outcome,
        column=shown[0].column,
        lower_min=minutes[0] if outcome is Outcome.TIME else None,
        upper_min=minutes[1] if outcome is Outcome.TIME else None,
        allowance_min=minutes[0] if outcome is Outcome.ALLOWANCE else None,
        table=_joined(used.title for used in figures),
        season=_joined(used.each.season for used in figures),
        authority=_joined(used.each.authority for used in figures),
        asked=tuple(dict.fromkeys(f"{used.each.name}: {used.title}" for used in asked)),
        current=current,
        basis=max((mark.basis for mark in marks), key=_BASES.index, default=None),
        confidence=max((mark.confidence for mark in marks if mark.confidence), key=_CONFIDENCES.index, default=None),
        training=current is False and training,
        why=_why(question, shown, weighed, withheld=withheld and lower is not None),
        caution=_caution(question, tables, outcome, old=current is False and training),
    )


def _shortest(parts: list[Part]) -> tuple[int | None, int | None]:
    lower = min((part.lower_min for part in parts if part.lower_min is not None), default=None)
    upper = min((part.upper_min for part in parts if part.upper_min is not None), default=None)
    return lower, upper


def _deciding(parts: list[Part], lower: int | None, upper: int | None) -> list[Part]:
    """Return the part that the answer names first, and the one with the shorter upper time if that is another."""
    heaviest_first = sorted(parts, key=lambda part: (part.lower_min or 0, part.upper_min or 0, -(part.snow or 0)))
    first = heaviest_first[0]
    other = next((part for part in heaviest_first if part.upper_min == upper), first)
    return [first] if upper is None or lower is None or first.upper_min == upper else [first, other]


def _tables(parts: Iterable[Part]) -> list[Used]:
    """Return the tables behind the parts, each once, the holdover tables first."""
    found = [part.table for part in parts] + [part.chart for part in parts]
    return list({(used.each.name, used.title, used.mark): used for used in found if used is not None}.values())


def _joined(texts: Iterable[str]) -> str | None:
    return "; ".join(dict.fromkeys(texts)) or None


def _why(question: HoldoverQuestion, shown: list[Part], parts: list[Part], *, withheld: bool) -> str:
    first, other = shown[0], shown[-1]
    said = [first.why[:1].upper() + first.why[1:] + "."]
    if other.why != first.why:
        said.append(f"The upper time is shorter by another row: {other.why}.")
    if first.snow is not None:
        said += _disagreement(parts)
    if withheld:
        said.append("The tables for it are out of season, so no minutes are given; install this season's.")
    elif first.lower_min is not None and question.flaps_set:
        said.append("Shortened for flaps or slats set before or during the treatment.")
    return " ".join(said)


def _disagreement(parts: list[Part]) -> list[str]:
    """Return what each authority's charts come to, where that is not the same."""
    heaviest: dict[str, Snowfall] = {}
    for part in parts:
        if part.snow is not None and part.chart is not None:
            authority = part.chart.each.authority
            heaviest[authority] = max(part.snow, heaviest.get(authority, part.snow))
    if len(set(heaviest.values())) < 2:
        return []
    said = " and ".join(f"{snow.word.replace('_', ' ')} ({authority})" for authority, snow in sorted(heaviest.items()))
    return [f"The charts differ: {said}; the heavier counts."]


def _caution(question: HoldoverQuestion, tables: Tables, outcome: Outcome, *, old: bool) -> str:
    said = ["For training only: told by tables that are not in force."] if old else []
    if outcome is Outcome.TIME:
        said += cautions(tables.conditions, question.fluid)
    else:
        said.append(_CAUTIONS[outcome])
    return " ".join(said)

"""From the texts of weather.csv and conditions.csv to their rows."""

from __future__ import annotations

from typing import Literal

from watcher.errors import Problem, RulesError, nearest
from watcher.reports.weather import PRECIPITATION
from watcher.treatment.conditions import Condition
from watcher.treatment.parse_rows import MARKS, Line, lines_of, mark_of, oat_of
from watcher.treatment.weather import (
    ALLOWANCE,
    INTENSITIES,
    NONE,
    NOTHING,
    SNOW,
    SNOW_HEAVIER,
    SPECIAL,
    UNKNOWN,
    Intensity,
    WeatherRow,
)
from watcher.treatment.words import COLUMNS, Basis, FluidType

_CODES = (*PRECIPITATION, "FG", "BR", "FZRA", "FZDZ", "FZFG", "FZUP")
_USES = (SNOW, SNOW_HEAVIER, NONE, SPECIAL, UNKNOWN, NOTHING, *COLUMNS)
Effect = Literal["void", "shorten", "factor"]
_EFFECTS: dict[str, Effect] = {"void": "void", "shorten": "shorten", "factor": "factor"}


def parse_weather_rows(text: str, name: str) -> tuple[WeatherRow, ...]:
    """Return which weather means which column.

    Raises
    ------
    RulesError
        With everything that is wrong; two rows for the same weather, intensity and temperature among it.
    """
    problems: list[Problem] = []
    _, lines = lines_of(text, name, ("weather", "intensity", "oat_c", "use"), MARKS, problems)
    rows: list[WeatherRow] = []
    for line in lines:
        row = _row(line)
        if row is None:
            continue
        for other in rows:
            if row.falls == other.falls and row.intensities & other.intensities and row.oat.overlaps(other.oat):
                line.say("weather", "another row answers for the same weather, intensity and temperature")
                break
        rows.append(row)
    if problems:
        raise RulesError(problems)
    return tuple(rows)


def parse_conditions(text: str, name: str) -> tuple[Condition, ...]:
    """Return what voids or shortens a time.

    Raises
    ------
    RulesError
        With everything that is wrong.
    """
    problems: list[Problem] = []
    marks = tuple(each for each in MARKS if each != "note")
    _, lines = lines_of(text, name, ("condition", "fluids", "effect", "percent", "text"), marks, problems)
    rows = [row for line in lines if (row := _condition(line)) is not None]
    if problems:
        raise RulesError(problems)
    return tuple(rows)


def _row(line: Line) -> WeatherRow | None:
    falls, use = line.read("weather", _falls), line.read("use", _use)
    intensities, oat, mark = line.read("intensity", _intensities), oat_of(line), mark_of(line, Basis.MEMORY, None)
    if falls is None or use is None or intensities is None or oat is None or mark is None:
        return None
    return WeatherRow(falls, intensities, oat, use, mark.basis, mark.confidence, mark.source, mark.note)


def _falls(text: str) -> frozenset[str]:
    codes = text.split("+")
    for code in codes:
        if code not in _CODES:
            raise ValueError(f'"{code}" is not known; {nearest(code, _CODES)}')
    return frozenset(codes)


def _intensities(text: str) -> frozenset[Intensity]:
    words = text.split()
    for word in words:
        if word not in {*INTENSITIES, "any"}:
            raise ValueError(f'"{word}" is not allowed; {nearest(word, [*INTENSITIES, "any"])}')
    if not words:
        raise ValueError("is empty; light, moderate, heavy or any")
    return frozenset(INTENSITIES if "any" in words else [each for each in INTENSITIES if each in words])


def _use(text: str) -> tuple[str, ...]:
    words = text.split()
    for word in words:
        if word not in _USES and not word.removeprefix(ALLOWANCE) != word:
            raise ValueError(f'"{word}" is not known; {nearest(word, [*_USES, ALLOWANCE])}')
    if not words:
        raise ValueError("is empty; a column, none, special, unknown, nothing or allowance:...")
    return tuple(words)


def _condition(line: Line) -> Condition | None:
    fluids, effect = line.read("fluids", fluids_of), line.read("effect", _effect)
    percent, mark = line.read("percent", _percent), mark_of(line, Basis.MEMORY, None)
    if not line.texts["text"]:
        line.say("text", "is empty")
    if effect is not None and (effect == "factor") is (line.texts["percent"] == ""):
        line.say("percent", "belongs to effect factor, and is needed there")
    if fluids is None or effect is None or mark is None:
        return None
    texts = line.texts
    return Condition(
        texts["condition"], fluids, effect, percent, texts["text"], mark.basis, mark.confidence, mark.source
    )


def fluids_of(text: str) -> frozenset[FluidType]:
    """Return the fluid types of a field such as ``Type II Type IV`` or ``all``; ValueError says what is allowed."""
    if text == "all":
        return frozenset(FluidType)
    rest = text
    found = set()
    for fluid in sorted(FluidType, key=lambda each: -len(each.value)):
        if fluid.value in rest:
            found.add(fluid)
            rest = rest.replace(fluid.value, "", 1)
    if rest.strip() or not found:
        raise ValueError(f'"{text}" names no fluids; all, or {", ".join(FluidType)}')
    return frozenset(found)


def _effect(text: str) -> Effect:
    if text not in _EFFECTS:
        raise ValueError(f'"{text}" is not allowed; {nearest(text, _EFFECTS)}')
    return _EFFECTS[text]


def _percent(text: str) -> int | None:
    if not text:
        return None
    if not text.isdecimal() or not 0 < int(text) <= 100:
        raise ValueError(f'"{text}" is no share of a time; 1 to 100')
    return int(text)

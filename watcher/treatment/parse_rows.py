"""From the text of a CSV table to its rows: each field checked, all that is wrong told with file, row and field."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TypeVar

from watcher.errors import Problem, nearest
from watcher.treatment.bands import Band, temperature_band
from watcher.treatment.tables import Cell, Mark
from watcher.treatment.words import Basis, Confidence, FluidType

MARKS = ("basis", "confidence", "source", "note")
Word = TypeVar("Word", bound=StrEnum)
Value = TypeVar("Value")

_MIX = re.compile(r"any|(\d{1,3})/(\d{1,3})")
_SPAN = re.compile(r"(\d+(?::\d\d)?)\s*[-\u2013]\s*(\d+(?::\d\d)?)")
_TIME = re.compile(r"\d+(?::\d\d)?")
# Of a day: a longer time is a slip of the pen.
LONGEST_MIN = 24 * 60
NONE, BLANK = "none", "blank"


@dataclass(slots=True)
class Line:
    """One row of a CSV file while it is read; problems of its fields are gathered in `problems`."""

    file: str
    number: int
    texts: dict[str, str]
    problems: list[Problem] = field(repr=False)

    def say(self, name: str, what: str, remedy: str = "") -> None:
        """Note what is wrong with a field."""
        self.problems.append(Problem(f"{self.file}: row {self.number}: {name}", what, remedy))

    def read(self, name: str, reader: Callable[[str], Value]) -> Value | None:
        """Return a field as its reader understands it, None after noting why it does not."""
        try:
            return reader(self.texts.get(name, ""))
        except ValueError as error:
            self.say(name, str(error))
            return None

    def word(self, name: str, kind: type[Word]) -> Word | None:
        """Return a field that is one of few words."""
        return self.read(name, lambda text: one_of(text, kind))


def lines_of(
    text: str, file: str, required: Sequence[str], optional: Sequence[str], problems: list[Problem]
) -> tuple[tuple[str, ...], list[Line]]:
    """Return the fields and the rows of a CSV text; rows of another length and unknown fields are problems.

    Rows are counted as a spreadsheet does: the head is row 1. Lines that begin with # are left out.
    """
    numbered = [(number, line) for number, line in enumerate(text.splitlines(), 1) if not _is_remark(line)]
    if not numbered:
        problems.append(Problem(file, "is empty", f"the first row names the fields: {', '.join(required)}"))
        return (), []
    head, *rest = [
        (number, [part.strip() for part in row]) for number, row in zip(*_parsed(numbered, file, problems), strict=True)
    ]
    fields = tuple(head[1])
    _check_fields(fields, file, required, optional, problems)
    found = []
    for number, row in rest:
        if len(row) != len(fields):
            what = f"has {len(row)} fields, the head has {len(fields)}"
            problems.append(Problem(f"{file}: row {number}", what, "a comma inside a field needs quotes around it"))
            continue
        found.append(Line(file, number, dict(zip(fields, row, strict=True)), problems))
    if not found:
        problems.append(Problem(file, "has no rows"))
    return fields, found


def mark_of(line: Line, default: Basis, sources: Iterable[str] | None) -> Mark | None:
    """Return where the figures of a row come from. `sources`: those that the head names; None where any will do."""
    basis = line.word("basis", Basis) if line.texts.get("basis") else default
    confidence = line.word("confidence", Confidence) if line.texts.get("confidence") else None
    if basis is Basis.MEMORY and confidence is None:
        line.say("confidence", "is missing for a figure from memory", f"allowed: {', '.join(Confidence)}")
    source = line.texts.get("source", "")
    if sources is not None and source and source not in sources:
        line.say("source", f'"{source}" is not among the sources of the head', nearest(source, sources))
    return None if basis is None else Mark(basis, confidence, source, line.texts.get("note", ""))


def oat_of(line: Line) -> Band | None:
    """Return the band of air temperature of a row."""
    return line.read("oat_c", temperature_band)


def mix_of(line: Line, fluid: FluidType | None) -> str | None:
    """Return the mix of a row: parts of fluid and water, or `any`, which stands for Type I."""
    return line.read("mix", lambda text: mix(text, fluid))


def mix(text: str, fluid: FluidType | None) -> str:
    """Return a mix as tables write it; ValueError says what is allowed."""
    match = _MIX.fullmatch(text)
    if match is None or (match[1] is not None and int(match[1]) + int(match[2]) != 100):
        raise ValueError(f'"{text}" is no mix; parts of fluid and water that make 100, such as 75/25')
    if fluid is not None and fluid.thickened and match[1] is None:
        raise ValueError(f'"{text}" leaves the mix of {fluid.value} open; such as 100/0')
    return text


def one_of(text: str, kind: type[Word]) -> Word:
    """Return the member of an enum that a text names; ValueError names the nearest."""
    try:
        return kind(text)
    except ValueError as error:
        raise ValueError(f'"{text}" is not allowed; {nearest(text, kind)}') from error


def span(text: str) -> Cell:
    """Return a cell: `35-65` or `0:35-1:05`, `none` where the table says so, `blank` where it is empty."""
    if text in {NONE, BLANK}:
        return Cell()
    match = _SPAN.fullmatch(text)
    if match is None:
        raise ValueError(f'"{text}" is no time; write 35-65 (minutes) or 0:35-1:05, none, or blank')
    lower, upper = _minutes(match[1]), _minutes(match[2])
    if lower > upper:
        raise ValueError(f'"{text}" runs backwards: the shorter time, for the heavier weather, stands first')
    return Cell(lower, upper)


def single(text: str) -> int | None:
    """Return one time in minutes, None for `none`: `45`, `0:45`, `12:00`."""
    if text == NONE:
        return None
    if _TIME.fullmatch(text) is None:
        raise ValueError(f'"{text}" is no time; write 45 (minutes) or 0:45, or none')
    return _minutes(text)


def _minutes(text: str) -> int:
    hours, colon, rest = text.partition(":")
    if colon and int(rest) >= 60:
        raise ValueError(f'"{text}" has {rest} minutes in an hour')
    minutes = int(hours) * 60 + int(rest) if colon else int(hours)
    if not 0 < minutes <= LONGEST_MIN:
        raise ValueError(f'"{text}" is out of range; 1 to {LONGEST_MIN} minutes, or none')
    return minutes


def _is_remark(line: str) -> bool:
    return not line.strip() or line.lstrip().startswith("#")


def _parsed(
    numbered: Sequence[tuple[int, str]], file: str, problems: list[Problem]
) -> tuple[list[int], list[list[str]]]:
    numbers, rows = [], []
    for number, line in numbered:
        try:
            rows += [*csv.reader([line], strict=True)]
            numbers.append(number)
        except csv.Error as error:
            problems.append(Problem(f"{file}: row {number}", f"is no CSV: {error}"))
    return numbers, rows


def _check_fields(
    fields: Sequence[str], file: str, required: Sequence[str], optional: Sequence[str], problems: list[Problem]
) -> None:
    problems += [Problem(f"{file}: row 1", f'field "{name}" is missing') for name in required if name not in fields]
    known = (*required, *optional)
    problems += [
        Problem(f"{file}: row 1", f'field "{name}" is not known', nearest(name, known))
        for name in fields
        if name not in known
    ]
    problems += [Problem(f"{file}: row 1", f'field "{name}" stands twice') for name in sorted(set(_repeated(fields)))]


def _repeated(names: Sequence[str]) -> Iterator[str]:
    return (name for index, name in enumerate(names) if name in names[:index])

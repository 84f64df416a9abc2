"""From the head and the CSV texts of a set to its tables. All that is wrong is said at once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

from watcher.errors import Problem, RulesError, nearest
from watcher.rulebook.snow import Snowfall
from watcher.treatment import written
from watcher.treatment.bands import Band, temperature_band, visibility_band
from watcher.treatment.parse_rows import MARKS, Line, lines_of, mark_of, mix_of, oat_of, single, span
from watcher.treatment.tables import (
    AllowanceRow,
    AllowanceTable,
    ChartRow,
    FrostRow,
    FrostTable,
    HoldoverRow,
    HoldoverTable,
    Mark,
    SnowChart,
    TableSet,
)
from watcher.treatment.words import COLUMNS, Basis, FluidType, Surface

_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_FILE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*\.csv")
_INTENSITIES = {snow.word: snow for snow in Snowfall if snow is not Snowfall.NONE}
_FALLING = re.compile(r"[a-z_]+(\+[a-z_]+)*")


@dataclass(frozen=True, slots=True, kw_only=True)
class TableText:
    """One table as the head names it."""

    __pydantic_config__ = written.STRICT

    file: str
    kind: Literal["holdover", "active-frost", "allowance", "snow-by-visibility"]
    title: str
    fluid: FluidType | None = None
    surface: Surface | None = None
    unit: Literal["SM", "m"] | None = None
    limits: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadText:
    """The head of a set as it is written."""

    __pydantic_config__ = written.STRICT

    name: str
    season: str
    authority: str
    publisher: str
    valid_from: date
    valid_until: date
    use: Literal["operation", "training"]
    basis: Basis
    provenance: str
    rights: str
    table: tuple[TableText, ...]
    sources: dict[str, str] = field(default_factory=dict)


def head_of(text: str, name: str) -> HeadText:
    """Return the head of a set, to know which files it names.

    Raises
    ------
    RulesError
        With everything that is wrong in it.
    """
    problems: list[Problem] = []
    raw = written.tables(text, name, list(HeadText.__dataclass_fields__))
    head = written.checked(HeadText, raw, name, problems)
    if head is not None:
        _check_head(head, name, problems)
    if problems or head is None:
        raise RulesError(problems)
    return head


def parse_tables(head_text: str, csv_texts: Mapping[str, str], name: str) -> TableSet:
    """Return a set of tables.

    Parameters
    ----------
    head_text
        TOML: season, authority, validity, provenance and the list of tables.
    csv_texts
        The CSV texts by the file names of the head.
    name
        Of the head file, for messages.

    Raises
    ------
    RulesError
        With file, row, field, what is wrong and what is allowed, for everything that is wrong.
    """
    head = head_of(head_text, name)
    problems: list[Problem] = []
    folder = name.rpartition("/")[0]
    holdover: list[HoldoverTable] = []
    frost: list[FrostTable] = []
    allowance: list[AllowanceTable] = []
    charts: list[SnowChart] = []
    for table in head.table:
        where = f"{folder}/{table.file}" if folder else table.file
        if table.file not in csv_texts:
            problems.append(Problem(name, f'the file "{table.file}" is missing', "it stands beside the head"))
            continue
        sheet = _Sheet(table, head, where, csv_texts[table.file], name, problems)
        match table.kind:
            case "holdover":
                holdover += sheet.holdover()
            case "active-frost":
                frost.append(sheet.frost())
            case "allowance":
                allowance.append(sheet.allowance())
            case "snow-by-visibility":
                charts += sheet.chart()
    if problems:
        raise RulesError(problems)
    return TableSet(
        name=head.name,
        season=head.season,
        authority=head.authority,
        publisher=head.publisher,
        valid_from=head.valid_from,
        valid_until=head.valid_until,
        use=head.use,
        basis=head.basis,
        provenance=head.provenance,
        rights=head.rights,
        sources=head.sources,
        holdover=tuple(holdover),
        frost=tuple(frost),
        allowance=tuple(allowance),
        charts=tuple(charts),
    )


def _check_head(head: HeadText, name: str, problems: list[Problem]) -> None:
    if _NAME.fullmatch(head.name) is None:
        problems.append(
            Problem(f"{name}: name", f'"{head.name}" is no name', "small letters and digits joined by hyphens")
        )
    told = ("season", "authority", "publisher", "provenance", "rights")
    problems += [Problem(f"{name}: {key}", "is empty") for key in told if not getattr(head, key).strip()]
    if head.valid_from > head.valid_until:
        problems.append(Problem(f"{name}: valid_until", f"{head.valid_until} is before valid_from {head.valid_from}"))
    if not head.table:
        problems.append(Problem(name, "names no table", "write [[table]] for each"))
    for index, table in enumerate(head.table, 1):
        _check_table(table, f"{name}: table {index}", problems)
    files = [table.file for table in head.table]
    problems += [
        Problem(name, f'the file "{file}" stands twice') for file in sorted(set(files)) if files.count(file) > 1
    ]


def _check_table(table: TableText, where: str, problems: list[Problem]) -> None:
    if _FILE.fullmatch(table.file) is None:
        problems.append(Problem(f"{where}: file", f'"{table.file}" is no CSV file beside the head'))
    needed = {"holdover": ("fluid", "surface"), "snow-by-visibility": ("unit",)}.get(table.kind, ())
    for key in ("fluid", "surface", "unit"):
        given = getattr(table, key) is not None
        if given is not (key in needed):
            what = f"is missing for kind {table.kind}" if not given else f"does not belong to kind {table.kind}"
            problems.append(Problem(f"{where}: {key}", what))
    if table.surface is Surface.UNKNOWN:
        problems.append(
            Problem(f"{where}: surface", '"unknown" is no surface of a table', "aluminium, composite or any")
        )


@dataclass(frozen=True, slots=True)
class _Sheet:
    """One CSV text while it becomes a table."""

    table: TableText
    head: HeadText
    file: str
    text: str
    head_file: str
    problems: list[Problem]

    def holdover(self) -> list[HoldoverTable]:
        fluid, surface = self.table.fluid, self.table.surface
        fields, lines = self._lines(("oat_c", "mix"), (*COLUMNS, *MARKS))
        columns = tuple(name for name in fields if name in COLUMNS)
        if fields and not columns:
            self.problems.append(Problem(f"{self.file}: row 1", "has no column of weather", ", ".join(COLUMNS)))
        limits = self._limits(columns)
        rows = [row for line in lines if (row := self._holdover_row(line, columns)) is not None]
        if fluid is None or surface is None:
            return []
        return [HoldoverTable(self.file, self.table.title, fluid, surface, columns, tuple(rows), limits)]

    def _holdover_row(self, line: Line, columns: tuple[str, ...]) -> HoldoverRow | None:
        oat, mix, mark = oat_of(line), mix_of(line, self.table.fluid), self._mark(line)
        cells = {name: line.read(name, span) for name in columns}
        if oat is None or mix is None or mark is None:
            return None
        return HoldoverRow(oat, mix, {name: cell for name, cell in cells.items() if cell is not None}, mark)

    def frost(self) -> FrostTable:
        _, lines = self._lines(("oat_c", "fluid", "surface", "mix", "minutes"), MARKS)
        self._limits(())
        rows = []
        for line in lines:
            oat, fluid, surface = oat_of(line), line.word("fluid", FluidType), line.word("surface", Surface)
            mix, mark, minutes = mix_of(line, fluid), self._mark(line), line.read("minutes", single)
            if oat is not None and fluid is not None and surface is not None and mix is not None and mark is not None:
                rows.append(FrostRow(oat, fluid, surface, mix, minutes, mark))
        return FrostTable(self.file, self.table.title, tuple(rows))

    def allowance(self) -> AllowanceTable:
        _, lines = self._lines(("oat_c", "precipitation", "fluid", "mix", "minutes"), MARKS)
        rows = []
        for line in lines:
            oat, fluid, falling = oat_of(line), line.word("fluid", FluidType), line.read("precipitation", _falling)
            mix, mark, minutes = mix_of(line, fluid), self._mark(line), line.read("minutes", single)
            if oat is not None and fluid is not None and falling is not None and mix is not None and mark is not None:
                rows.append(AllowanceRow(oat, falling, fluid, mix, minutes, mark))
        limits = self._limits(tuple(row.precipitation for row in rows))
        return AllowanceTable(self.file, self.table.title, tuple(rows), limits)

    def chart(self) -> list[SnowChart]:
        _, lines = self._lines(("light", "oat_c", "visibility", "intensity"), MARKS)
        self._limits(())
        rows = []
        for line in lines:
            night, oat, visibility = line.read("light", _night), oat_of(line), line.read("visibility", visibility_band)
            intensity, mark = line.read("intensity", _intensity), self._mark(line)
            if None not in {night, intensity} and oat is not None and visibility is not None and mark is not None:
                assert night is not None
                assert intensity is not None
                rows.append(ChartRow(night, oat, visibility, intensity, mark))
        return [] if self.table.unit is None else [SnowChart(self.file, self.table.title, self.table.unit, tuple(rows))]

    def _lines(self, required: tuple[str, ...], optional: tuple[str, ...]) -> tuple[tuple[str, ...], list[Line]]:
        return lines_of(self.text, self.file, required, optional, self.problems)

    def _mark(self, line: Line) -> Mark | None:
        return mark_of(line, self.head.basis, self.head.sources)

    def _limits(self, allowed: tuple[str, ...]) -> dict[str, Band]:
        found = {}
        for name, text in self.table.limits.items():
            where = f"{self.head_file}: {self.table.file}: limits"
            if name not in allowed:
                hint = nearest(name, allowed) if allowed else "this kind of table has none"
                self.problems.append(Problem(where, f'"{name}" is no column of the table', hint))
                continue
            try:
                found[name] = temperature_band(text)
            except ValueError as error:
                self.problems.append(Problem(f"{where}: {name}", str(error)))
        return found


def _falling(text: str) -> str:
    if _FALLING.fullmatch(text) is None:
        raise ValueError(f'"{text}" names no precipitation; such as ice_pellets_light+snow_light')
    return text


def _night(text: str) -> bool:
    if text not in {"day", "night"}:
        raise ValueError(f'"{text}" is not allowed; day or night')
    return text == "night"


def _intensity(text: str) -> Snowfall:
    if text not in _INTENSITIES:
        raise ValueError(f'"{text}" is not allowed; {nearest(text, _INTENSITIES)}')
    return _INTENSITIES[text]

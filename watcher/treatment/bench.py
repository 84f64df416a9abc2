"""The tables that one question is about, laid out before any temperature is looked up."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

from watcher.rulebook.snow import Snowfall
from watcher.treatment.question import HoldoverQuestion
from watcher.treatment.tables import (
    AllowanceTable,
    ChartRow,
    FrostRow,
    FrostTable,
    HoldoverRow,
    HoldoverTable,
    Mark,
    SnowChart,
    Tables,
    TableSet,
)
from watcher.treatment.words import Surface

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class ChartView:
    """What a chart says at the visibility asked, by day or by night."""

    each: TableSet
    chart: SnowChart
    night: bool
    rows: tuple[ChartRow, ...]

    def at(self, temp_c: float) -> tuple[Snowfall, Mark] | None:
        """Return the heaviest intensity at a temperature in °C with its origin; None in a gap of the chart."""
        found = [(row.intensity, row.mark) for row in self.rows if temp_c in row.oat]
        return max(found, key=lambda pair: pair[0], default=None)


@dataclass(frozen=True, slots=True)
class HoldoverView:
    """The rows of a holdover table for the mix asked."""

    each: TableSet
    table: HoldoverTable
    rows: tuple[HoldoverRow, ...]


@dataclass(frozen=True, slots=True)
class FrostView:
    """The rows of a frost table for the fluid, surface and mix asked."""

    each: TableSet
    table: FrostTable
    rows: tuple[FrostRow, ...]


@dataclass(frozen=True, slots=True)
class Bench:
    """What a question is looked up in. By surface: an unknown one is both, and each must have a table."""

    question: HoldoverQuestion
    visibility_m: float | None
    charts: tuple[ChartView, ...]
    holdover: tuple[tuple[Surface, tuple[HoldoverView, ...]], ...]
    frost: tuple[tuple[Surface, tuple[FrostView, ...]], ...]
    allowance: tuple[tuple[TableSet, AllowanceTable], ...]


def laid_out(question: HoldoverQuestion, tables: Tables, day: date) -> Bench:
    """Return the tables of the authority asked; of each kind those in force and, only where there are none, old ones.

    The charts of all authorities are taken where the one asked has none.
    """
    own = [each for each in tables.sets if question.authority in {None, each.authority}]
    visibility_m = 0.0 if question.visibility_bound == "below" else question.visibility_m
    charts = _having(own, day, lambda each: each.charts) or _having(tables.sets, day, lambda each: each.charts)
    return Bench(
        question,
        visibility_m,
        _chart_views(charts, question, visibility_m),
        tuple((surface, _holdover_views(own, day, question, surface)) for surface in _surfaces(question)),
        tuple((surface, _frost_views(own, day, question, surface)) for surface in _surfaces(question))
        if question.active_frost
        else (),
        tuple(_having(own, day, lambda each: each.allowance)),
    )


def _having(
    sets: Iterable[TableSet], day: date, tables_of: Callable[[TableSet], Iterable[T]]
) -> list[tuple[TableSet, T]]:
    found = [(each, table) for each in sets for table in tables_of(each)]
    return [pair for pair in found if pair[0].in_force(day)] or found


def _chart_views(
    charts: Iterable[tuple[TableSet, SnowChart]], question: HoldoverQuestion, visibility_m: float | None
) -> tuple[ChartView, ...]:
    if visibility_m is None:
        return ()
    nights = (True, False) if question.night is None else (question.night,)
    return tuple(
        ChartView(each, chart, night, chart.rows_at(visibility_m, night=night))
        for each, chart in charts
        for night in nights
    )


def _holdover_views(
    sets: Iterable[TableSet], day: date, question: HoldoverQuestion, surface: Surface
) -> tuple[HoldoverView, ...]:
    def fitting(each: TableSet) -> list[HoldoverTable]:
        return [table for table in each.holdover if table.fluid is question.fluid and _fits(table.surface, surface)]

    return tuple(
        HoldoverView(each, table, tuple(row for row in table.rows if row.mix in {question.mix, "any"}))
        for each, table in _having(sets, day, fitting)
    )


def _frost_views(
    sets: Iterable[TableSet], day: date, question: HoldoverQuestion, surface: Surface
) -> tuple[FrostView, ...]:
    def fitting(each: TableSet) -> list[tuple[FrostTable, tuple[FrostRow, ...]]]:
        pairs = [(table, tuple(row for row in table.rows if asked(row))) for table in each.frost]
        return [(table, rows) for table, rows in pairs if rows]

    def asked(row: FrostRow) -> bool:
        return row.fluid is question.fluid and _fits(row.surface, surface) and row.mix in {question.mix, "any"}

    return tuple(FrostView(each, table, rows) for each, (table, rows) in _having(sets, day, fitting))


def _surfaces(question: HoldoverQuestion) -> tuple[Surface, ...]:
    """Return the surfaces to look up: they matter for Type I only."""
    if question.fluid.thickened:
        return (Surface.ANY,)
    if question.surface is Surface.UNKNOWN:
        return (Surface.ALUMINIUM, Surface.COMPOSITE)
    return (question.surface,)


def _fits(of_table: Surface, wanted: Surface) -> bool:
    return Surface.ANY in {of_table, wanted} or of_table is wanted

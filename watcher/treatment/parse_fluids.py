"""From the texts of fluids.toml and application.csv to the rules for fluids."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from watcher.errors import Problem, RulesError, nearest
from watcher.treatment import written
from watcher.treatment.application import ApplicationRow, FluidData, FluidRules, Role
from watcher.treatment.parse_rows import MARKS, Line, lines_of, mark_of, mix, oat_of
from watcher.treatment.parse_weather import fluids_of
from watcher.treatment.words import Basis, FluidType

_FIELDS = (
    "fluids",
    "oat_c",
    "procedure",
    "step",
    "purpose",
    "liquid",
    "mix_min",
    "freezing_point_above_oat_max_c",
    "nozzle_min_c",
)
_ROLES = {
    ("one-step", "1", "both"): Role.ONE_STEP,
    ("two-step", "1", "de-icing"): Role.FIRST_STEP,
    ("two-step", "2", "anti-icing"): Role.SECOND_STEP,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _FluidText:
    __pydantic_config__ = written.STRICT

    type: FluidType
    buffer_c: Annotated[float, Field(ge=0, le=30)]
    source: Annotated[str, Field(min_length=3)]
    basis: Basis
    snow_litres_m2: Annotated[float, Field(gt=0, le=20)] | None = None


def parse_fluids(fluids: tuple[str, str], application: tuple[str, str]) -> FluidRules:
    """Return the rules for fluids.

    Parameters
    ----------
    fluids, application
        Name, for messages, and text of fluids.toml and of application.csv.

    Raises
    ------
    RulesError
        With everything that is wrong in both.
    """
    problems: list[Problem] = []
    types = _types(*fluids, problems)
    name, text = application
    _, lines = lines_of(text, name, _FIELDS, MARKS, problems)
    rows = [row for line in lines if (row := _row(line)) is not None]
    if problems:
        raise RulesError(problems)
    return FluidRules(types, tuple(rows))


def _types(name: str, text: str, problems: list[Problem]) -> dict[FluidType, FluidData]:
    found: dict[FluidType, FluidData] = {}
    for index, raw in enumerate(written.rows(written.tables(text, name, ["fluid"]), "fluid", name, problems), 1):
        where = f"{name}: fluid {index}"
        fluid = written.checked(_FluidText, raw, where, problems)
        if fluid is None:
            continue
        if fluid.type in found:
            problems.append(Problem(where, f"{fluid.type.value} stands twice"))
        found[fluid.type] = FluidData(fluid.type, fluid.buffer_c, fluid.source, fluid.basis, fluid.snow_litres_m2)
    missing = [each.value for each in FluidType if each not in found]
    if missing and not problems:
        problems.append(Problem(name, f"says nothing of {', '.join(missing)}", "each type needs its buffer"))
    return found


def _row(line: Line) -> ApplicationRow | None:
    fluids, oat, role = line.read("fluids", fluids_of), oat_of(line), _role(line)
    share, nozzle = line.read("mix_min", _share), line.read("nozzle_min_c", _degrees)
    above, mark = line.read("freezing_point_above_oat_max_c", _degrees), mark_of(line, Basis.MEMORY, None)
    if fluids is None or oat is None or role is None or mark is None:
        return None
    return ApplicationRow(fluids, oat, role, line.texts["liquid"], share, above, nozzle, mark)


def _role(line: Line) -> Role | None:
    told = (line.texts["procedure"], line.texts["step"], line.texts["purpose"])
    if told not in _ROLES:
        allowed = [" ".join(each) for each in _ROLES]
        line.say("procedure, step, purpose", f'"{" ".join(told)}" is not allowed', nearest(" ".join(told), allowed))
    return _ROLES.get(told)


def _share(text: str) -> int | None:
    """Return the least share of fluid in percent of a mix such as 75/25; None where it is left out."""
    return int(mix(text, None).partition("/")[0]) if text else None


def _degrees(text: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not -100 <= value <= 120:
        raise ValueError(f'"{text}" is no temperature in °C')
    return value

"""How fluids may be applied: the lowest temperature for their use, and what each step of a treatment asks of a mix.

References
----------
.. [1] Transport Canada, TP 10643E (2004), chapter 3, paragraphs 49-52: lowest operational use temperature.
.. [2] The rows of rules/holdover/application.csv name theirs.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from watcher.treatment.bands import Band
from watcher.treatment.tables import Mark
from watcher.treatment.words import Basis, FluidType


class Role(StrEnum):
    """What a fluid does in a treatment."""

    ONE_STEP = "one-step"
    FIRST_STEP = "first step"
    SECOND_STEP = "second step"

    @property
    def protects(self) -> bool:
        """Whether the holdover time runs from this application."""
        return self is not Role.FIRST_STEP


@dataclass(frozen=True, slots=True)
class FluidData:
    """What holds for a fluid type. `snow_litres_m2`: least quantity in snow; None where none is published."""

    type: FluidType
    buffer_c: float
    source: str
    basis: Basis
    snow_litres_m2: float | None = None


@dataclass(frozen=True, slots=True)
class ApplicationRow:
    """What one step asks of the mix in a band of air temperature.

    `mix_min`: least share of fluid in percent. `freezing_point_above_oat_max_c`: how far the freezing point of the mix
    may lie above the air (negative: must lie below). `nozzle_min_c`: at the nozzle. None: nothing is asked.
    """

    fluids: frozenset[FluidType]
    oat: Band
    role: Role
    liquid: str
    mix_min: int | None
    freezing_point_above_oat_max_c: float | None
    nozzle_min_c: float | None
    mark: Mark


@dataclass(frozen=True, slots=True)
class FluidRules:
    """The fluid types and the rules of application."""

    fluids: Mapping[FluidType, FluidData]
    rows: tuple[ApplicationRow, ...]

    def rows_for(self, fluid: FluidType, role: Role, temp_c: float) -> tuple[ApplicationRow, ...]:
        """Return what is asked of a fluid in a role at a temperature in °C; empty where it is not provided for."""
        return tuple(row for row in self.rows if fluid in row.fluids and row.role is role and temp_c in row.oat)


def lout_c(data: FluidData, freezing_point_c: float | None, acceptance_c: float | None) -> float | None:
    """Return the lowest operational use temperature of a mix in °C [1]_.

    Parameters
    ----------
    data
        Of its type.
    freezing_point_c, acceptance_c
        Of the mix, in °C.

    Returns
    -------
    float or None
        The higher of the acceptance temperature and the freezing point plus the buffer; None where one is not known.
    """
    if freezing_point_c is None or acceptance_c is None:
        return None
    return max(acceptance_c, freezing_point_c + data.buffer_c)


def refusals(
    rows: Iterable[ApplicationRow], *, share: int, freezing_point_c: float | None, heated: bool, temp_c: float
) -> list[str]:
    """Return why a mix does not meet what a step asks of it, as clauses; empty when it does.

    Parameters
    ----------
    rows
        Of the step, at the coldest temperature that may be.
    share
        Percent of fluid in the mix.
    freezing_point_c
        Of the mix; None: not known, which does not meet a rule about it.
    heated
        Whether it comes heated.
    temp_c
        The coldest temperature, of the air or the skin.
    """
    found: dict[str, None] = {}
    for row in rows:
        highest = row.freezing_point_above_oat_max_c
        if row.mix_min is not None and share < row.mix_min:
            found[f"it needs at least {row.mix_min} % of fluid at {temp_c:g} °C and has {share} %"] = None
        if highest is not None and freezing_point_c is None:
            found["its freezing point is not known"] = None
        elif highest is not None and freezing_point_c is not None and freezing_point_c > temp_c + highest:
            found[f"it freezes at {freezing_point_c:g} °C and must not freeze above {temp_c + highest:g} °C"] = None
        if row.nozzle_min_c is not None and not heated:
            found[f"it must be heated, at least {row.nozzle_min_c:g} °C at the nozzle"] = None
    return list(found)

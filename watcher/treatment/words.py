"""The words of fluids and tables, each once: types, surfaces, columns, where a figure comes from."""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from watcher.rulebook.snow import Snowfall


class FluidType(StrEnum):
    """The four types of SAE AMS1424 (Type I) and AMS1428 (Types II, III, IV)."""

    I = "Type I"  # noqa: E741 - the trade's numeral
    II = "Type II"
    III = "Type III"
    IV = "Type IV"

    @property
    def thickened(self) -> bool:
        """Types II, III and IV; their holdover time depends on the mix."""
        return self is not FluidType.I


class Surface(StrEnum):
    """What the treated surfaces are made of. `any` stands in tables only."""

    ALUMINIUM = "aluminium"
    COMPOSITE = "composite"
    UNKNOWN = "unknown"
    ANY = "any"


class Basis(StrEnum):
    """Where a figure was taken from, the surest first: the official issue, an old copy that was read, memory."""

    OFFICIAL = "official"
    SEEN = "seen"
    MEMORY = "memory"


class Confidence(StrEnum):
    """How sure a figure from memory is, the surest first."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


SNOW_COLUMNS: Final = {
    Snowfall.VERY_LIGHT: "snow_very_light",
    Snowfall.LIGHT: "snow_light",
    Snowfall.MODERATE: "snow_moderate",
}
# A table with one snow column tells it for moderate snow; lighter snow is looked up there as well.
ONE_SNOW_COLUMN: Final = "snow"

COLUMNS: Final = {
    "freezing_fog": "freezing fog",
    "snow_very_light": "very light snow",
    "snow_light": "light snow",
    "snow_moderate": "moderate snow",
    ONE_SNOW_COLUMN: "snow",
    "freezing_drizzle": "freezing drizzle",
    "light_freezing_rain": "light freezing rain",
    "rain_cold_soaked_wing": "rain on a cold-soaked wing",
}
ACTIVE_FROST: Final = "active_frost"
COLUMN_WORDS: Final = {**COLUMNS, ACTIVE_FROST: "active frost"}

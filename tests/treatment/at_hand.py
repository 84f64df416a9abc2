"""Tables, questions and reference figures that the tests of look-ups share."""

from __future__ import annotations

import csv
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from watcher.service.tables_folder import load_fluid_rules, load_tables
from watcher.treatment.application import FluidRules
from watcher.treatment.bands import Band, temperature_band
from watcher.treatment.holdover import Holdover, HoldoverQuestion, look_up
from watcher.treatment.parse_tables import parse_tables
from watcher.treatment.tables import Tables, TableSet, collected
from watcher.treatment.words import FluidType

NOW = datetime(2026, 1, 12, 6, tzinfo=UTC)
FOLDER = Path(__file__).parent.parent / "data" / "reference"

HEAD = """
name = "own-2025-26"
season = "2025-26"
authority = "Own"
publisher = "the operator"
valid_from = 2025-10-01
valid_until = 2026-05-31
use = "operation"
basis = "official"
provenance = "invented for tests"
rights = "invented"

[sources]
own = "invented"

[[table]]
file = "type-4.csv"
kind = "holdover"
title = "Type IV"
fluid = "Type IV"
surface = "any"

[table.limits]
freezing_drizzle = "-10 and above"

[[table]]
file = "snow.csv"
kind = "snow-by-visibility"
title = "Snow"
unit = "m"
"""
TYPE_4 = """oat_c,mix,freezing_fog,snow_light,snow_moderate,freezing_drizzle,source
-3 and above,100/0,1:00-2:00,50-80,30-50,40-70,own
below -3 to -14,100/0,30-60,40-60,20-40,20-40,own
below -14 to -25,100/0,20-40,30-40,15-30,none,own
"""
SNOW = """light,oat_c,visibility,intensity,source
day,any,from 2000,light,own
day,any,from 1000 to below 2000,moderate,own
day,any,below 1000,heavy,own
night,any,from 4000,light,own
night,any,from 2000 to below 4000,moderate,own
night,any,below 2000,heavy,own
"""


@cache
def shipped() -> Tables:
    return load_tables()


@cache
def fluid_rules() -> FluidRules:
    return load_fluid_rules()


def with_column(name: str, *cells: str) -> str:
    """The Type IV table with one more column before the source."""
    texts = [line.rpartition(",") for line in TYPE_4.splitlines()]
    return "\n".join(f"{rest},{cell},{source}" for (rest, _, source), cell in zip(texts, (name, *cells), strict=True))


def own_set(head: str = HEAD, *, type_4: str = TYPE_4, snow: str = SNOW) -> TableSet:
    return parse_tables(head, {"type-4.csv": type_4, "snow.csv": snow}, "head.toml")


def with_own(own: TableSet | None = None) -> Tables:
    """The shipped sets and one that is in force."""
    return collected((*shipped().sets, own or own_set()), shipped().weather, shipped().conditions)


def asked(weather: str | None, temp_c: float | tuple[float, float] | None, **fields: object) -> HoldoverQuestion:
    """A question about Type IV 100/0 by day in good visibility, but for what is named."""
    low, high = temp_c if isinstance(temp_c, tuple) else (temp_c, temp_c)
    values: dict[str, object] = {
        "fluid": FluidType.IV,
        "mix": "100/0",
        "temp_low_c": low,
        "temp_high_c": high,
        "weather": None if weather is None else tuple(weather.split()),
        "visibility_m": 9000.0,
        "night": False,
    }
    return HoldoverQuestion(**{**values, **fields})


def told(question: HoldoverQuestion, tables: Tables | None = None, *, training: bool = True) -> Holdover:
    return look_up(question, tables or shipped(), NOW, training=training)


def figures(name: str) -> list[dict[str, str]]:
    lines = (FOLDER / name).read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def band_of(row: dict[str, str]) -> Band:
    return temperature_band(row["oat_band"])


def temps_in(row: dict[str, str]) -> list[float]:
    """Temperatures at and just inside the ends of a row's band, from its own limits and not from its words."""
    high = float(row["t_hi_c"]) if row["t_hi_c"] else 3.0
    low = float(row["t_lo_c"]) if row["t_lo_c"] else float(row["t_hi_c"] or 0) - 15.0
    high -= 0.0 if not row["t_hi_c"] or row["t_hi_incl"] == "1" else 0.1
    low += 0.0 if not row["t_lo_c"] or row["t_lo_incl"] == "1" else 0.1
    return [low, (low + high) / 2, high]

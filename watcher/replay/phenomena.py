"""What reports can tell to have happened, and which flags that says something about.

A METAR tells of precipitation and fog at the station. It cannot tell whether a wing is frosted, so no score is given
to the flags that warn of frost and of water that freezes on the wing: they are listed, never counted as right or wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import polars as pl

from watcher.reports.weather import WeatherGroup
from watcher.rulebook.derive import groups_of
from watcher.rulebook.words import Flag


class Phenomenon(StrEnum):
    """A weather that a report can tell, each with a column of that name: true, false or null (could not be told)."""

    PRECIPITATION = "freezing-or-frozen-precipitation"
    FREEZING = "freezing-precipitation"
    SNOW = "snow"
    PELLETS = "pellets-hail-or-unknown-precipitation"
    FOG = "freezing-fog"

    @property
    def words(self) -> str:
        """How a sentence calls it."""
        return _WORDS[self]


_WORDS = {
    Phenomenon.PRECIPITATION: "freezing or frozen precipitation",
    Phenomenon.FREEZING: "freezing precipitation",
    Phenomenon.SNOW: "snow",
    Phenomenon.PELLETS: "pellets, hail or unknown precipitation",
    Phenomenon.FOG: "freezing fog",
}


@dataclass(frozen=True, slots=True)
class Proof:
    """What proves a flag.

    `precursor`: the flag also warns of what no report tells, so that an alert after which nothing was reported is no
    false alarm by that alone.
    """

    phenomenon: Phenomenon
    precursor: bool = False


PROOFS: Mapping[Flag, Proof] = MappingProxyType(
    {
        Flag.FREEZING_PRECIPITATION: Proof(Phenomenon.FREEZING),
        Flag.SNOW: Proof(Phenomenon.SNOW),
        Flag.NO_HOLDOVER: Proof(Phenomenon.PELLETS),
        Flag.FREEZING_FOG: Proof(Phenomenon.FOG),
        Flag.DEICING_LIKELY: Proof(Phenomenon.PRECIPITATION, precursor=True),
        Flag.ANTI_ICING_LIKELY: Proof(Phenomenon.PRECIPITATION, precursor=True),
    }
)
UNPROVABLE: tuple[Flag, ...] = tuple(flag for flag in Flag if flag not in PROOFS)

# As watcher.rulebook.observed has it: above this, freezing precipitation that went unseen is not to be feared.
_COLD_ENOUGH_TO_FREEZE_C = 3.0
_PELLETS = frozenset({"PL", "GR", "GS"})
_SNOW = frozenset({"SN", "SG"})


def states() -> dict[Phenomenon, pl.Expr]:
    """Return for each phenomenon whether a report tells it; they need the columns of :func:`with_groups`.

    Null where the report could not tell: weather not observable, sensor off, a group that was not read, a station that
    by its kind reports no precipitation. What is reported counts, whatever else could not be seen.
    """
    blind, sensor_off = _blind(), _freezing_rain_unseen()
    fog = pl.col("fog_freezes") | (pl.col("fog") & (pl.col("temp_c") < 0))
    unknown_falls = pl.col("unknown_falls") & _cold()
    return {
        Phenomenon.PRECIPITATION: _told(
            pl.col("freezing_falls") | pl.col("frozen_falls") | unknown_falls, blind | sensor_off
        ),
        Phenomenon.FREEZING: _told(pl.col("freezing_falls"), blind | sensor_off),
        Phenomenon.SNOW: _told(pl.col("snow"), blind),
        Phenomenon.PELLETS: _told(pl.col("pellets_fall") | unknown_falls, blind),
        # Fog is no precipitation: it is seen as long as the weather is.
        Phenomenon.FOG: _told(fog.fill_null(value=False), ~_observable()),
    }


def with_groups(frame: pl.LazyFrame) -> pl.LazyFrame:
    """Add what the present weather groups mean, read by the one reader of groups, each text once."""
    texts = frame.select("weather").drop_nulls().unique().collect().get_column("weather").sort().to_list()
    meanings = [_meaning(text) for text in texts]
    # By place and not by a join, which does not keep the order of rows in every plan.
    place = pl.col("weather").cast(pl.Enum(texts)).to_physical()
    return frame.with_columns(
        pl.lit(pl.Series([meaning[name] for meaning in meanings], dtype=pl.Boolean))
        .gather(place)
        .fill_null(value=False)
        .alias(name)
        for name in _MEANINGS
    )


_MEANINGS = (
    "falls", "freezing_falls", "frozen_falls", "pellets_fall", "unknown_falls", "snow", "fog", "fog_freezes",
)  # fmt: skip


def _meaning(text: str) -> dict[str, bool]:
    groups = groups_of(text.split())
    return {
        "falls": any(group.falls for group in groups),
        "freezing_falls": any(group.is_freezing_precipitation for group in groups),
        "frozen_falls": any(group.is_frozen_precipitation for group in groups),
        "pellets_fall": any(group.falls and not _PELLETS.isdisjoint(group.phenomena) for group in groups),
        "unknown_falls": any(group.falls and "UP" in group.phenomena for group in groups),
        # Blown and drifting snow too: the flag snow warns of them.
        "snow": any(not group.vicinity and not _SNOW.isdisjoint(group.phenomena) for group in groups),
        "fog": any(_is_fog(group) and not group.descriptors for group in groups),
        "fog_freezes": any(_is_fog(group) and "FZ" in group.descriptors for group in groups),
    }


def _is_fog(group: WeatherGroup) -> bool:
    return not group.vicinity and "FG" in group.phenomena


def _told(seen: pl.Expr, unseen: pl.Expr) -> pl.Expr:
    return pl.when(seen).then(statement=True).when(unseen).then(None).otherwise(statement=False)


def _observable() -> pl.Expr:
    return pl.col("weather_observable") & ~pl.col("present_weather_sensor_off")


def _cold() -> pl.Expr:
    return pl.col("temp_c").is_null() | (pl.col("temp_c") <= _COLD_ENOUGH_TO_FREEZE_C)


def _may_freeze() -> pl.Expr:
    return pl.col("freezing_or_frozen").is_null() | _cold()


def _blind() -> pl.Expr:
    """Return whether precipitation may be there unseen, as `watcher.rulebook.observed` tells it of one report."""
    # Where no group was left unread, a sensor that is off is why nothing can be ruled out.
    unexplained = pl.col("freezing_or_frozen").is_null() & ~pl.col("freezing_rain_sensor_off")
    unread = pl.col("weather_unread_may_freeze") | unexplained
    # Compared as text, so that a station that does not say is none of them.
    by_kind = pl.col("auto") & pl.col("precipitation_sensor").eq_missing("AO1") & ~pl.col("falls")
    return ~_observable() | unread | (_may_freeze() & by_kind)


def _freezing_rain_unseen() -> pl.Expr:
    return _may_freeze() & pl.col("freezing_rain_sensor_off")

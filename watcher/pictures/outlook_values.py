"""A station's hours as figures: what each report said, and what is expected of each time ahead."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from watcher.pictures.axis import spoken
from watcher.pictures.band_model import Band, ExpectedPoint, Point, Source, Weather
from watcher.pictures.labels import chance, degrees
from watcher.pictures.strip_blocks import Block, blocks_of

Origin = Literal["report", "frost forecast", "TAF"]
_ORIGINS: dict[Source, Origin] = {Source.NIGHT: "frost forecast", Source.TAF: "TAF"}
_SURE = {"o": "", "s": " when last seen", "x": " expected", "t": " expected at times", "p": " possible"}


@dataclass(frozen=True, slots=True)
class Reading:
    """What is known of one time. Temperatures in °C, None: not known.

    `skin_low_c`, `skin_high_c`: of 80 % of the computed nights. `p_active_frost`: 0 to 1. `weather`: what falls or
    freezes, each with how sure it is. `level`: the highest that stood, or is expected.
    """

    at: datetime
    origin: Origin
    temp_c: float | None
    frost_point_c: float | None
    skin_low_c: float | None = None
    skin_high_c: float | None = None
    p_active_frost: float | None = None
    weather: tuple[str, ...] = ()
    level: str | None = None

    @property
    def skin(self) -> str | None:
        """The skin as people read it: ``-3.1 to -1.0 °C``."""
        if self.skin_low_c is None or self.skin_high_c is None:
            return None
        return f"{degrees(self.skin_low_c).removesuffix(' °C')} to {degrees(self.skin_high_c)}"


def levels_of(band: Band) -> list[Block]:
    """Return the highest level at each time."""
    blind_since = band.blind[-1].begins_at if band.is_blind else None
    return blocks_of(band.levels, band.now, band.ends_at, blind_since)


def level_words(block: Block) -> str:
    """Return a level with its flag and how sure it is."""
    return f"{block.level.word}{_SURE[block.sure]}, {block.flag.value}"


def readings_of(band: Band) -> tuple[Reading, ...]:
    """Return each report and each step ahead of a band, by time."""
    levels = levels_of(band)
    past = (_reported(point, band.weather, levels) for point in band.past)
    ahead = (_expected(point, band.weather, levels) for point in band.expected)
    return tuple(sorted((*past, *ahead), key=lambda reading: reading.at))


def told(reading: Reading, zone: str | None) -> str:
    """Return a reading in one line. `zone`: IANA, for local times; None: Z only."""
    return f"{spoken(reading.at, zone)}, {reading.origin}: {', '.join(_said(reading)) or 'nothing known'}"


def _said(reading: Reading) -> Iterator[str]:
    if reading.temp_c is not None:
        yield f"air {degrees(reading.temp_c)}"
    if reading.frost_point_c is not None:
        yield f"frost point {degrees(reading.frost_point_c)}"
    if reading.skin is not None:
        yield f"wing skin {reading.skin}"
    if reading.p_active_frost is not None:
        yield f"frost forms {chance(reading.p_active_frost)}"
    yield from reading.weather
    if reading.level is not None:
        yield f"level {reading.level}"


def _reported(point: Point, weather: Sequence[Weather], levels: Sequence[Block]) -> Reading:
    here = (item for item in weather if item.certainty is None and item.begins_at <= point.at < item.ends_at)
    return Reading(
        point.at,
        "report",
        point.temp_c,
        point.frost_point_c,
        weather=tuple(" ".join(item.codes) for item in here),
        level=_level(point.at, levels),
    )


def _expected(point: ExpectedPoint, weather: Sequence[Weather], levels: Sequence[Block]) -> Reading:
    here = (item for item in weather if item.certainty is not None and item.begins_at <= point.at < item.ends_at)
    return Reading(
        point.at,
        _ORIGINS[point.source],
        point.temp_c,
        point.frost_point_c,
        point.skin_low_c,
        point.skin_high_c,
        point.p_active_frost,
        tuple(f"{' '.join(item.codes)} ({item.certainty.value})" for item in here if item.certainty is not None),
        _level(point.at, levels),
    )


def _level(at: datetime, levels: Sequence[Block]) -> str | None:
    return next((level_words(block) for block in levels if block.begins_at <= at < block.ends_at), None)

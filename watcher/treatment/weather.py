"""From reported weather groups to what falls, and by a table of the rules folder to the columns that answer for it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from watcher.reports.weather import PRECIPITATION, WeatherGroup, parse_weather
from watcher.treatment.bands import Band
from watcher.treatment.words import Basis, Confidence

Intensity = Literal["light", "moderate", "heavy"]
INTENSITIES: tuple[Intensity, ...] = ("light", "moderate", "heavy")
_BY_SIGN: dict[str, Intensity] = {"-": "light", "": "moderate", "+": "heavy"}

# Words of `use` that are neither a column of the tables nor an allowance.
SNOW, SNOW_HEAVIER = "snow", "snow_heavier"
NONE, SPECIAL, UNKNOWN, NOTHING = "none", "special", "unknown", "nothing"
ALLOWANCE = "allowance:"
BY_CHART = "+snow"

_FREEZING = {"RA": "FZRA", "DZ": "FZDZ", "UP": "FZUP", "FG": "FZFG"}
_FOGS = ("FG", "BR")
# Too little to make a mixture of: they say more of the air than of what falls.
_THIN = frozenset({"BR", "FG", "IC"})


@dataclass(frozen=True, slots=True)
class WeatherRow:
    """What answers for one kind of weather in a band of temperature.

    `falls`: codes of table 4678 that occur together. `use`: columns of the tables, the worst of which counts, or one of
    none, special, unknown, nothing, or an allowance.
    """

    falls: frozenset[str]
    intensities: frozenset[Intensity]
    oat: Band
    use: tuple[str, ...]
    basis: Basis
    confidence: Confidence | None
    source: str
    note: str


@dataclass(frozen=True, slots=True)
class Mixture:
    """What falls or hangs in the air, and how heavy all of it together is.

    `blown`: snow is blown up and none is known to fall. `unreadable`: why the groups leave open what else there is.
    """

    falls: frozenset[str]
    intensity: Intensity
    blown: bool = False
    unreadable: str | None = None


def mixture_of(texts: Sequence[str]) -> Mixture:
    """Return what the present weather groups say; the vicinity is left out.

    The sign tells the intensity of all precipitation of a group together (AFMAN 15-111, 10.5.2), so each part of a
    mixture is taken to be as heavy; of several groups the heaviest sign counts.
    """
    falls: set[str] = set()
    heaviest: Intensity | None = None
    blown = False
    unreadable: str | None = None
    for text in texts:
        group = parse_weather(text)
        if group is None:
            unreadable = _unreadable(text)
            continue
        if group.vicinity:
            continue
        if not group.descriptors.isdisjoint({"BL", "DR"}):
            blown = blown or "SN" in group.phenomena
            continue
        codes = frozenset(_codes(group))
        falls |= codes
        if not codes <= _THIN | {"FZFG"}:
            sign = _BY_SIGN[group.sign]
            heaviest = sign if heaviest is None else max(heaviest, sign, key=INTENSITIES.index)
    known_to_fall = not falls.isdisjoint({"SN", "SG"})
    return Mixture(frozenset(falls), heaviest or "moderate", blown and not known_to_fall, unreadable)


def rows_for(rows: Iterable[WeatherRow], mixture: Mixture, temp_c: float) -> tuple[WeatherRow, ...]:
    """Return the rows that answer for a mixture at a temperature: its own, and those of all its parts.

    The parts count too, so that what falls in addition never gives more time. Empty when no row knows the mixture.
    """
    fitting = [row for row in rows if mixture.intensity in row.intensities and temp_c in row.oat]
    known = {row.falls for row in fitting}
    if not any(whole in known for whole in _wholes(mixture.falls)):
        return ()
    return tuple(row for row in fitting if row.falls <= mixture.falls)


def _wholes(falls: frozenset[str]) -> Iterator[frozenset[str]]:
    """Yield the mixture, then with fewer and fewer of the thin ones, which the rest may outweigh."""
    thin = sorted(falls & _THIN)
    for count in range(len(thin) + 1):
        for left_out in combinations(thin, count):
            whole = falls - frozenset(left_out)
            if whole:
                yield whole


def _codes(group: WeatherGroup) -> Iterator[str]:
    freezing = "FZ" in group.descriptors
    if freezing and _FREEZING.keys().isdisjoint(group.phenomena):
        yield "FZUP"
    for code in group.phenomena:
        if freezing and code in _FREEZING:
            yield _FREEZING[code]
        elif code in PRECIPITATION or code in _FOGS:
            yield code
    if "SH" in group.descriptors and not group.phenomena:
        yield "UP"


def _unreadable(text: str) -> str:
    if text == "//":
        return "precipitation may be falling unseen"
    if text == "FZ//":
        return "freezing rain may be falling unseen: the sensor is off"
    return f'the group "{text}" cannot be read'

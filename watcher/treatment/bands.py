"""Intervals as tables write them: of temperature ("below -3 to -14") and of visibility ("above 1 to 2.5")."""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import inf

_NUMBER = r"([+-]?\d+(?:\.\d+)?)"


@dataclass(frozen=True, slots=True)
class Band:
    """An interval; `low_in` and `high_in` say whether its ends belong to it. Written as `text`."""

    low: float
    low_in: bool
    high: float
    high_in: bool
    text: str

    def __contains__(self, value: float) -> bool:
        above = value > self.low or (self.low_in and value == self.low)
        return above and (value < self.high or (self.high_in and value == self.high))

    @property
    def ends(self) -> tuple[float, ...]:
        """Its finite ends."""
        return tuple(end for end in (self.low, self.high) if abs(end) != inf)

    def overlaps(self, other: Band) -> bool:
        """Return whether some value lies in both."""
        low, high = max(self.low, other.low), min(self.high, other.high)
        return low < high or (low == high and low in self and low in other)

    def meets(self, colder: Band) -> bool:
        """Return whether the other band goes on just where this one ends, neither gap nor overlap between them."""
        return self.low == colder.high and self.low_in is not colder.high_in


# pattern -> (low, low belongs, high, high belongs), where 1 and 2 name the numbers as written.
_TEMPERATURES = (
    (re.compile("any"), (None, False, None, False)),
    (re.compile(f"{_NUMBER} and above"), (1, True, None, False)),
    (re.compile(f"above {_NUMBER}"), (1, False, None, False)),
    (re.compile(f"{_NUMBER} and below"), (None, False, 1, True)),
    (re.compile(f"below {_NUMBER}"), (None, False, 1, False)),
    (re.compile(f"below {_NUMBER} to {_NUMBER}"), (2, True, 1, False)),
    (re.compile(f"{_NUMBER} to {_NUMBER}"), (2, True, 1, True)),
)
TEMPERATURE_FORMS = '"-3 and above", "above 0", "0 to -3", "below -3 to -14", "below -14", "-1 and below", "any"'

_VISIBILITIES = (
    (re.compile(f"up to {_NUMBER}"), (None, True, 1, True)),
    (re.compile(f"below {_NUMBER}"), (None, True, 1, False)),
    (re.compile(f"above {_NUMBER} to {_NUMBER}"), (1, False, 2, True)),
    (re.compile(f"from {_NUMBER} to below {_NUMBER}"), (1, True, 2, False)),
    (re.compile(f"above {_NUMBER}"), (1, False, None, False)),
    (re.compile(f"from {_NUMBER}"), (1, True, None, False)),
)
VISIBILITY_FORMS = '"up to 1", "above 1 to 2.5", "above 4", or "below 800", "from 800 to below 1600", "from 4000"'


def temperature_band(text: str) -> Band:
    """Return a band of air temperature in °C; ValueError names the forms that are allowed."""
    return _band(text, _TEMPERATURES, -inf, TEMPERATURE_FORMS)


def visibility_band(text: str) -> Band:
    """Return a band of visibility in the unit of its table; ValueError names the forms that are allowed."""
    return _band(text, _VISIBILITIES, 0.0, VISIBILITY_FORMS)


def _band(
    text: str,
    forms: tuple[tuple[re.Pattern[str], tuple[int | None, bool, int | None, bool]], ...],
    lowest: float,
    allowed: str,
) -> Band:
    for pattern, (low, low_in, high, high_in) in forms:
        match = pattern.fullmatch(" ".join(text.replace("\u2212", "-").split()))
        if match is None:
            continue
        band = Band(
            lowest if low is None else float(match[low]),
            low_in,
            inf if high is None else float(match[high]),
            high_in,
            text,
        )
        if band.low > band.high or (band.low == band.high and not (low_in and high_in)):
            raise ValueError(f'"{text}" is empty: its ends stand the wrong way round')
        return band
    raise ValueError(f'"{text}" is no band; write it as one of {allowed}')

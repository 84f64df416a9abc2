"""What the remarks of a report say that matters for ice, and the tenths of temperature and dew point.

Source: FMH-1 (Federal Meteorological Handbook No. 1), chapter 12: remarks. ICE and FROIN: common practice, no source.
"""

from __future__ import annotations

import re
from datetime import datetime
from functools import lru_cache
from typing import Literal, NamedTuple

from watcher.reports.dating import last_before
from watcher.reports.model import Remarks
from watcher.reports.weather import parse_weather

_CM_PER_INCH = 2.54

_SIGN = re.compile(
    r"\b(?:T(?P<t_sign>[01])(?P<t>\d{3})(?:(?P<d_sign>[01])(?P<d>\d{3}))?"
    r"|(?P<sensor>A[O0][12])A?"
    r"|(?P<ice>I[136]\d{3}|FROIN|ICG|ICE(?! (?:ON|RWY)))"
    r"|(?P<fzrano>FZRANO)|(?P<pwino>PWINO)"
    r"|4/(?P<depth>\d{3})"
    r"|SNINCR \d+/(?P<increase_depth>\d+)"
    r"|(?P<changes>(?:[A-Z]{2,8}?(?:[BE](?:\d{4}|\d{2}))+)+))(?=\s|$)"
)
_CHANGE = re.compile(r"([A-Z]{2,8}?)((?:[BE](?:\d{4}|\d{2}))+)")
_TIME = re.compile(r"([BE])(\d{4}|\d{2})")


class RemarkValues(NamedTuple):
    """The remarks, and temperature and dew point in tenths of a degree where given."""

    remarks: Remarks
    temp_c: float | None = None
    dew_point_c: float | None = None


_NOTHING = RemarkValues(Remarks())


def read_remarks(text: str, observed_at: datetime, runway_state: tuple[str, ...]) -> RemarkValues:
    """Return what the text after RMK says.

    Parameters
    ----------
    text
        Normalised, without the word RMK.
    observed_at
        Minutes in begin and end times count from the hour before it.
    runway_state
        Runway state groups of the body, carried along.
    """
    if not text:
        return _NOTHING if not runway_state else RemarkValues(Remarks(runway_state=runway_state))
    found: dict[str, re.Match[str]] = {}
    began: list[tuple[str, datetime]] = []
    ended: list[tuple[str, datetime]] = []
    for match in _SIGN.finditer(text):
        kind = match.lastgroup or ""
        if kind == "changes":
            _changes(match["changes"], observed_at, began, ended)
        else:
            found.setdefault({"d": "t", "t_sign": "t"}.get(kind, kind), match)
    tenths = found.get("t")
    return RemarkValues(
        _remarks(
            "ice" in found,
            "fzrano" in found,
            "pwino" in found,
            _sensor(found.get("sensor")),
            _depth_cm(found),
            runway_state,
            tuple(began),
            tuple(ended),
        ),
        _tenths(tenths, "t") if tenths is not None else None,
        _tenths(tenths, "d") if tenths is not None else None,
    )


# Most remarks say the same few things; the value is made once for all of them.
_remarks = lru_cache(maxsize=4096)(Remarks)


def _sensor(match: re.Match[str] | None) -> Literal["AO1", "AO2"] | None:
    if match is None:
        return None
    return "AO2" if match["sensor"].endswith("2") else "AO1"


def _depth_cm(found: dict[str, re.Match[str]]) -> float | None:
    for kind in ("depth", "increase_depth"):
        if kind in found:
            return round(int(found[kind][kind]) * _CM_PER_INCH, 1)
    return None


def _tenths(match: re.Match[str], name: str) -> float | None:
    digits = match[name]
    if digits is None:
        return None
    value = int(digits) / 10
    return -value if match[f"{name}_sign"] == "1" else value


def _changes(
    token: str, observed_at: datetime, began: list[tuple[str, datetime]], ended: list[tuple[str, datetime]]
) -> None:
    for code, times in _CHANGE.findall(token):
        if parse_weather(code) is None:
            continue
        for mark, digits in _TIME.findall(times):
            hour = int(digits[:2]) if len(digits) == 4 else None
            moment = last_before(hour, int(digits[-2:]), observed_at)
            if moment is not None:
                (began if mark == "B" else ended).append((code, moment))

"""What the remarks of a report say that matters for ice, and the tenths of temperature and dew point.

Source: FMH-1 (Federal Meteorological Handbook No. 1), chapter 12: remarks. It knows ice accretion only in code (I1nnn,
I3nnn, I6nnn: within the past 1, 3 and 6 hours). ICE, ICG and FROIN in plain language: common practice, no source; they
count as accretion, also on a sensor, save what is denied or lies on the ground.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from functools import lru_cache
from typing import Any, NamedTuple

from watcher.reports.dating import last_before
from watcher.reports.model import Remarks
from watcher.reports.weather import parse_weather

_CM_PER_INCH = 2.54

_SIGN = re.compile(
    r"\b(?:T(?P<t_sign>[01])(?P<t>\d{3})(?:(?P<d_sign>[01])(?P<d>\d{3}))?"
    r"|(?P<sensor>A[O0][12])A?"
    r"|(?P<ice>I[136]\d{3}|FROIN|(?<!NO )ICG|(?<!NO )ICE(?! (?:ON )?(?:RWY|TWY|RAMP|APRON)))"
    r"|(?P<fzrano>FZRANO)|(?P<pwino>PWINO)"
    r"|4/(?P<depth>\d{3})"
    r"|SNINCR \d{1,3}/(?P<increase_depth>\d{1,4})"
    r"|(?P<changes>(?:[A-Z]{2,8}?(?:[BE](?:\d{4}|\d{2}))+)+))(?=[\s,;]|\.(?!\d)|$)"
)
_CHANGE = re.compile(r"([A-Z]{2,8}?)((?:[BE](?:\d{4}|\d{2}))+)")
_TIME = re.compile(r"([BE])(\d{4}|\d{2})")


class _Sign(NamedTuple):
    """What a word says: the name of what it is about, and a value where it has one."""

    name: str
    value: Any = True


class _Change(NamedTuple):
    """A weather code that began or ended; `hour` None: within the past one."""

    code: str
    began: bool
    hour: int | None
    minute: int


class RemarkValues(NamedTuple):
    """The remarks, and temperature and dew point in tenths of a degree where given.

    `changes`: what the remarks have as `began` and `ended`, where they are not yet dated.
    """

    remarks: Remarks
    temp_c: float | None = None
    dew_point_c: float | None = None
    changes: tuple[_Change, ...] = ()


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
    if not text and not runway_state:
        return _NOTHING
    signs: tuple[_Sign, ...] = ()
    # What these mean depends on the word before or after them.
    for word in [text] if "ICE" in text or "ICG" in text or "SNINCR " in text else text.split():
        signs += _signs(word)
    values = _values(signs, runway_state)
    return _dated(values, observed_at) if values.changes else values


# Words repeat where remarks do not.
@lru_cache(maxsize=16384)
def _signs(text: str) -> tuple[_Sign, ...]:
    """Return what a word says, or several of which one goes on with the next."""
    return tuple(map(_sign, _SIGN.finditer(text)))


def _sign(match: re.Match[str]) -> _Sign:
    name = match.lastgroup or ""
    if name in {"depth", "increase_depth"}:
        return _Sign(name, round(int(match[name]) * _CM_PER_INCH, 1))
    if name == "sensor":
        return _Sign(name, "AO2" if match[name].endswith("2") else "AO1")
    if name == "changes":
        return _Sign(name, tuple(_changes(match[name])))
    if name in {"t", "d"}:
        return _Sign("tenths", (_tenths(match, "t"), _tenths(match, "d")))
    return _Sign(name)


def _tenths(match: re.Match[str], name: str) -> float | None:
    digits = match[name]
    if digits is None:
        return None
    tenths = int(digits)  # of which zero has no sign
    return (-tenths if match[f"{name}_sign"] == "1" else tenths) / 10


def _changes(word: str) -> Iterator[_Change]:
    for code, times in _CHANGE.findall(word):
        if parse_weather(code) is None:
            continue
        for mark, digits in _TIME.findall(times):
            yield _Change(code, mark == "B", int(digits[:2]) if len(digits) == 4 else None, int(digits[-2:]))


# Most remarks say the same few things.
@lru_cache(maxsize=16384)
def _values(signs: tuple[_Sign, ...], runway_state: tuple[str, ...]) -> RemarkValues:
    """Return what signs mean together; of two of one name the first counts, of changes all."""
    found = {sign.name: sign.value for sign in reversed(signs)}
    remarks = Remarks(
        "ice" in found,
        "fzrano" in found,
        "pwino" in found,
        found.get("sensor"),
        found.get("depth", found.get("increase_depth")),
        runway_state,
    )
    changes = tuple(change for sign in signs if sign.name == "changes" for change in sign.value)
    temp_c, dew_point_c = found.get("tenths", (None, None))
    return RemarkValues(remarks, temp_c, dew_point_c, changes)


def _dated(values: RemarkValues, observed_at: datetime) -> RemarkValues:
    """Return the remarks with the times of what began and ended; what has none is passed over."""
    moments: dict[bool, list[tuple[str, datetime]]] = {True: [], False: []}
    for code, began, hour, minute in values.changes:
        moment = last_before(hour, minute, observed_at)
        if moment is not None:
            moments[began].append((code, moment))
    remarks = replace(values.remarks, began=tuple(moments[True]), ended=tuple(moments[False]))
    return RemarkValues(remarks, values.temp_c, values.dew_point_c)

"""The groups of one report body, or of one period of a forecast, gathered from its tokens.

What is gathered first stands: a second temperature or wind is said as a doubt, never an average or a replacement.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from watcher.reports.groups import (
    Cloud,
    Group,
    Joined,
    Pressure,
    Recent,
    Temperature,
    Visibility,
    Weather,
    Wind,
    Word,
    read_token,
)
from watcher.reports.model import CloudLayer, VisibilityBound
from watcher.reports.weather import may_be_wet, may_freeze

_MOST_KEPT = 16384
_TREND = Word("trend")
_WHOLE_AND_FRACTION = re.compile(r"\d \S*/\S*SM")


@dataclass(slots=True)
class Body:
    """What the tokens gave so far. Lives while one report is read."""

    wind: Wind | None = None
    visibility_m: float | None = None
    visibility_bound: VisibilityBound | None = None
    vertical_visibility_ft: int | None = None
    cavok: bool = False
    weather: tuple[str, ...] = ()
    weather_observable: bool = True
    weather_freezes: bool = False
    weather_ends: bool = False
    recent: tuple[str, ...] = ()
    clouds: tuple[CloudLayer, ...] | None = None
    temperature: Temperature | None = None
    pressure_hpa: float | None = None
    runway_state: tuple[str, ...] = ()
    auto: bool = False
    nil: bool = False
    correction: str | None = None
    unread_may_freeze: bool = False
    unread_may_be_wet: bool = False
    doubts: tuple[str, ...] = ()
    trend: tuple[str, ...] = ()


class _Groups(dict[str, Group | None]):
    """What tokens say. They repeat where reports do not, so each is read once; too many of them are forgotten at once.

    It is asked for every token of every report, and a cache that knows what was used last takes twice as long.
    """

    def __missing__(self, token: str) -> Group | None:
        if len(self) >= _MOST_KEPT:
            self.clear()
        group = self[token] = read_token(token)
        return group


_groups = _Groups()


def read_body(text: str, *, until_trend: bool = False, into: Body | None = None) -> Body:
    """Return what the tokens of a body say, in any order.

    Parameters
    ----------
    text
        Normalised.
    until_trend
        Read to the first word of a trend (NOSIG, TEMPO), and keep the trends as they are. Otherwise such a word is
        not understood.
    into
        What was gathered before, to be added to.
    """
    body = Body() if into is None else into
    tokens = text.split()
    if "SM" in text and _WHOLE_AND_FRACTION.search(text):
        tokens = list(_with_fractions(tokens))
    # The groups of nearly every report are taken here, the commonest first: a call for each, or asking for subclasses,
    # takes a twentieth of all the time.
    for token in tokens:
        group = _groups[token]
        if type(group) is Cloud:
            if group.layer is not None:
                body.clouds = (*body.clouds, group.layer) if body.clouds is not None else (group.layer,)
            elif group.vertical_visibility_ft is not None:
                body.vertical_visibility_ft = group.vertical_visibility_ft
        elif type(group) is Wind:
            if body.wind is None:
                body.wind = group
            else:
                body.doubts += (f"{token}: a second wind, passed over",)
        elif type(group) is Visibility:
            _visibility(body, token, group)
        elif type(group) is Temperature:
            if body.temperature is None:
                body.temperature = group
            else:
                body.doubts += (f"{token}: a second temperature, passed over",)
        elif type(group) is Pressure:
            if body.pressure_hpa is None:
                body.pressure_hpa = group.hpa
        elif type(group) is Word:
            if until_trend and group == _TREND:
                body.trend = tuple(_trends(tokens[tokens.index(token) :]))
                break
            _word(body, token, group)
        elif type(group) is Weather:
            body.weather += group.texts
            body.weather_freezes |= group.freezes
            body.doubts += group.doubts
        elif type(group) is Recent:
            body.recent += group.texts
        elif type(group) is Joined:
            body.doubts += (f"{token}: read as {' '.join(group.parts)}",)
            read_body(" ".join(group.parts), into=body)
        else:
            _unread(body, token)
    return body


def _with_fractions(tokens: Sequence[str]) -> Iterator[str]:
    """Yield the tokens, a whole number of miles together with the fraction after it."""
    whole = ""
    for token, after in zip(tokens, (*tokens[1:], ""), strict=True):
        if whole:
            yield f"{whole} {token}"
            whole = ""
        elif len(token) == 1 and token.isdigit() and "/" in after and "SM" in after:
            whole = token
        else:
            yield token


def _trends(tokens: Sequence[str]) -> Iterator[str]:
    """Yield the trends of a text that begins with one."""
    begins = [place for place, token in enumerate(tokens) if _groups[token] == _TREND]
    for begin, end in pairwise((*begins, len(tokens))):
        yield " ".join(tokens[begin:end])


def _unread(body: Body, token: str) -> None:
    if may_freeze(token):
        body.unread_may_freeze = True
        body.doubts += (f"{token}: not understood, and it may mean something freezing",)
    elif may_be_wet(token):
        body.unread_may_be_wet = True
        body.doubts += (f"{token}: not understood, and it may mean something that falls",)
    else:
        body.doubts += (f"{token}: not understood",)


def _visibility(body: Body, token: str, group: Visibility) -> None:
    if group.doubt:
        body.doubts += (f"{token}: {group.doubt}",)
    # A second plain visibility is the lowest one of FM 15 when sent without its direction.
    if body.visibility_m is None and not group.directional and not body.cavok:
        body.visibility_m, body.visibility_bound = group.m, group.bound


def _word(body: Body, token: str, group: Word) -> None:
    match group.kind:
        case "cavok":
            body.cavok, body.visibility_m, body.visibility_bound = True, 10000.0, "at_least"
        case "auto":
            body.auto = True
        case "nsw":
            body.weather_ends = True
        case "nil":
            body.nil = True
        case "correction":
            body.correction = token
        case "runway":
            body.runway_state += (token,)
        case "missing":
            body.doubts += (f"{token}: a group is missing",)
        case "weather missing":
            body.weather_observable = False
        case "trend":
            _unread(body, token)
        case "passed":
            pass

"""The second opinion: python-metar reads the same text, and where both give a value and differ, the report is doubtful.

Its known habits are no opinion and are not compared: it makes 10 km of a visibility that is missing, and it drops
weather codes that it does not know. Where it fails, there is no second opinion.
"""

from __future__ import annotations

import re
import warnings

from metar.Metar import Metar

from watcher.reports.model import Observation
from watcher.reports.weather import parse_weather

_MISSING_VISIBILITY = re.compile(r"(?:^|\s)(?:////|/{5,}|M)(?:\s|$)")


def disagreements(text: str, ours: Observation) -> tuple[str, ...]:
    """Return one sentence for each value that the second reader gives otherwise.

    Parameters
    ----------
    text
        Normalised, without the type word.
    ours
        What our own reader made of it.
    """
    theirs = _read(text, ours)
    if theirs is None:
        return ()
    found = []
    for name, our_value, their_value, tolerance in (
        ("temperature", ours.temp_c, _value(theirs.temp, "C"), 0.06),
        ("dew point", ours.dew_point_c, _value(theirs.dewpt, "C"), 0.06),
        ("wind speed", ours.wind_kt, _value(theirs.wind_speed, "KT"), 0.6),
        ("visibility", ours.visibility_m, _visibility(theirs, text, ours), None),
    ):
        if our_value is None or their_value is None:
            continue
        allowed = tolerance if tolerance is not None else max(60.0, 0.02 * our_value)
        if abs(our_value - their_value) > allowed:
            found.append(f"{name} {our_value:g}: a second reader has {their_value:g}")
    missed = _weather_missed(theirs, ours)
    if missed:
        found.append(f"{' '.join(missed)}: weather that only a second reader has")
    return tuple(found)


def _read(text: str, ours: Observation) -> Metar | None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return Metar(text, month=ours.observed_at.month, year=ours.observed_at.year, strict=False)
        except Exception:  # noqa: BLE001 - whatever makes it fail, it then has no opinion
            return None


def _value(quantity: object, unit: str) -> float | None:
    return None if quantity is None else float(quantity.value(unit))  # type: ignore[attr-defined]


def _visibility(theirs: Metar, text: str, ours: Observation) -> float | None:
    if ours.cavok or ours.visibility_bound != "exact" or _MISSING_VISIBILITY.search(text):
        return None
    return _value(theirs.vis, "M")


def _weather_missed(theirs: Metar, ours: Observation) -> list[str]:
    known = {code for text in ours.weather if (group := parse_weather(text)) for code in group.phenomena}
    missed = []
    for parts in theirs.weather:
        text = "".join(part for part in parts if part)
        group = parse_weather(text)
        if group is not None and not set(group.phenomena) <= known:
            missed.append(text)
    return missed

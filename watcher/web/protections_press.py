"""From a posted form to a press on the page of a treated aircraft."""

from __future__ import annotations

import re
import secrets
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Final

from watcher.errors import Problem, UsageError
from watcher.moments import time_ahead
from watcher.notify.wording import plain
from watcher.treatment.parse_asked import visibility_of, weather_of
from watcher.treatment.press import Press, PressKind
from watcher.treatment.protection_weather import Entered

# What a crew can tell by looking, the groups as they are reported.
SEEN: Final = {
    "-SN": "light snow",
    "SN": "moderate snow",
    "+SN": "heavy snow",
    "SG": "snow grains",
    "PL": "ice pellets",
    "GS": "small hail",
    "FZFG": "freezing fog",
    "-FZDZ": "light freezing drizzle",
    "FZDZ": "freezing drizzle",
    "-FZRA": "light freezing rain",
    "FZRA": "freezing rain",
    "-RA": "light rain",
    "RA": "rain",
    "RASN": "rain and snow",
}
# Pressed by accident they would take the clocks away, or let a wait seem over.
ASKED_TWICE: Final = frozenset({PressKind.TREATED, PressKind.TOOK_OFF, PressKind.RETURNED})
_ID = re.compile(r"[A-Za-z0-9_-]{8,64}")
_LONGEST_ID = 64


def new_id() -> str:
    """Return an id for the press of a form, so that a form that is sent twice counts once."""
    return secrets.token_urlsafe(12)


def press_of(fields: Mapping[str, str], now: datetime) -> Press:
    """Return what a form says.

    Parameters
    ----------
    fields
        `id`, `kind`; `at`: when it was pressed, in milliseconds since 1970, now where it is left out; `step`, `of`;
        `weather`, `visibility`, `frost` of what is seen; `take_off`, such as 0531Z, empty where it is not known any
        more.
    now
        Aware UTC.

    Raises
    ------
    UsageError
        It cannot be read.
    """
    name, kind = fields.get("id", ""), fields.get("kind", "")
    if not _ID.fullmatch(name):
        raise UsageError([Problem("id", "is missing, or is none", "8 to 64 letters, digits, - and _")])
    if kind not in list(PressKind):
        raise UsageError([Problem("kind", f'"{plain(kind)}" is not known', f"allowed: {', '.join(PressKind)}")])
    at = _moment(fields["at"]) if fields.get("at") else now
    press = Press(name, PressKind(kind), at, step=_short(fields.get("step")), of=_short(fields.get("of")))
    if press.kind is PressKind.SEEN:
        return Press(name, press.kind, at, entered=_entered(fields, at))
    if press.kind is PressKind.EXPECTS:
        return Press(name, press.kind, at, take_off_at=_take_off(fields.get("take_off", ""), at))
    return press


def _moment(text: str) -> datetime:
    try:
        return datetime.fromtimestamp(int(text) / 1000, UTC)
    except (ValueError, OverflowError, OSError) as error:
        raise UsageError([Problem("at", "is no time", "milliseconds since 1970")]) from error


def _short(text: str | None) -> str | None:
    return text[:_LONGEST_ID] if text else None


def _entered(fields: Mapping[str, str], at: datetime) -> Entered:
    weather = weather_of(fields["weather"], "weather") if fields.get("weather") else ()
    metres, bound = visibility_of(fields["visibility"], "visibility") if fields.get("visibility") else (None, None)
    frost = fields.get("frost") == "yes"
    if not weather and metres is None and not frost:
        what = "choose what falls, a visibility or frost; better weather is not entered, it lengthens nothing"
        raise UsageError([Problem("weather", "nothing was entered", what)])
    return Entered(at, weather or None, 0.0 if bound == "below" else metres, frost)


def _take_off(text: str, at: datetime) -> datetime | None:
    given = text.strip()
    if not given:
        return None
    return time_ahead("take_off", given if given.upper().endswith("Z") else f"{given}Z", at)

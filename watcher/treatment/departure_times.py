"""Times as people write them in a list of departures: in Z, local, with a zone, or with the day."""

from __future__ import annotations

import re
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from watcher.units import parse_iso_z

TIMES = "write 0540Z, 06:40 local, 06:40 Europe/Oslo or 2026-01-12T05:40Z"
_CLOCK = re.compile(r"(?P<hour>2[0-3]|[01]?\d):?(?P<minute>[0-5]\d)\s*(?P<zone>[A-Za-z].*|)")


def first_from(text: str, zone: str | None, after: datetime) -> datetime:
    """Return a time; one without a day is the first at or after another time.

    Parameters
    ----------
    text
        As written.
    zone
        IANA zone that ``local`` means.
    after
        Aware UTC.

    Raises
    ------
    ValueError
        It is no time, or does not say of which zone; in words.
    """
    moments = _moments(text, zone, after)
    return moments[0] if len(moments) == 1 else next(moment for moment in moments if moment >= after)


def last_until(text: str, zone: str | None, before: datetime) -> datetime:
    """Return a time; one without a day is the last at or before another time. As `first_from`."""
    moments = _moments(text, zone, before)
    return moments[0] if len(moments) == 1 else [moment for moment in moments if moment <= before][-1]


def _moments(text: str, zone: str | None, about: datetime) -> list[datetime]:
    """Return the time, or where the day is left out those of the days about another time."""
    clock = _CLOCK.fullmatch(text)
    if clock is None:
        return [_full(text)]
    place = _zone(text, clock["zone"].strip(), zone)
    wall, day = time(int(clock["hour"]), int(clock["minute"])), about.astimezone(place).date()
    days = [datetime.combine(day + timedelta(days=number), wall, place) for number in (-1, 0, 1)]
    return [parse_iso_z(each.isoformat()) for each in days]


def _full(text: str) -> datetime:
    try:
        return parse_iso_z(re.sub(r"^(\d{4}-\d\d-\d\d) ", r"\1T", text))
    except (ValueError, OverflowError) as error:
        raise ValueError(f'"{text}" is no time') from error


def _zone(text: str, word: str, local: str | None) -> ZoneInfo:
    if word.casefold() in {"z", "utc"}:
        return ZoneInfo("UTC")
    if word.casefold() in {"l", "lt", "local"}:
        word = local or ""
    if not word:
        raise ValueError(f'"{text}" does not say whether it is Z or local')
    try:
        return ZoneInfo(word)
    except (KeyError, ValueError, OSError) as error:
        raise ValueError(f'"{word}" is no time zone') from error

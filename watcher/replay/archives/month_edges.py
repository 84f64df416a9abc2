"""Reports at the edges of a month, where only the month is known: of the evening before, of its end, or of its morning.

An archive of January may begin with 31 December and end with 1 February, and its texts say no more than the 31st and
the 1st. What stands around them tells: reports of days that no other month about it can have.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from itertools import pairwise
from typing import NamedTuple

from watcher.replay.archives.dates import Dated
from watcher.replay.archives.entries import Entry

_NAMED = r"\b([A-Z][A-Z0-9]{3}) (?:(?:COR|AMD|AUTO|NIL) )*\d{6}Z?\b"
_STATION = re.compile(_NAMED)
_HEAD_LETTERS = 48
_IN_BYTES = re.compile(rb"\b([A-Z][A-Z0-9]{3}) (\d{6}Z)\b")
# How far beyond a block its neighbours are looked for.
LOOK_BYTES = 1 << 16


class Sure(NamedTuple):
    """A report whose month is sure: its station, and a time not far from its own."""

    station: str
    at: datetime


def last_sure(body: bytes, dated: Dated) -> Sure | None:
    """Return the last report in a part of a file that can be of one month only; None without any."""
    for first in (max(0, len(body) - LOOK_BYTES), 0):
        found = _first_of(reversed(list(_IN_BYTES.finditer(body, first))), dated)
        if found is not None:
            return found
    return None


def first_sure(body: bytes | bytearray, dated: Dated) -> Sure | None:
    """Return the first such report."""
    return _first_of(_IN_BYTES.finditer(body), dated)


def _first_of(matches: Iterable[re.Match[bytes]], dated: Dated) -> Sure | None:
    for match in matches:
        times = dated.times_of(match[2].decode())
        if len(times) == 1:
            return Sure(match[1].decode(), times[0])
    return None


def settled(entries: Iterable[Entry], before: Sure | None, after: Sure | None) -> Iterator[Entry]:
    """Yield entries in their order, each with one time.

    The nearest report of its station whose month is sure decides; where a station has none, that of any, if reports of
    different stations stand between each other, as where a file goes by time. Else it is the order: an archive that
    begins with the 31st and goes on with the 1st began on the evening before its month.

    Parameters
    ----------
    entries
        Of one block.
    before, after
        The last report before the block, and the first one after it, whose month is sure.
    """
    every = list(entries)
    if all(entry.or_near is None for entry in every):
        yield from every
        return
    stations = [_station(entry) for entry in every]
    changes = sum(one != other for one, other in pairwise(stations))
    by_time = 2 * changes > len(every)
    sure = [entry.near if entry.or_near is None else None for entry in every]
    own = any_station = _nearest(stations, sure, before, after)
    together = [""] * len(every) if by_time else stations
    if by_time:
        nameless = (Sure("", one.at) if one is not None else None for one in (before, after))
        any_station = _nearest(together, sure, *nameless)
    in_order = _in_order(together, every)
    for entry, *near in zip(every, own, any_station, in_order, strict=True):
        yield entry if entry.or_near is None else _decided(entry, next((at for at in near if at is not None), None))


def _station(entry: Entry) -> str:
    match = _STATION.search(entry.text, 0, _HEAD_LETTERS)
    return match[1] if match is not None else ""


def _decided(entry: Entry, near: datetime | None) -> Entry:
    assert entry.near is not None
    assert entry.or_near is not None
    if near is None or abs(entry.near - near) <= abs(entry.or_near - near):
        return entry._replace(or_near=None)
    return entry._replace(near=entry.or_near, or_near=None)


def _nearest(
    stations: Sequence[str], sure: Sequence[datetime | None], before: Sure | None, after: Sure | None
) -> list[datetime | None]:
    """Return for each entry the sure time that stands nearest to it among those of its station, of two the earlier."""
    earlier = _last_of_each(stations, sure, before)
    later = _last_of_each(stations[::-1], sure[::-1], after)[::-1]
    last = len(stations) - 1
    found = []
    for place, (one, other) in enumerate(zip(earlier, later, strict=True)):
        if one is None or other is None:
            chosen = one or other
        else:
            chosen = one if place - one[0] <= last - other[0] - place else other
        found.append(chosen[1] if chosen is not None else None)
    return found


def _last_of_each(
    stations: Sequence[str], sure: Sequence[datetime | None], before: Sure | None
) -> list[tuple[int, datetime] | None]:
    """Return for each entry where the last sure one of its station stood, and its time."""
    last: dict[str, tuple[int, datetime]] = {} if before is None else {before.station: (-1, before.at)}
    found = []
    for place, (station, at) in enumerate(zip(stations, sure, strict=True)):
        if at is not None:
            last[station] = (place, at)
        found.append(last.get(station))
    return found


def _in_order(groups: Sequence[str], every: Sequence[Entry]) -> list[datetime | None]:
    """Return where the order alone puts the entries of a group: at the beginning of their month, or at its end."""
    doubtful: dict[str, list[Entry]] = {}
    for group, entry in zip(groups, every, strict=True):
        if entry.or_near is not None:
            doubtful.setdefault(group, []).append(entry)
    put = {group: _edge(found) for group, found in doubtful.items()}
    return [put.get(group) for group in groups]


def _edge(doubtful: Sequence[Entry]) -> datetime | None:
    """Return a time at the edge where such entries stand; None where they are of one day and so of the month itself."""
    times = [entry.near for entry in doubtful if entry.near is not None]
    # Forwards, the 31st before the 1st: the beginning, which the 1st is near. Backwards: the end, and so the 31st.
    begins_late = times[0].day != 1
    return next((at for at in times if (at.day == 1) is begins_late), None)

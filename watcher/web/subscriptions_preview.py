"""What a subscription would have told in the last week, as its page shows it, and what that does not show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from watcher.alerts.preview import Preview, PreviewCounts, PreviewDigest, PreviewMessage
from watcher.notify.wording import TOLD_AS_WORDS, plain, when
from watcher.units import clock_z, duration_text
from watcher.web.house import House

BACK = timedelta(days=7)
_MOST_SHOWN = 40


@dataclass(frozen=True, slots=True)
class Line:
    """One message or digest. `told`: what each thing in it is, and its headline."""

    at: str
    moment: datetime
    destination: str
    level: str | None
    told: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Figures:
    """The messages to one destination: how many, on which days (None: nothing is kept of it), and how they lie."""

    destination: str
    messages: int
    days: tuple[tuple[str, int | None], ...]
    most: int
    words: str


@dataclass(frozen=True, slots=True)
class Seen:
    """A preview. `since`: the first event that is kept, where the week begins earlier; None: it is covered.

    `nothing_kept`: there is no event of that time, so that nothing can be said. `left_off`: lines that are not shown.
    """

    figures: tuple[Figures, ...]
    lines: tuple[Line, ...]
    left_off: int
    since: str | None
    nothing_kept: bool
    kept: str
    nobody: bool


async def look_back(house: House, values: Mapping[str, Any], zone: str | None) -> Seen:
    """Return what a subscription with these values would have told in the last week.

    Raises
    ------
    UsageError
        With all that is wrong with the values.
    """
    now = house.clock()
    begin = now - BACK

    def work() -> tuple[Preview, datetime | None]:
        seen = house.management.preview(None, values, begin=begin, until=now)
        first = house.store.events_after(0, 1)
        return seen, first[0][1].at if first else None

    seen, first = await house.heavy.run(work)
    # What is not kept was not "nothing open".
    digests = [item for item in seen.digests if first is not None and item.at >= first]
    lines = sorted(
        [*(_message(item, zone) for item in seen.messages), *(_digest(item, zone) for item in digests)],
        key=lambda line: line.moment,
        reverse=True,
    )
    return Seen(
        figures=tuple(_figures(item, first or now) for item in seen.counts),
        lines=tuple(lines[:_MOST_SHOWN]),
        left_off=max(len(lines) - _MOST_SHOWN, 0),
        since=when(first, zone) if first is not None and first > begin else None,
        nothing_kept=first is None,
        kept=duration_text(house.settings.text.watch.keep),
        nobody="to" not in values,
    )


def _message(item: PreviewMessage, zone: str | None) -> Line:
    told = tuple((TOLD_AS_WORDS[one.told_as], plain(one.headline)) for one in item.items)
    level = item.level.word if item.level is not None else None
    return Line(when(item.at, zone), item.at, item.destination, level, told)


def _digest(item: PreviewDigest, zone: str | None) -> Line:
    listed = f"{item.subjects} open alerts at {item.stations} stations" if item.subjects else "nothing open"
    level = item.worst.word if item.worst is not None else None
    return Line(when(item.at, zone), item.at, item.destination, level, (("Digest", listed),))


def _figures(item: PreviewCounts, first: datetime) -> Figures:
    kept_from = first.astimezone(ZoneInfo(item.zone)).date()
    levels = [
        f"{count} {level.word if level is not None else 'about blindness'}" for level, count in item.by_level if count
    ]
    words = [", ".join(levels)] if levels else []
    words.append(f"{item.at_night} of them at night, 22 to 06 by {item.zone}")
    if item.busiest_hour is not None:
        hour, most = item.busiest_hour
        words.append(f"busiest hour: {hour:%d} {hour:%b}, from {clock_z(hour)}, with {most}")
    return Figures(
        destination=item.destination,
        messages=item.messages,
        days=tuple((f"{day:%a} {day.day}", count if day >= kept_from else None) for day, count in item.by_day),
        most=max((count for _, count in item.by_day), default=0),
        words="; ".join(words) if item.messages else "",
    )

"""The time axis that the larger drawings share: where a time stands, hours in Z with the local time beneath."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from watcher.physics.sun import is_night, sun_elevation_deg
from watcher.pictures.labels import width_of
from watcher.pictures.svg import Svg, element, joined, text
from watcher.reports.station import Station
from watcher.units import clock_z, zone_named

_STEPS_MIN = (5, 10, 15, 30, 60, 120, 180, 360, 720, 1440)
_LEAST_STEP_PX, _HALF_TIME_PX = 50, 20
_SUN_EVERY = timedelta(minutes=10)
# Height of both lines of times beneath a drawing.
FOOT_PX = 34


class Span(NamedTuple):
    """From a time to a later one."""

    begins_at: datetime
    ends_at: datetime


class TimeMark(NamedTuple):
    """A time to be marked: ``off-block``, ``treated``."""

    at: datetime
    words: str


@dataclass(frozen=True, slots=True)
class Axis:
    """Times from `begins_at` at `left` px to `ends_at` at `right` px, in a drawing of `width` px.

    `least_step_min`: minutes from one label to the next, at least.
    """

    begins_at: datetime
    ends_at: datetime
    left: int
    right: int
    width: int
    least_step_min: int = 5

    def x(self, at: datetime) -> int:
        """Return where a time stands; what lies outside stands at the edge."""
        share = (at - self.begins_at) / (self.ends_at - self.begins_at)
        return round(self.left + min(1.0, max(0.0, share)) * (self.right - self.left))

    def shows(self, at: datetime) -> bool:
        """Return whether a time lies on the axis."""
        return self.begins_at <= at <= self.ends_at

    @property
    def step(self) -> timedelta:
        """Return the time from one label to the next."""
        minutes = (self.ends_at - self.begins_at).total_seconds() / 60
        px_a_minute = (self.right - self.left) / minutes
        fit = (m for m in _STEPS_MIN if m >= self.least_step_min and m * px_a_minute >= _LEAST_STEP_PX)
        return timedelta(minutes=next(fit, _STEPS_MIN[-1]))

    def ticks(self) -> Iterator[datetime]:
        """Yield the times that are labelled, whole steps of the day in UTC."""
        begin = self.begins_at.astimezone(UTC)
        at = datetime(begin.year, begin.month, begin.day, tzinfo=UTC)
        while at <= self.ends_at:
            if at >= self.begins_at:
                yield at
            at += self.step


def grid(axis: Axis, top: int, bottom: int) -> Svg:
    """Return a thin upright line at each labelled time."""
    ways = "".join(f"M{axis.x(at)} {top}V{bottom}" for at in axis.ticks())
    return element("path", d=ways, class_="grid")


def times(axis: Axis, y: int, zone: str | None) -> Svg:
    """Return the times in Z, and the local ones beneath. `y`: top of both lines; `zone`: None or unknown: Z only."""
    local = zone_named(zone)
    found = []
    for at in axis.ticks():
        x = axis.x(at)
        if not _HALF_TIME_PX <= x <= axis.width - _HALF_TIME_PX:
            continue
        found.append(element("text", text(clock_z(at)), x=x, y=y + 13, text_anchor="middle"))
        if local is not None:
            shown = f"{at.astimezone(local):%H:%M}"
            found.append(element("text", text(shown), x=x, y=y + 28, text_anchor="middle", class_="soft"))
    if local is not None and zone is not None:
        place = zone.rpartition("/")[2].replace("_", " ")
        first = axis.x(next(axis.ticks(), axis.begins_at))
        if first - 20 >= width_of(place, 12):
            found.append(element("text", text(place), x=0, y=y + 28, class_="soft"))
    return joined(found)


def shaded(axis: Axis, spans: Sequence[Span], top: int, bottom: int) -> Svg:
    """Return the nights as a ground."""
    return joined(
        element(
            "rect",
            x=axis.x(span.begins_at),
            y=top,
            width=axis.x(span.ends_at) - axis.x(span.begins_at),
            height=bottom - top,
            class_="night",
        )
        for span in spans
        if axis.x(span.ends_at) > axis.x(span.begins_at)
    )


def marked(axis: Axis, marks: Sequence[TimeMark], top: int, bottom: int) -> Svg:
    """Return upright lines with their words at the top; words that would touch go into a second or third line."""
    found, free_from = [], [float("-inf")] * 3
    for mark in sorted(marks):
        if not axis.shows(mark.at):
            continue
        x, words = axis.x(mark.at), f"{mark.words} {clock_z(mark.at)}"
        width = width_of(words, 12, bold=True)
        to_left = x + width > axis.width
        first = x - width if to_left else x
        row = next((row for row, free in enumerate(free_from) if free <= first), 0)
        free_from[row] = first + width + 10
        y = top + 11 + 14 * row
        anchor = "end" if to_left else None
        found.append(element("path", d=f"M{x} {y + 3}V{bottom}", class_="mark"))
        found.append(element("text", text(words), x=x, y=y, text_anchor=anchor, class_="bold"))
    return joined(found)


def rows_of_marks(axis: Axis, marks: Sequence[TimeMark]) -> int:
    """Return the height that the words of marks need, in px."""
    shown = sum(axis.shows(mark.at) for mark in marks)
    return 0 if not shown else 16 if shown == 1 else 30 if shown == 2 else 44


def nights_of(station: Station, begins_at: datetime, ends_at: datetime) -> tuple[Span, ...]:
    """Return when the sun is down at a station, to ten minutes; nothing where its position is not known."""
    latitude, longitude = station.latitude_deg, station.longitude_deg
    if latitude is None or longitude is None:
        return ()
    found: list[Span] = []
    at = begins_at
    while at < ends_at:
        until = min(at + _SUN_EVERY, ends_at)
        if is_night(sun_elevation_deg(latitude, longitude, at)):
            if found and found[-1].ends_at == at:
                found[-1] = Span(found[-1].begins_at, until)
            else:
                found.append(Span(at, until))
        at = until
    return tuple(found)


def spoken(at: datetime, zone: str | None) -> str:
    """Return a time, Z first: ``0130Z (02:30 Europe/Oslo)``."""
    local = zone_named(zone)
    return clock_z(at) if local is None else f"{clock_z(at)} ({at.astimezone(local):%H:%M} {zone})"

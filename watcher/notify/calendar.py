"""Expected icing as a calendar (RFC 5545, with names and refresh of RFC 7986): one entry for each alert.

An entry keeps its name from the first message to the end: what was expected is tentative, what is reported is
confirmed, what is given up is cancelled. The times are those of the alert as it stands, not of its last message. What
is reported and has not ended reaches a little into the future: without an end it would be over as it begins (RFC 5545,
section 3.6.1), and calendars would show nothing now.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from uuid import NAMESPACE_URL, uuid5

from watcher.alerts.model import Episode, Event, EventType
from watcher.notify.message import CAUTION, Part, part_of
from watcher.notify.wording import plain, when
from watcher.reports.station import Station
from watcher.rulebook.words import Kind

MEDIA_TYPE = "text/calendar"
REFRESH = timedelta(minutes=15)
# What has not ended reaches to the next of these steps, so that the calendar changes no more often than it is read.
_STEP = timedelta(minutes=15)
# Section 3.1: lines of at most 75 octets without the line break; a continuation begins with one blank.
_LINE_OCTETS = 75
_ESCAPES = str.maketrans({"\\": "\\\\", ";": "\\;", ",": "\\,", "\n": "\\n"})

Properties = Iterator[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Period:
    """An alert in a calendar. `event`: its last; `blind_since`: of its station, None while that is seeing."""

    episode: Episode
    event: Event
    place: Station
    blind_since: datetime | None = None


def calendar(
    periods: Sequence[Period],
    *,
    now: datetime,
    subject: str,
    about: str,
    authority: str,
    page: Callable[[str], str],
    home: str,
) -> bytes:
    """Return a calendar.

    Parameters
    ----------
    periods
        Alerts that somebody was told of, in any order.
    now
        The present, aware UTC. It moves the end of what has not ended, a quarter of an hour at a time.
    subject
        What it is of, in a word that lasts: the code of the station, or ``all``.
    about
        The same for people.
    authority
        The host that the names of the entries end with; it must stay the same.
    page
        The address of a station's page, by its code.
    home
        The address of the page of all that the calendar is of.
    """
    lines = [*_head(subject, about, authority, home)]
    for period in sorted(periods, key=lambda item: (item.episode.began_at, item.episode.id)):
        lines += [("BEGIN", "VEVENT"), *_event(period, now, authority, page), ("END", "VEVENT")]
    if not periods:
        # Section 3.6 asks for one component at least; the zone of all times here stands in an empty calendar.
        lines += [("BEGIN", "VTIMEZONE"), ("TZID", "UTC"), ("BEGIN", "STANDARD"), ("DTSTART", "19700101T000000")]
        lines += [("TZOFFSETFROM", "+0000"), ("TZOFFSETTO", "+0000"), ("END", "STANDARD"), ("END", "VTIMEZONE")]
    lines.append(("END", "VCALENDAR"))
    return b"".join(_folded(f"{name}:{value}") for name, value in lines)


def changed_at(periods: Sequence[Period], now: datetime, empty_at: datetime) -> datetime:
    """Return when the newest of the entries changed; `empty_at` without any."""
    return max((_modified(period, now) for period in periods), default=empty_at)


def _head(subject: str, about: str, authority: str, home: str) -> Properties:
    yield "BEGIN", "VCALENDAR"
    yield "VERSION", "2.0"
    yield "PRODID", "-//Hoarline//Expected icing//EN"
    yield "UID", str(uuid5(NAMESPACE_URL, f"https://{authority}/expected/{subject}"))
    yield "NAME", _escaped(f"Expected icing: {plain(about)}")
    yield "DESCRIPTION", _escaped(f"When treatment of aircraft is expected to be needed. {CAUTION}")
    yield "URL", home
    yield "REFRESH-INTERVAL;VALUE=DURATION", f"PT{int(REFRESH.total_seconds() // 60)}M"


def _event(period: Period, now: datetime, authority: str, page: Callable[[str], str]) -> Properties:
    episode, place = period.episode, period.place
    told_first = episode.opened_at or episode.began_at
    yield "UID", f"{episode.id}-{_time(told_first)}@{authority}"
    # Without a METHOD, DTSTAMP says when the entry was revised last (section 3.8.7.2), as LAST-MODIFIED does.
    yield "DTSTAMP", _time(_modified(period, now))
    yield "LAST-MODIFIED", _time(_modified(period, now))
    yield "CREATED", _time(told_first)
    yield "SEQUENCE", str(episode.seq)
    yield "DTSTART", _time(episode.began_at)
    ends_at = _ends_at(episode, now)
    if ends_at is not None and ends_at > episode.began_at:
        yield "DTEND", _time(ends_at)
    yield "SUMMARY", _escaped(_summary(period))
    yield "DESCRIPTION", _escaped("\n".join(_description(period)))
    yield "LOCATION", _escaped(plain(f"{place.code} {place.name}" if place.name else place.code))
    if place.latitude_deg is not None and place.longitude_deg is not None:
        yield "GEO", f"{place.latitude_deg:.4f};{place.longitude_deg:.4f}"
    yield "URL", page(episode.station)
    yield "CATEGORIES", ",".join(map(_escaped, ("Icing", episode.level.word, episode.flag.value)))
    yield "STATUS", _status(period)
    yield "TRANSP", "TRANSPARENT"


def _ends_at(episode: Episode, now: datetime) -> datetime | None:
    """Return when it ended or is expected to; of what is reported and has not ended, the next quarter at least."""
    if episode.kind is Kind.EXPECTED:
        return episode.until
    if episode.ended_at is not None:
        return episode.ended_at
    reached = _quarter(max(now, episode.began_at)) + _STEP
    return max(episode.until or reached, reached)


def _reaches_with_time(episode: Episode, now: datetime) -> bool:
    """Return whether the end of an entry is where it is because of the present."""
    stands = episode.kind is Kind.OBSERVED and episode.ended_at is None
    return stands and _ends_at(episode, now) != episode.until


def _quarter(moment: datetime) -> datetime:
    """Return when the quarter of an hour began that a moment lies in."""
    return moment - (moment - datetime.min.replace(tzinfo=UTC)) % _STEP


def _status(period: Period) -> str:
    """Return whether it may come, is or was there, or is given up. A forecast is never more than tentative."""
    episode = period.episode
    if episode.ended_at is not None and (episode.kind is Kind.EXPECTED or period.event.type is EventType.WITHDRAWN):
        return "CANCELLED"
    return "CONFIRMED" if episode.kind is Kind.OBSERVED else "TENTATIVE"


def _summary(period: Period) -> str:
    """Return a line without times, which the calendar shows itself; of what is over, the line that was told."""
    episode = period.episode
    if episode.ended_at is not None:
        return part_of(period.event, period.event.at).headline
    what = episode.flag.value.replace("-", " ")
    blind = ", station blind" if period.blind_since is not None else ""
    if episode.kind is Kind.OBSERVED:
        return f"{episode.station} {episode.level.word}: {what} reported, not ended{blind}"
    how = f", {episode.certainty.value}" if episode.certainty is not None else ""
    beyond = ", may go on after this" if _goes_on(episode) else ""
    return f"{episode.station} {episode.level.word} expected: {what}{how}{beyond}{blind}"


def _goes_on(episode: Episode) -> bool:
    return any(item.odds is not None and item.odds.goes_on for item in episode.expected)


def _description(period: Period) -> Iterator[str]:
    part = part_of(period.event, period.event.at)
    zone = part.body.zone
    yield f"Next step: {part.body.next_step}"
    yield f"Told {when(period.event.at, zone)}: {part.headline}"
    yield f"Why: {part.body.why}"
    if period.blind_since is not None:
        yield f"Station blind since {when(period.blind_since, zone)}: this stands as it was; check by other means."
    yield from _sources(part)
    yield CAUTION


def _sources(part: Part) -> Iterator[str]:
    if part.body.raw is not None:
        yield f"Report: {part.body.raw}"
    if part.body.forecast_raw is not None:
        yield f"TAF: {part.body.forecast_raw}"


def _modified(period: Period, now: datetime) -> datetime:
    episode, event = period.episode, period.event
    modified = max(episode.changed_at, event.at, period.blind_since or event.at)
    # Readers that compare revisions take the entry anew when its end has moved.
    return max(modified, _quarter(now)) if _reaches_with_time(episode, now) else modified


def _time(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def _escaped(text: str) -> str:
    return text.translate(_ESCAPES)


def _folded(line: str) -> bytes:
    """Return a content line, broken where it is too long, never inside of a character."""
    rest = line.encode()
    folded = b""
    while len(rest) > _LINE_OCTETS:
        cut = _LINE_OCTETS
        while rest[cut] & 0xC0 == 0x80:  # the octets of UTF-8 that begin no character
            cut -= 1
        folded += rest[:cut] + b"\r\n"
        rest = b" " + rest[cut:]
    return folded + rest + b"\r\n"

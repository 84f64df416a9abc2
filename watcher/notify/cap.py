"""An event as a message of the Common Alerting Protocol (OASIS Standard CAP 1.2, 1 July 2010; ITU-T X.1303 bis).

All that is written follows from the event itself, so the same event is the same message, whoever asks and whenever.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from urllib.parse import quote

from lxml import etree

from watcher.alerts.model import ENDINGS, DigestLine, Event, EventBody, EventType, SubjectKind
from watcher.notify.cap_words import message_type, subject_of, weight_of
from watcher.notify.message import CAUTION, Part, part_of
from watcher.notify.wording import plain
from watcher.reports.station import Station
from watcher.rulebook.words import Kind
from watcher.units import percent

NAMESPACE = "urn:oasis:names:tc:emergency:cap:1.2"
MEDIA_TYPE = "application/cap+xml"
# A report speaks for the aerodrome, up to about 8 km from its reference point; what is farther is "VC" (ICAO Annex 3,
# appendix 3, on vicinity; from memory).
_RADIUS_KM = 8
# Section 3.2.1: no spaces, no commas, no restricted characters.
_NAME = re.compile(r"[^\s,<&]+")
# Doc 7910 knows four letters; other codes are no location indicators.
_LOCATION_INDICATOR = re.compile(r"[A-Z]{4}")
_FOR_WHOM = {
    SubjectKind.PROTECTION: "For the crew of the aircraft and for those who treat it.",
    SubjectKind.DIGEST: "For the one who asked for this digest.",
}
_FOR_OPERATIONS = "For those who plan and carry out the treatment of aircraft; no warning of the public."
# An AllClear is of one matter; read as the station's it would hide the others.
_OTHERS_STAND = "This ends one alert; others of the station stand until each is ended."
_TRAINING = "Training: the figures are not of this season. Nobody acts on them."
_TEST = "A test of the way to the recipient. Nothing has happened."

Items = Iterator[tuple[str, str | None]]


@dataclass(frozen=True, slots=True)
class Said:
    """An event as it was, or is to be, said to somebody, and the name of that message."""

    event: Event
    name: str


def cap_alert(history: Sequence[Event], *, sender: str, base_url: str | None, place: Station | None) -> bytes:
    """Return the last event of a subject as a CAP 1.2 document.

    Parameters
    ----------
    history
        The events of one subject in their order; the last is told. Earlier ones of the same matter are its references:
        an update takes their place. A station is blind again and again; what was said before it last saw is over.
    sender
        Who says it, unique in the world, such as ``hoarline@ice.example.org``. No spaces, commas, ``<`` or ``&``.
    base_url
        Where people reach the service, with a slash at its end or without; None where no page can be named.
    place
        Where the station is; None, or without a position: the area has no circle.

    Raises
    ------
    ValueError
        There is no event, or the sender has a character that the standard forbids.
    """
    return cap_document(
        [Said(event, identifier(event)) for event in history], sender=sender, base_url=base_url, place=place
    )


def cap_document(history: Sequence[Said], *, sender: str, base_url: str | None, place: Station | None) -> bytes:
    """Return the last of what was said to somebody as a CAP 1.2 document; else as `cap_alert`."""
    if not history or _NAME.fullmatch(sender) is None:
        raise ValueError(f'a CAP message needs an event, and a sender without spaces, commas, "<" and "&": "{sender}"')
    event = history[-1].event
    part = part_of(event, event.at)
    alert = etree.fromstring(f'<alert xmlns="{NAMESPACE}"/>')
    _put(alert, _head(part, history[-1], _earlier(history), sender))
    info = _child(alert, "info")
    _put(info, _told(part, event, sender, base_url))
    for name, value in _parameters(part, event):
        if value is not None:
            _put(_child(info, "parameter"), (("valueName", name), ("value", value)))
    _put_areas(info, part.body, place)
    document: bytes = etree.tostring(alert, xml_declaration=True, encoding="UTF-8", pretty_print=True)
    return document


def identifier(event: Event) -> str:
    """Return the name of an event's message, unique for its sender even where a service has begun anew."""
    return f"{quote(event.id, safe='')}_{event.at.astimezone(UTC):%Y%m%dT%H%M%SZ}"


def cap_time(moment: datetime) -> str:
    """Return a time as the standard has it: ``2026-01-12T05:50:00-00:00``; "Z" is forbidden (section 3.3.2)."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S-00:00")


def _earlier(history: Sequence[Said]) -> Sequence[Said]:
    """Return what was said of the same matter before its last event: since the last ending, and no other digests."""
    *before, last = history
    event = last.event
    if event.subject_kind is SubjectKind.DIGEST or event.type is EventType.TEST:
        return ()
    since = next((index + 1 for index in reversed(range(len(before))) if before[index].event.type in ENDINGS), 0)
    return before[since:]


def _head(part: Part, said: Said, earlier: Sequence[Said], sender: str) -> Items:
    body, event = part.body, said.event
    training = body.protection is not None and body.protection.training
    test = event.type is EventType.TEST
    yield "identifier", said.name
    yield "sender", sender
    yield "sent", cap_time(event.at)
    yield "status", "Test" if test else "Exercise" if training else "Actual"
    yield "msgType", message_type(event.type, body.kind, first=not earlier)
    yield "source", f"Hoarline, rulebook {plain(body.rulebook)}" if body.rulebook else "Hoarline"
    # What it says is for people with a known operational need: read by anybody else it would be misunderstood.
    yield "scope", "Restricted"
    yield "restriction", _FOR_WHOM.get(event.subject_kind, _FOR_OPERATIONS)
    yield "note", _TEST if test else _TRAINING if training else None
    yield "references", " ".join(f"{sender},{one.name},{cap_time(one.event.at)}" for one in earlier) or None


def _told(part: Part, event: Event, sender: str, base_url: str | None) -> Items:
    body = part.body
    weight = weight_of(event.type, body, event.at)
    yield "language", "en"
    yield "category", "Met"
    yield "category", "Transport"
    yield "event", subject_of(event.type, body)
    yield "responseType", weight.response
    yield "urgency", weight.urgency
    yield "severity", weight.severity
    yield "certainty", weight.certainty
    yield "audience", "Dispatchers, flight crews and ramp crews"
    yield "effective", cap_time(event.at)
    yield "onset", cap_time(body.begins_at) if body.begins_at is not None and body.flag is not None else None
    expires = _expires(event, body)
    yield "expires", cap_time(expires) if expires is not None else None
    yield "senderName", f"Hoarline, {sender}"
    yield "headline", part.headline
    yield "description", "\n".join(_description(part))
    others = f" {_OTHERS_STAND}" if part.ending and part.episode is not None else ""
    yield "instruction", f"{body.next_step}{others} {CAUTION}"
    yield "web", _page(body.station, base_url) if base_url is not None else None


def _expires(event: Event, body: EventBody) -> datetime | None:
    """Return when a message stops to hold by itself: at the end of what is expected, where that end is known.

    What is observed has no such time: it holds until the next message of the matter. A time made up for it would
    take an alert off a screen while the weather goes on. An end that a forecast did not reach is none either.
    """
    reaches_end = body.odds is None or not body.odds.goes_on
    ahead = body.kind is Kind.EXPECTED and event.type not in ENDINGS and body.until is not None
    return body.until if ahead and reaches_end and body.until is not None and body.until > event.at else None


def _description(part: Part) -> Iterator[str]:
    for line in part.lines:
        if line.label != "Next step":
            yield f"{line.label}: {line.text}"
    for aircraft in part.body.parked:
        yield f"{aircraft.headline}. {aircraft.next_step}"
    for station in part.body.lines:
        yield f"{station.headline}. {station.next_step}"
        yield from station.also


def _page(station: str, base_url: str) -> str:
    base = base_url.rstrip("/")
    return f"{base}/stations/{quote(station, safe='')}" if station else f"{base}/"


def _parameters(part: Part, event: Event) -> Items:
    """Yield what the standard has no element for, under the names of the webhook contract."""
    body = part.body
    yield "type", event.type.value
    yield "event", event.id
    yield "episode", part.episode
    yield "flag", body.flag.value if body.flag is not None else None
    yield "level", body.level.word if body.level is not None else None
    yield "previous_level", body.previous_level.word if body.previous_level is not None else None
    yield "no_time", body.no_time.value if body.no_time is not None else None
    yield "kind", body.kind.value if body.kind is not None else None
    yield "phase", body.phase.value if body.phase is not None else None
    yield "certainty", body.certainty.value if body.certainty is not None else None
    if body.odds is not None:
        yield "probability", percent(body.odds.probability)
        yield "begins_between", _span(body.odds.begins_between)
        yield "ends_between", _span(body.odds.ends_between)
    yield "until", cap_time(body.until) if body.until is not None else None
    yield "observed_at", cap_time(body.observed_at) if body.observed_at is not None else None
    yield "raw", body.raw
    yield "forecast_raw", body.forecast_raw
    yield "acknowledged_by", body.by
    if body.protection is not None:
        yield "protection", body.protection.id
        yield "standing", body.protection.standing.value


def _span(span: tuple[datetime, datetime] | None) -> str | None:
    return " ".join(map(cap_time, span)) if span is not None else None


def _put_areas(info: etree._Element, body: EventBody, place: Station | None) -> None:
    """Add where it is: the station, or all of a digest, each named once."""
    named: Sequence[EventBody | DigestLine] = (body,) if body.station else body.lines
    for one in named:
        here = place if place is not None and place.code == one.station else None
        area = _child(info, "area")
        _put(area, (("areaDesc", _words(one)), ("circle", _circle(here))))
        if _LOCATION_INDICATOR.fullmatch(one.station):
            _put(_child(area, "geocode"), (("valueName", "ICAO"), ("value", one.station)))


def _words(one: EventBody | DigestLine) -> str:
    return f"{one.station} {one.name}" if one.name else one.station


def _circle(place: Station | None) -> str | None:
    if place is None or place.latitude_deg is None or place.longitude_deg is None:
        return None
    return f"{place.latitude_deg:.4f},{place.longitude_deg:.4f} {_RADIUS_KM}"


def _child(parent: etree._Element, name: str) -> etree._Element:
    return etree.SubElement(parent, f"{{{NAMESPACE}}}{name}")


def _put(parent: etree._Element, items: Iterable[tuple[str, str | None]]) -> None:
    for name, text in items:
        if text is not None:
            _child(parent, name).text = text

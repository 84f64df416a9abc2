"""What a message says: for people, line by line, and for programs. Every channel carries the same."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from watcher.alerts.model import Event, EventBody, EventType, SubjectKind
from watcher.notify.wording import ENDINGS, TOLD_AS_WORDS, level_text, plain, span_text, when
from watcher.units import clock_z, duration_text, iso_z

CAUTION = (
    "Planning aid. The commander's check of the aircraft, the operator's approved programme "
    "and this season's official tables decide."
)
_TEST_VALID_FOR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that a message says to people, with its label."""

    label: str
    text: str


@dataclass(frozen=True, slots=True)
class Message:
    """One event as one destination is told of it. No text in it holds a control character.

    `episode`: None where it is about a station or is a test. `happened_at`: when the event was made. `written_at`: the
    present that ages are counted to. `link`: where people reach the service, None when it has no public address.
    """

    told_as: EventType
    event: str | None
    episode: str | None
    happened_at: datetime
    written_at: datetime
    valid_until: datetime
    body: EventBody
    link: str | None = None

    @property
    def headline(self) -> str:
        """The one line that stands alone."""
        return self.body.headline

    @property
    def lines(self) -> tuple[Line, ...]:
        """What people read, line by line."""
        return tuple(_lines(self))

    @property
    def what(self) -> str:
        """What the message is, in a word or two."""
        return TOLD_AS_WORDS[self.told_as]

    @property
    def ending(self) -> bool:
        """Whether it tells that an episode is over."""
        return self.told_as in ENDINGS

    @property
    def report_age_min(self) -> int | None:
        """Whole minutes from the observation to the writing; None without a report."""
        return _age_min(self.body, self.written_at)


def message_of(
    event: Event, *, told_as: EventType, now: datetime, valid_until: datetime, public_url: str | None
) -> Message:
    """Return what a destination is told of an event.

    Parameters
    ----------
    event
        What happened, as it was known then.
    told_as
        How it arrives there: an episode that crosses the destination's level arrives as opened.
    now
        The present; the age of the data is counted to it.
    valid_until
        When the message stops being worth reading.
    public_url
        Where people reach the service; None when it has no public address.
    """
    body = _cleaned(event.body)
    # The level before is named only to whom the change itself is told.
    if told_as is not event.type:
        body = replace(body, previous_level=None)
    episode = event.subject_id if event.subject_kind is SubjectKind.EPISODE else None
    link = plain(public_url) if public_url is not None else None
    return Message(told_as, event.id, episode, event.at, now, valid_until, body, link)


def test_message(destination: str, now: datetime) -> Message:
    """Return a message that says it is a test and that nothing has happened."""
    name = plain(destination)
    body = EventBody(
        station="",
        name=None,
        zone=None,
        headline=f"Test message to {name}: nothing has happened",
        why=f"Somebody asked for a test. Whoever reads this gets the alerts that go to {name}.",
        next_step="Nothing to do.",
    )
    return Message(EventType.TEST, None, None, now, now, now + _TEST_VALID_FOR, body)


def webhook_body(message: Message) -> dict[str, object]:
    """Return the JSON body of a webhook; unknown is None, fields may be added, never renamed."""
    body = message.body
    return {
        "type": message.told_as.value,
        "timestamp": iso_z(message.happened_at),
        "data": {
            "episode": message.episode,
            "event": message.event,
            "station": body.station or None,
            "name": body.name,
            "flag": body.flag.value if body.flag is not None else None,
            "level": body.level.word if body.level is not None else None,
            "previous_level": body.previous_level.word if body.previous_level is not None else None,
            "no_time": body.no_time.value if body.no_time is not None else None,
            "kind": body.kind.value if body.kind is not None else None,
            "certainty": body.certainty.value if body.certainty is not None else None,
            "phase": body.phase.value if body.phase is not None else None,
            "headline": body.headline,
            "why": body.why,
            "next_step": body.next_step,
            "from": _iso(body.begins_at),
            "until": _iso(body.until),
            "observed_at": _iso(body.observed_at),
            "report_age_min": message.report_age_min,
            "raw": body.raw,
            "forecast_raw": body.forecast_raw,
            "valid_until": iso_z(message.valid_until),
            "board_url": message.link,
            "caution": CAUTION,
        },
    }


def _lines(message: Message) -> Iterator[Line]:
    body, told_as = message.body, message.told_as
    yield Line("Next step", body.next_step)
    if body.station:
        yield Line("Station", f"{body.station} {body.name}" if body.name else body.station)
    if body.flag is not None:
        yield Line("Flag", body.flag.value)
    level = level_text(body, told_as)
    if level is not None:
        yield Line("Level", level)
    span = span_text(body, told_as)
    if span is not None:
        yield Line(*span)
    yield Line("Why", body.why)
    if told_as is not EventType.TEST:
        yield Line("Age of data", _age_text(body, message.written_at))
    if body.raw is not None:
        yield Line("Report", body.raw)
    if body.forecast_raw is not None:
        yield Line("TAF", body.forecast_raw)
    yield Line("Valid until", when(message.valid_until, body.zone))


def _age_text(body: EventBody, now: datetime) -> str:
    age = _age_min(body, now)
    if body.observed_at is None or age is None:
        return "no report at hand, the TAF only" if body.forecast_raw is not None else "no report at hand"
    return f"{duration_text(timedelta(minutes=age))} at {clock_z(now)}; report of {when(body.observed_at, body.zone)}"


def _age_min(body: EventBody, now: datetime) -> int | None:
    if body.observed_at is None:
        return None
    return max(0, int((now - body.observed_at).total_seconds() // 60))


def _cleaned(body: EventBody) -> EventBody:
    return replace(
        body,
        station=plain(body.station),
        name=plain(body.name) if body.name is not None else None,
        zone=plain(body.zone) if body.zone is not None else None,
        headline=plain(body.headline),
        why=plain(body.why),
        next_step=plain(body.next_step),
        raw=plain(body.raw) if body.raw is not None else None,
        forecast_raw=plain(body.forecast_raw) if body.forecast_raw is not None else None,
    )


def _iso(moment: datetime | None) -> str | None:
    return iso_z(moment) if moment is not None else None

"""What a template may name: every field once, with its meaning. Documentation and error messages are made from here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from watcher.notify.digest_fields import ParkedFields, StationFields
from watcher.notify.message import CAUTION, Message
from watcher.notify.part_fields import PartFields, web_address
from watcher.notify.payload import webhook_body
from watcher.notify.wording import when


@dataclass(frozen=True, slots=True)
class Reader:
    """Whom a message is written for: the name of the destination, and one sentence how to stop or change it.

    `picture_url`, `picture_words`: address and content of the picture that comes along; None without one.
    """

    destination: str
    how_to_stop: str
    picture_url: str | None = None
    picture_words: str | None = None


@dataclass(frozen=True, slots=True)
class MessageFields:
    """The message as a whole. `_most`: how many changes, or stations of a digest, are shown; None: all."""

    _message: Message
    _reader: Reader
    _most: int | None = None

    @property
    def headline(self) -> str:
        """The one line that stands alone; also the subject of a mail."""
        return self._message.headline

    @property
    def what(self) -> str:
        """What the message is, in a few words: New alert, Worse, Digest, 6 changes together."""
        return self._message.what

    @property
    def type(self) -> str:
        """The kind of its first change as webhooks name it, such as icing.episode.raised."""
        return self._message.first.told_as.value

    @property
    def instead(self) -> str | None:
        """For whom it was meant and why it comes to a fallback, in a sentence; empty for all others."""
        return self._message.instead

    @property
    def several(self) -> bool:
        """True when it tells of more than one change."""
        return self._message.several

    @property
    def first(self) -> PartFields:
        """Its first and worst change; the only one unless `several`."""
        return PartFields(self._message.first, self._most)

    @property
    def parts(self) -> list[PartFields]:
        """Its changes, worst first: what a loop goes through."""
        return [PartFields(part, self._most) for part in self._message.parts[: self._most]]

    @property
    def more(self) -> int:
        """How many changes are left out, worst kept; 0 in mail, where all are told."""
        return len(self._message.parts) - len(self._message.parts[: self._most])

    @property
    def written_at(self) -> str:
        """When it was written, Z first and local second; the ages are counted to it."""
        return when(self._message.written_at, self._message.first.body.zone)

    @property
    def valid_until(self) -> str:
        """Until when it is worth reading, Z first and local second."""
        return when(self._message.valid_until, self._message.first.body.zone)

    @property
    def caution(self) -> str:
        """The caution. Keep it in every template."""
        return CAUTION

    @property
    def board_url(self) -> str | None:
        """Web address of the service; empty where it has none."""
        return web_address(self._message.links.board)

    @property
    def stop_url(self) -> str | None:
        """Web address of the page that ends these messages; empty where there is none."""
        return web_address(self._message.links.stop)

    @property
    def picture_url(self) -> str | None:
        """Address of the picture that comes with the mail, for `src`; empty where none does."""
        return self._reader.picture_url

    @property
    def picture_words(self) -> str | None:
        """What that picture shows in one sentence, for `alt`."""
        return self._reader.picture_words

    @property
    def destination(self) -> str:
        """Name of the destination in the settings."""
        return self._reader.destination

    @property
    def how_to_stop(self) -> str:
        """One sentence how to stop or change these messages."""
        return self._reader.how_to_stop


LINE_FIELDS: Mapping[str, str] = MappingProxyType({
    "label": "What it is: Next step, Why, Age of data, Report ...",
    "text": "What it says.",
})  # fmt: skip

WEBHOOK_FIELDS: Mapping[str, str] = MappingProxyType({
    "type": "What happened, such as icing.episode.raised.",
    "timestamp": "When it happened.",
    "data": "All fields below as one object.",
    "episode": "Id of the episode; null where it is about something else.",
    "event": "Id of the event; null in a test.",
    "station": "Code of the station; null in a test and a digest.",
    "name": "Name of the station.",
    "flag": "The flag, such as freezing-precipitation.",
    "level": "The level: note, prepare, treat, no-time.",
    "previous_level": "The level before, where it changed.",
    "no_time": "Why no holdover time exists: none, allowance, special.",
    "kind": "Either observed or expected.",
    "certainty": "How the TAF puts it, such as temporary; computed for frost.",
    "probability": "How likely it is, 0 to 1, where it was computed.",
    "begins_between": "Two times between which most of the computed nights begin, where known.",
    "ends_between": "Two times between which most of the computed nights end, where known.",
    "phase": "Where the episode stands: forming, present, easing, ended.",
    "headline": "The one line that stands alone.",
    "why": "The reason, with the margins.",
    "next_step": "What to do next, in trade words.",
    "from": "When it began or is expected to begin.",
    "until": "When it ended or is expected to end.",
    "observed_at": "When the report was observed.",
    "report_age_min": "Whole minutes from the report to the writing.",
    "raw": "The METAR or SPECI as received.",
    "forecast_raw": "The TAF as received.",
    "acknowledged_by": "Who has taken the episode in hand.",
    "acknowledgement_note": "What they said when they took it.",
    "stations": "The stations of a digest as a list of objects; null in all else.",
    "parked": "The parked aircraft of a digest as a list of objects; null in all else.",
    "protection": "The treated aircraft as an object: its id, its clocks, minutes before and after; null in all else.",
    "meant_for": "Name of the destination that it was meant for, where this one is its fallback; else null.",
    "meant_for_why": "Why it does not reach that one: silent, refused, off; else null.",
    "valid_until": "Until when it is worth reading.",
    "acknowledge_url": "Page on which the episode is taken in hand.",
    "board_url": "Web address of the service.",
    "caution": "The caution.",
})  # fmt: skip


def _meanings(kind: type) -> Mapping[str, str]:
    members = vars(kind).items()
    return MappingProxyType({
        name: str(member.__doc__)
        for name, member in members
        if isinstance(member, property) and not name.startswith("_")
    })  # fmt: skip


FIELDS: Mapping[str, Mapping[str, str]] = MappingProxyType({
    "message": _meanings(MessageFields),
    "part": _meanings(PartFields),
    "station": _meanings(StationFields),
    "parked": _meanings(ParkedFields),
    "line": LINE_FIELDS,
    "webhook": WEBHOOK_FIELDS,
})  # fmt: skip


def webhook_context(message: Message) -> dict[str, object]:
    """Return the fields of a webhook by name, as its template sees them."""
    body = webhook_body(message)
    data = body["data"]
    assert isinstance(data, dict)
    return {**body, **data}


def context_of(message: Message, reader: Reader, most: int | None = None) -> dict[str, object]:
    """Return the message's fields by name, as a template for people sees them."""
    fields = MessageFields(message, reader, most)
    return {name: getattr(fields, name) for name in FIELDS["message"]}

"""An invented message of every kind, long, foreign and hostile ones too: what every template is tried with."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from watcher.alerts.model import DigestLine, EventBody, EventType, Phase
from watcher.notify.message import Links, Message, Part, trial_message
from watcher.notify.template_fields import Reader
from watcher.rulebook.words import Certainty, Flag, Kind, Level, NoTime

NOW = datetime(2026, 1, 12, 6, 2, 30, tzinfo=UTC)
READER = Reader("duty-desk", "To stop or change these mails, write to ops@example.org.")
HOSTILE = '<b> "quoted" \\ & &lt; @all <!here> {{ 1 }} {% x %} <script>alert(1)</script> [text](https://example.org)'
_LINKS = Links(
    board="https://icing.example.org/", stop="https://icing.example.org/stop/sample-token?to=duty-desk&from=mail"
)
_TAKE = "https://icing.example.org/take/sample-token?as=duty-desk&episode="

_TREAT = EventBody(
    station="XNOR",
    name="Northby",
    zone="Europe/Oslo",
    headline="XNOR treat: freezing rain or freezing drizzle since 0550Z, -1/-2, not ended",
    why="FZDZ is reported. Air -1 °C (at most +1 °C, margin 2).",
    next_step="Call treatment for departures now and plan it close to take-off.",
    flag=Flag.FREEZING_PRECIPITATION,
    level=Level.TREAT,
    kind=Kind.OBSERVED,
    phase=Phase.PRESENT,
    begins_at=datetime(2026, 1, 12, 5, 50, tzinfo=UTC),
    observed_at=datetime(2026, 1, 12, 5, 50, tzinfo=UTC),
    raw="SPECI XNOR 120550Z 15006KT 3000 FZDZ BR OVC006 M01/M02 Q1011",
)
_NO_TIME = replace(
    _TREAT,
    station="XBAY",
    name="Bay Field",
    headline="XBAY no-time (was treat): heavy freezing drizzle since 0548Z, -1/-2, not ended",
    why="+FZDZ is reported: no holdover time covers it.",
    next_step="Plan no take-off on the tables until this ends; tell crews and passengers.",
    level=Level.NO_TIME,
    previous_level=Level.TREAT,
    no_time=NoTime.NONE,
    begins_at=datetime(2026, 1, 12, 5, 48, tzinfo=UTC),
    raw="SPECI XBAY 120550Z 14008KT 1200 +FZDZ OVC004 M01/M02 Q1011",
)
_EXPECTED = replace(
    _TREAT,
    station="XMOR",
    name="Moor",
    headline="XMOR prepare expected: snow 1000Z-1500Z, probability 40 %, temporary",
    why="The TAF gives SN from 1000Z to 1500Z; air about -2 °C.",
    next_step="Arrange crews, fluid and a treatment slot for departures in this period.",
    flag=Flag.SNOW,
    level=Level.PREPARE,
    kind=Kind.EXPECTED,
    certainty=Certainty.PROBABILITY_40_TEMPORARY,
    begins_at=datetime(2026, 1, 12, 10, 0, tzinfo=UTC),
    until=datetime(2026, 1, 12, 15, 0, tzinfo=UTC),
    raw="METAR XMOR 120550Z 02009KT 9999 BKN020 M02/M05 Q1013",
    forecast_raw="TAF XMOR 120500Z 1206/1306 02010KT 9999 BKN020 PROB40 TEMPO 1210/1215 2000 SN OVC008",
)
_ENDED = replace(
    _TREAT,
    station="XFEL",
    name="Fell",
    headline="XFEL ended: snow, since 0220Z, settled 0555Z",
    why="The reports have not met the rule for long enough to call it over.",
    next_step="Aircraft treated or parked before this stay in need of a check: a deposit outlives its weather.",
    flag=Flag.SNOW,
    level=Level.PREPARE,
    phase=Phase.ENDED,
    begins_at=datetime(2026, 1, 12, 2, 20, tzinfo=UTC),
    until=datetime(2026, 1, 12, 5, 55, tzinfo=UTC),
    raw="METAR XFEL 120550Z 02009KT 9999 BKN020 M02/M06 Q1013",
)
_BLIND = EventBody(
    station="XTAR",
    name=None,
    zone=None,
    headline="XTAR blind: no usable report since 0420Z (usual every 30 min); last level treat",
    why="The newest usable report is 1 h 42 min old. Nothing ends because reports are missing.",
    next_step="Check the station by other means; its open alerts stand as they are.",
    begins_at=datetime(2026, 1, 12, 5, 15, tzinfo=UTC),
    observed_at=datetime(2026, 1, 12, 4, 20, tzinfo=UTC),
    raw="METAR XTAR 120420Z 00000KT 0600 FZFG VV002 M04/M05 Q1014",
)
_TAKEN = replace(
    _TREAT,
    headline="XNOR treat taken in hand by night duty: freezing rain or freezing drizzle since 0550Z",
    next_step="night duty has it in hand; ask there before you arrange anything for the same aircraft.",
    by="night duty",
    note="Crew called, first aircraft at 0630Z.",
)
_DIGEST = EventBody(
    station="",
    name=None,
    zone="Europe/Oslo",
    headline="Digest 0600Z (07:00 Europe/Oslo): 3 of 12 stations with alerts, worst XBAY no-time, 1 blind",
    why="12 stations looked at; newest reports 12 min to 1 h 42 min old; 1 blind.",
    next_step=f"XBAY first: {_NO_TIME.next_step} The next digest comes at 1200Z (13:00 Europe/Oslo).",
    level=Level.NO_TIME,
    begins_at=datetime(2026, 1, 12, 6, 0, tzinfo=UTC),
)
_NOTHING = replace(
    _DIGEST,
    headline="Digest 0600Z (07:00 Europe/Oslo): nothing at prepare or above, 12 stations",
    why="12 stations looked at; newest reports 4 min to 28 min old.",
    next_step="Nothing to arrange for these stations now. The next digest comes at 1200Z (13:00 Europe/Oslo).",
    level=None,
)


def samples() -> Iterator[tuple[str, Message]]:
    """Yield each sample with the name of its kind, in a fixed order."""
    yield "opened", _message(_part(EventType.OPENED, _TREAT))
    yield "expected", _message(_part(EventType.OPENED, _EXPECTED))
    yield "raised", _message(_part(EventType.RAISED, _NO_TIME))
    yield "ended", _message(_part(EventType.CLOSED, _ENDED, take=False))
    yield "blind", _message(_part(EventType.BLIND, _BLIND, take=False))
    yield "several", _message(*_storm())
    yield "digest", _message(digest_part())
    yield "digest without anything", _message(_part(EventType.DIGEST, _NOTHING, take=False))
    yield "taken", _message(_part(EventType.TAKEN, _TAKEN, take=False))
    yield "reminder", _message(_part(EventType.REMINDER, _TREAT))
    yield "test", trial_message("duty-desk", NOW, delivery_id="msg_sample", links=_LINKS)
    yield "without any web address", replace(_message(_part(EventType.OPENED, _TREAT, take=False)), links=Links())
    yield "long", _message(_part(EventType.OPENED, _with_texts("long word " * 120)))
    yield "foreign letters", _message(_part(EventType.OPENED, _with_texts("Ærnøby Лёд 氷 −3 °C")))
    yield "hostile texts", _message(_part(EventType.TAKEN, _with_texts(HOSTILE)), digest_part(HOSTILE))


def digest_part(text: str | None = None) -> Part:
    """Return a digest of four stations; with a text, it stands in every field that holds one."""
    worst = replace(_NO_TIME, headline=_NO_TIME.headline.replace(" (was treat)", ""))
    also = ("XBAY prepare expected: snow 1000Z-1500Z, probability 40 %, temporary",)
    lines = [_line(worst, also), _line(_TREAT), _line(_EXPECTED), _line(_BLIND)]
    if text is not None:
        lines = [
            replace(line, name=text, headline=text, why=text, next_step=text, raw=text, also=(text,)) for line in lines
        ]
    return _part(EventType.DIGEST, replace(_DIGEST, lines=tuple(lines)), take=False)


def _storm() -> Iterator[Part]:
    yield _part(EventType.RAISED, _NO_TIME)
    yield _part(EventType.OPENED, _TREAT)
    yield _part(EventType.OPENED, _EXPECTED)
    yield _part(EventType.BLIND, _BLIND, take=False)
    yield _part(EventType.CLOSED, _ENDED, take=False)


def _with_texts(text: str) -> EventBody:
    text = text.strip()
    return replace(
        _TREAT, name=text, headline=text, why=text, next_step=text, raw=text, forecast_raw=text, by=text, note=text
    )


def _part(told_as: EventType, body: EventBody, *, take: bool = True) -> Part:
    subject = f"{body.station}-4" if body.flag is not None else body.station or "digest-sample"
    episode = subject if body.flag is not None else None
    take_url = _TAKE + subject if take else None
    return Part(told_as, f"{subject}.2", subject, episode, NOW - timedelta(seconds=30), NOW, body, take_url)


def _message(*parts: Part) -> Message:
    return Message("msg_sample", parts, NOW, NOW + timedelta(hours=6), _LINKS)


def _line(body: EventBody, also: tuple[str, ...] = ()) -> DigestLine:
    return DigestLine(
        station=body.station,
        name=body.name,
        zone=body.zone,
        level=body.level,
        flag=body.flag,
        kind=body.kind,
        headline=body.headline,
        why=body.why,
        next_step=body.next_step,
        begins_at=body.begins_at,
        until=body.until,
        observed_at=body.observed_at,
        raw=body.raw,
        also=also,
    )

"""An invented message of every kind, long, foreign and hostile ones too: what every template is tried with."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from watcher.alerts.model import Contaminant, DigestLine, EventBody, EventType, ParkedLine, Phase
from watcher.alerts.parked_words import NO_MEASUREMENT
from watcher.notify.message import Links, Message, Part, trial_message
from watcher.notify.sample_protections import LOST, SHORTENED, treated_with
from watcher.notify.template_fields import Reader
from watcher.rulebook.words import Certainty, Flag, Kind, Level, NoTime

NOW = datetime(2026, 1, 12, 6, 2, 30, tzinfo=UTC)
READER = Reader(
    "duty-desk",
    "To stop or change these mails, write to ops@example.org.",
    "cid:picture-1@example.org",
    "XBAY, frost likely: begins about 0130Z, ends about 0740Z; chance 78 %.",
)
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
    why="No report from 0520Z on has met the rule: after 30 min it counts as over.",
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
_BOOKED = "Book treatment before 0730Z and plan it close to take-off; check by hand first."
_DIGEST = EventBody(
    station="",
    name=None,
    zone="Europe/Oslo",
    headline="Digest 0600Z (07:00 Europe/Oslo): 3 of 12 stations with alerts, worst XBAY no-time, 1 blind, "
    "2 of 4 parked aircraft likely frosted, 1 not known",
    why=f"12 stations looked at; newest reports 12 min to 1 h 42 min old; 1 blind. {NO_MEASUREMENT}",
    next_step=f"XBAY first: {_NO_TIME.next_step} Ship 2 at XNOR: {_BOOKED} "
    "The next digest comes at 1200Z (13:00 Europe/Oslo).",
    level=Level.NO_TIME,
    begins_at=datetime(2026, 1, 12, 6, 0, tzinfo=UTC),
)
_PARKED = (
    ParkedLine(
        name="Ship 2",
        station="XNOR",
        zone="Europe/Oslo",
        departs_at=datetime(2026, 1, 12, 7, 30, tzinfo=UTC),
        departs="0730Z (08:30 Europe/Oslo)",
        chance=0.98,
        contaminant=Contaminant.PRECIPITATION,
        part="dry_bay",
        headline="Ship 2 at XNOR, departs 0730Z (08:30 Europe/Oslo): 98 % with snow or freezing precipitation on it; "
        "deposit not gone before 1330Z",
        outcome="98 % with snow or freezing precipitation on it; deposit not gone before 1330Z",
        why="At departure on the dry bay: snow or freezing precipitation on it 98 %, deposit 91 %, frozen water 2 %, "
        "frost forming under 1 %; skin -1 °C (-2 to 0), frost point -2 °C. Computed from the report of 0550Z and the "
        "TAF of 0500Z.",
        next_step=_BOOKED,
        observed_at=_TREAT.observed_at,
    ),
    ParkedLine(
        name="Ship 4",
        station="XVAL",
        zone="Europe/Oslo",
        departs_at=datetime(2026, 1, 13, 5, 40, tzinfo=UTC),
        departs="13/0540Z (06:40 Europe/Oslo)",
        chance=0.78,
        contaminant=Contaminant.DEPOSIT,
        part="tank_part",
        headline="Ship 4 at XVAL, departs 13/0540Z (06:40 Europe/Oslo): 78 % frosted; frost from about 0130Z "
        "(0030Z-0330Z), deposit gone about 0840Z",
        outcome="78 % frosted; frost from about 0130Z (0030Z-0330Z), deposit gone about 0840Z",
        why="At departure on a part full tank: deposit 78 %, frost forming 41 %, frozen water under 1 %, snow or "
        "freezing precipitation on it under 1 %; skin -6 °C (-8 to -3), frost point -5 °C. Computed from the report of "
        "0550Z and the TAF of 0500Z.",
        next_step="Book frost removal before 0540Z; check by hand first.",
        frost_begins_at=datetime(2026, 1, 13, 1, 30, tzinfo=UTC),
        frost_begins_between=(datetime(2026, 1, 13, 0, 30, tzinfo=UTC), datetime(2026, 1, 13, 3, 30, tzinfo=UTC)),
        deposit_gone_at=datetime(2026, 1, 13, 8, 40, tzinfo=UTC),
        observed_at=_EXPECTED.observed_at,
    ),
    ParkedLine(
        name="Ship 9",
        station="XTAR",
        zone="UTC",
        departs_at=datetime(2026, 1, 12, 9, 15, tzinfo=UTC),
        departs="0915Z",
        chance=None,
        contaminant=None,
        part=None,
        headline="Ship 9 at XTAR, departs 0915Z: chance of frost not known, the position of the station is not known",
        outcome="chance of frost not known, the position of the station is not known",
        why="It cannot be computed: the position of the station is not known. The station is blind since 0515Z.",
        next_step="Check by hand before 0915Z and ask for the weather by other means; nothing here rules frost out.",
        observed_at=_BLIND.observed_at,
    ),
    ParkedLine(
        name="Ship 7",
        station="XDAL",
        zone="Europe/Oslo",
        departs_at=datetime(2026, 1, 12, 13, 10, tzinfo=UTC),
        departs="1310Z (14:10 Europe/Oslo)",
        chance=0.04,
        contaminant=Contaminant.DEPOSIT,
        part="tank_full",
        headline="Ship 7 at XDAL, departs 1310Z (14:10 Europe/Oslo): 4 % frosted",
        outcome="4 % frosted",
        why="At departure on a full tank: deposit 4 %, frozen water 3 %, frost forming 1 %, snow or freezing "
        "precipitation on it under 1 %; skin 2 °C (-1 to 5), frost point -1 °C. Computed from the report of 0550Z and "
        "no TAF.",
        next_step="Check by hand before 1310Z; nothing to book for it now.",
        observed_at=_NO_TIME.observed_at,
    ),
)
_NOTHING = replace(
    _DIGEST,
    headline="Digest 0600Z (07:00 Europe/Oslo): nothing at prepare or above, 12 stations",
    why="12 stations looked at; newest reports 4 min to 28 min old.",
    next_step="Nothing to arrange for these stations now. The next digest comes at 1200Z (13:00 Europe/Oslo).",
    level=None,
)

_UNWELL = EventBody(
    station="",
    name=None,
    zone=None,
    headline="Service not well: No feed brings fresh METARs: world: answered HTTP 503.",
    why="No feed brings fresh METARs: world: answered HTTP 503.",
    next_step="Stations go blind one after another. Look after the network and the addresses of the feeds.",
    begins_at=NOW - timedelta(minutes=4),
)
_WELL = replace(
    _UNWELL,
    headline="Service well again: The feeds bring fresh reports again.",
    why=f"It was told before: {_UNWELL.why}",
    next_step="Nothing to do. What came in meanwhile is judged and told as it now stands.",
    until=NOW - timedelta(minutes=1),
)


def samples() -> Iterator[tuple[str, Message]]:
    """Yield each sample with the name of its kind, in a fixed order."""
    yield "opened", _message(_part(EventType.OPENED, _TREAT))
    yield "expected", _message(_part(EventType.OPENED, _EXPECTED))
    yield "raised", _message(_part(EventType.RAISED, _NO_TIME))
    yield "ended", _message(_part(EventType.CLOSED, _ENDED, take=False))
    yield "blind", _message(_part(EventType.BLIND, _BLIND, take=False))
    yield "protection shortened", _message(_part(EventType.SHORTENED, SHORTENED, take=False))
    yield "protection lost", _message(_part(EventType.LOST, LOST, take=False))
    yield "several", _message(*_storm())
    yield "digest", _message(digest_part())
    yield "digest without anything", _message(_part(EventType.DIGEST, _NOTHING, take=False))
    yield "taken", _message(_part(EventType.TAKEN, _TAKEN, take=False))
    yield "reminder", _message(_part(EventType.REMINDER, _TREAT))
    yield "service not well", _message(_of_service(EventType.UNWELL, _UNWELL))
    yield "service well again", _message(_of_service(EventType.WELL, _WELL))
    yield "test", trial_message("duty-desk", NOW, delivery_id="msg_sample", links=_LINKS)
    yield "without any web address", replace(_message(_part(EventType.OPENED, _TREAT, take=False)), links=Links())
    yield "long", _message(_part(EventType.OPENED, _with_texts("long word " * 120)))
    yield "foreign letters", _message(_part(EventType.OPENED, _with_texts("Ærnøby Лёд 氷 −3 °C")))
    yield "hostile texts", _message(_part(EventType.TAKEN, _with_texts(HOSTILE)), digest_part(HOSTILE))
    yield "protection with hostile texts", _message(_part(EventType.LOST, treated_with(HOSTILE), take=False))


def digest_part(text: str | None = None) -> Part:
    """Return a digest of four stations and four aircraft; with a text, it stands in every field that holds one."""
    worst = replace(_NO_TIME, headline=_NO_TIME.headline.replace(" (was treat)", ""))
    also = ("XBAY prepare expected: snow 1000Z-1500Z, probability 40 %, temporary",)
    lines = [_line(worst, also), _line(_TREAT), _line(_EXPECTED), _line(_BLIND)]
    if text is not None:
        lines = [
            replace(line, name=text, headline=text, why=text, next_step=text, raw=text, also=(text,)) for line in lines
        ]
    parked = list(_PARKED)
    if text is not None:
        parked = [
            replace(
                line,
                name=text,
                zone=text,
                departs=text,
                part=text,
                headline=text,
                outcome=text,
                why=text,
                next_step=text,
            )
            for line in parked
        ]
    return _part(EventType.DIGEST, replace(_DIGEST, lines=tuple(lines), parked=tuple(parked)), take=False)


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


def _of_service(told_as: EventType, body: EventBody) -> Part:
    return replace(_part(told_as, body, take=False), event="service-feeds.29472360", subject="service-feeds")


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

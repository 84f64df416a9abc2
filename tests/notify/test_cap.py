"""CAP messages against a schema written from the standard's tables, and against the rules that no schema can say.

The standard: OASIS, Common Alerting Protocol Version 1.2, 1 July 2010; sections are named beside the checks.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from tests.alerts.scenes import XNOR, Play
from tests.notify.scenes import BODY, NOW, an_event
from watcher.alerts.model import Event, EventBody, EventType, Phase, SubjectKind
from watcher.notify.cap import cap_alert, cap_time, identifier
from watcher.notify.message import CAUTION
from watcher.notify.samples import HOSTILE, samples
from watcher.outlook.model import Odds
from watcher.reports.station import Station
from watcher.rulebook.words import Certainty, Flag, Kind, Level, NoTime

SENDER = "hoarline@ice.example.org"
SCHEMA = etree.XMLSchema(etree.parse(Path(__file__).parents[1] / "data" / "cap" / "cap-1.2.xsd"))
CAP = {"c": "urn:oasis:names:tc:emergency:cap:1.2"}
RANKS = {
    "severity": ["Minor", "Moderate", "Severe", "Extreme"],
    "urgency": ["Future", "Expected", "Immediate"],
}


def cap(*history: Event, place: Station | None = XNOR, base_url: str | None = "https://ice.example.org/") -> Read:
    return Read(cap_alert(history, sender=SENDER, base_url=base_url, place=place))


class Read:
    """A message as a receiver reads it. Every one is held to the schema and to the rules of the text."""

    def __init__(self, document: bytes) -> None:
        self.root = etree.fromstring(document)
        SCHEMA.assertValid(self.root)
        hold_to_the_text(self)

    def all(self, name: str) -> list[str]:
        return [node.text or "" for node in self.root.iterfind(f".//c:{name}", CAP)]

    def one(self, name: str) -> str | None:
        found = self.all(name)
        assert len(found) <= 1, f"{name}: {found}"
        return found[0] if found else None

    @property
    def parameters(self) -> dict[str, str]:
        nodes = self.root.iterfind(".//c:parameter", CAP)
        return {node.findtext("c:valueName", None, CAP): node.findtext("c:value", None, CAP) for node in nodes}


def hold_to_the_text(message: Read) -> None:
    """Check what the standard says in words: dependencies between elements, times, references."""
    # 3.2.1: "restriction" goes with scope Restricted, "addresses" with Private.
    assert (message.one("scope") == "Restricted") is (message.one("restriction") is not None)
    assert (message.one("scope") == "Private") is (message.one("addresses") is not None)
    # 3.2.1: an Update supersedes and a Cancel cancels the messages in "references".
    assert (message.one("msgType") in {"Update", "Cancel"}) is (message.one("references") is not None)
    # 3.2.1: participants of an exercise are named in "note".
    assert message.one("status") != "Exercise" or message.one("note")
    # 3.3.2: the zone of UTC is -00:00; no letter stands for a zone.
    for name in ("sent", "effective", "onset", "expires"):
        assert all(text.endswith("-00:00") and "Z" not in text for text in message.all(name))
    # 3.2.2: without it a recipient takes its own; a message must not be over before it was sent.
    expires = message.one("expires")
    assert expires is None or moment(expires) > moment(message.one("sent"))
    # 3.2.2: follow-on action of an AllClear is described in "instruction".
    assert message.one("instruction").endswith(CAUTION)
    # 3.3.3: WGS 84, in the ranges that there are.
    for circle in message.all("circle"):
        latitude, longitude = map(float, circle.split(" ")[0].split(","))
        assert -90 <= latitude <= 90
        assert -180 <= longitude <= 180


def moment(text: str | None) -> datetime:
    assert text is not None
    return datetime.fromisoformat(text)


def told(type_: EventType, body: EventBody = BODY, seq: int = 1, minutes: int = 0) -> Event:
    """Return an event about the subject that goes with its kind."""
    kind = SubjectKind.STATION if type_ in {EventType.BLIND, EventType.SEEING} else SubjectKind.EPISODE
    kind = SubjectKind.DIGEST if type_ is EventType.DIGEST else kind
    kind = SubjectKind.PROTECTION if body.protection is not None else kind
    subject = {"episode": "XNOR-17", "station": "XNOR", "protection": "XNOR-P3", "digest": "digest-0f"}[kind.value]
    return Event(kind, subject, seq, type_, NOW + timedelta(minutes=minutes), body)


SAMPLES = {name: message for name, message in samples() if not message.several}
EXPECTED = replace(
    BODY,
    kind=Kind.EXPECTED,
    level=Level.PREPARE,
    previous_level=None,
    certainty=Certainty.TEMPORARY,
    begins_at=NOW + timedelta(hours=4),
    until=NOW + timedelta(hours=9),
)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("<identifier>XNOR-17", "<identifier>XNOR 17"),
        ("<sender>hoarline@", "<sender>hoar,line@"),
        ("-00:00</sent>", "Z</sent>"),
        ("<status>Actual", "<status>Real"),
        ("<msgType>Alert", "<msgType>Alarm"),
        ("<scope>Restricted</scope>", ""),
        ("<category>Met</category>", "<category>Weather</category>"),
        ("<urgency>Immediate</urgency>", ""),
        ("<certainty>Observed", "<certainty>Seen"),
        (" 8</circle>", "</circle>"),
        ("<areaDesc>XNOR Northby</areaDesc>", ""),
        ("<valueName>flag</valueName>", ""),
        ("<info>", "<info><headline>first</headline>"),
    ],
)
def test_the_schema_refuses_what_the_standard_forbids(old: str, new: str) -> None:
    """A schema that takes everything would prove nothing."""
    text = cap_alert([told(EventType.OPENED)], sender=SENDER, base_url=None, place=XNOR).decode()
    assert old in text
    assert not SCHEMA.validate(etree.fromstring(text.replace(old, new).encode()))


@pytest.mark.parametrize("name", SAMPLES)
@pytest.mark.parametrize("place", [XNOR, None])
def test_every_kind_of_message_is_valid(name: str, place: Station | None) -> None:
    part = SAMPLES[name].first
    message = cap(told(part.told_as, part.body), place=place)
    assert message.one("headline")
    assert message.parameters["type"] == part.told_as.value


def test_hostile_texts_stay_texts() -> None:
    """What reports and people write comes out as it went in, as text; control characters become spaces."""
    texts = replace(BODY, headline=HOSTILE, why="a\x00b\x1b[31m\u202ec\ud800\ufffe", raw="]]><alert/>", note="x\ry")
    message = cap(told(EventType.OPENED, texts))
    assert message.one("headline") == " ".join(HOSTILE.split())
    assert "a b [31m c" in message.one("description")
    assert message.parameters["raw"] == "]]><alert/>"
    assert len(list(message.root.iterfind(".//c:alert", CAP))) == 0


def test_a_night_told_event_by_event() -> None:
    """Opened, raised, and ended: each later message supersedes all earlier ones, by the very names they had."""
    play = Play()
    play.hear("0550", "METAR XNOR 120550Z 24006KT 4000 -FZDZ OVC008 M02/M03 Q1009")
    play.hear("0610", "SPECI XNOR 120610Z 24006KT 2000 FZRA OVC008 M02/M03 Q1009")
    for clock in ("0650", "0720", "0750", "0820"):
        play.hear(clock, f"METAR XNOR 12{clock}Z 24006KT 9999 OVC040 05/M03 Q1009")
    history = [event for event in play.events if event.body.flag is Flag.FREEZING_PRECIPITATION]
    assert [event.type for event in history] == [EventType.OPENED, EventType.RAISED, EventType.CLOSED]
    messages = [cap(*history[: index + 1]) for index in range(len(history))]
    assert [message.one("msgType") for message in messages] == ["Alert"] + ["Update"] * (len(history) - 1)
    names = [f"{SENDER},{message.one('identifier')},{message.one('sent')}" for message in messages]
    for index, message in enumerate(messages):
        assert message.one("references") == (" ".join(names[:index]) or None)
    assert len({message.one("identifier") for message in messages}) == len(history)
    first, last = messages[0], messages[-1]
    assert (first.one("responseType"), first.one("urgency")) == ("Execute", "Immediate")
    assert (last.one("responseType"), last.one("urgency"), last.one("certainty")) == ("AllClear", "Past", "Observed")
    assert "a deposit outlives its weather" in last.one("instruction")
    # An AllClear is of its own matter: the station may have others.
    assert "others of the station stand" in last.one("instruction")
    assert "others of the station" not in first.one("instruction")
    assert last.one("onset") == "2026-01-12T05:50:00-00:00"


@pytest.mark.parametrize(
    ("type_", "body", "expected"),
    [
        (EventType.CLOSED, EXPECTED, ("Cancel", "Unknown", "Unknown", "Unknown", "Assess")),
        (EventType.WITHDRAWN, BODY, ("Cancel", "Unknown", "Unknown", "Unknown", "Monitor")),
        (EventType.CLOSED, BODY, ("Update", "Past", "Minor", "Observed", "AllClear")),
        (EventType.TAKEN, BODY, ("Update", "Immediate", "Severe", "Observed", "Assess")),
        (EventType.CONFIRMED, BODY, ("Update", "Immediate", "Severe", "Observed", "Execute")),
        (EventType.LOWERED, EXPECTED, ("Update", "Future", "Moderate", "Likely", "Prepare")),
    ],
)
def test_what_follows_an_alert(type_: EventType, body: EventBody, expected: tuple[str, ...]) -> None:
    """No weather is called clear that nobody has seen end; nothing of the weather is claimed by what is taken back."""
    message = cap(told(EventType.OPENED, body), told(type_, body, 2, 5))
    scales = ("msgType", "urgency", "severity", "certainty", "responseType")
    assert tuple(message.one(name) for name in scales) == expected


def test_a_second_blindness_is_a_matter_of_its_own() -> None:
    body = SAMPLES["blind"].first.body
    blind = [
        told(EventType.BLIND, body, 1),
        told(EventType.SEEING, body, 2, 9),
        told(EventType.BLIND, body, 3, 90),
    ]
    first, over, second = (cap(*blind[: index + 1]) for index in range(3))
    assert [item.one("msgType") for item in (first, over, second)] == ["Alert", "Cancel", "Alert"]
    assert over.one("references") == f"{SENDER},{first.one('identifier')},{first.one('sent')}"
    assert over.one("responseType") != "AllClear"
    assert (first.one("event"), first.one("certainty"), first.one("severity")) == (
        "Station blind",
        "Observed",
        "Unknown",
    )


def test_tests_and_training_are_never_actual() -> None:
    test, training = SAMPLES["test"].first, SAMPLES["protection shortened"].first
    assert cap(told(EventType.TEST, test.body)).one("status") == "Test"
    shortened = cap(told(EventType.SHORTENED, training.body))
    assert (shortened.one("status"), shortened.one("responseType")) == ("Exercise", "Execute")
    assert "Nobody acts" in shortened.one("note")
    lost = cap(told(EventType.LOST, SAMPLES["protection lost"].first.body))
    assert (lost.one("status"), lost.one("responseType"), lost.one("severity")) == ("Actual", "Avoid", "Extreme")


def test_a_digest_names_each_station_and_supersedes_nothing() -> None:
    body = SAMPLES["digest"].first.body
    message = cap(told(EventType.DIGEST, body, 1), told(EventType.DIGEST, body, 2, 60))
    assert (message.one("msgType"), message.one("references")) == ("Alert", None)
    assert [text.split()[0] for text in message.all("areaDesc")] == ["XBAY", "XNOR", "XMOR", "XTAR"]
    assert message.all("circle") == ["60.2000,11.1000 8"]
    for line in (*body.lines, *body.parked):
        assert line.headline in message.one("description")


def test_an_end_is_given_only_where_one_is_known() -> None:
    """What is observed holds until the next message; an end beyond the forecast is no end."""
    assert cap(told(EventType.OPENED, replace(BODY, until=NOW + timedelta(hours=2)))).one("expires") is None
    assert cap(told(EventType.OPENED, EXPECTED)).one("expires") == cap_time(NOW + timedelta(hours=9))
    goes_on = replace(EXPECTED, odds=Odds(0.8, goes_on=True))
    assert cap(told(EventType.OPENED, goes_on)).one("expires") is None
    assert cap(told(EventType.OPENED, replace(EXPECTED, until=NOW - timedelta(hours=1)))).one("expires") is None


@pytest.mark.parametrize(
    ("certainty", "probability", "expected"),
    [
        (Certainty.PREVAILING, None, "Likely"),
        (Certainty.TEMPORARY, None, "Likely"),
        (Certainty.PROBABILITY_40, None, "Possible"),
        (Certainty.PROBABILITY_30_TEMPORARY, None, "Possible"),
        (Certainty.COMPUTED, 0.51, "Likely"),
        (Certainty.COMPUTED, 0.5, "Possible"),
        (Certainty.COMPUTED, 0.004, "Possible"),
        (Certainty.COMPUTED, None, "Unknown"),
        (None, None, "Unknown"),
    ],
)
def test_certainty_is_divided_at_one_half(
    certainty: Certainty | None, probability: float | None, expected: str
) -> None:
    """3.2.2: Likely is p > ~50 %, Possible p <= ~50 %. ICAO Annex 3, appendix 5: PROB stands below 50 % only."""
    odds = Odds(probability) if probability is not None else None
    message = cap(told(EventType.OPENED, replace(EXPECTED, certainty=certainty, odds=odds)))
    assert message.one("certainty") == expected


def test_where_it_is() -> None:
    assert cap(told(EventType.OPENED)).one("circle") == "60.2000,11.1000 8"
    southern = replace(XNOR, latitude_deg=-77.85, longitude_deg=-166.6667)
    assert cap(told(EventType.OPENED), place=southern).one("circle") == "-77.8500,-166.6667 8"
    for place in (None, Station("XNOR"), Station("XBAY", latitude_deg=1.0, longitude_deg=1.0)):
        assert cap(told(EventType.OPENED), place=place).one("circle") is None
    assert cap(told(EventType.OPENED)).one("web") == "https://ice.example.org/stations/XNOR"
    assert cap(told(EventType.OPENED), base_url=None).one("web") is None
    # Doc 7910 has four letters; K1V4 is a code of another list.
    other = cap(told(EventType.OPENED, replace(BODY, station="K1V4")))
    assert other.root.find(".//c:geocode", CAP) is None
    assert other.one("areaDesc") == "K1V4 Northby"


@pytest.mark.parametrize("sender", ["", "two words", "a,b", "a<b", "a&b", "a\nb"])
def test_a_sender_that_the_standard_forbids_is_refused(sender: str) -> None:
    with pytest.raises(ValueError, match="CAP message needs"):
        cap_alert([an_event()], sender=sender, base_url=None, place=None)
    with pytest.raises(ValueError, match="CAP message needs"):
        cap_alert([], sender=SENDER, base_url=None, place=None)


@given(st.text(min_size=1, max_size=30), st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1)))
def test_no_name_breaks_an_identifier(subject: str, at: datetime) -> None:
    """3.2.1: identifiers have no spaces, commas, < or &, for they are joined by commas and spaces in references."""
    if not subject.isprintable():
        subject = repr(subject)
    event = replace(an_event(), subject_id=subject, at=at.replace(tzinfo=UTC))
    assert re.fullmatch(r"[A-Za-z0-9_.~%-]+", identifier(event))


moments = st.none() | st.integers(-600, 3000).map(lambda minutes: NOW + timedelta(minutes=minutes))
odds_of = st.none() | st.builds(Odds, st.floats(0, 1), st.none(), st.none(), st.booleans())


@given(
    st.lists(
        st.sampled_from([type_ for type_ in EventType if ".station." not in type_ and "digest" not in type_]),
        min_size=1,
        max_size=5,
    ),
    st.builds(
        replace,
        st.just(BODY),
        flag=st.none() | st.sampled_from(Flag),
        level=st.none() | st.sampled_from(Level),
        previous_level=st.none() | st.sampled_from(Level),
        no_time=st.none() | st.sampled_from(NoTime),
        kind=st.none() | st.sampled_from(Kind),
        phase=st.none() | st.sampled_from(Phase),
        certainty=st.none() | st.sampled_from(Certainty),
        odds=odds_of,
        begins_at=moments,
        until=moments,
        observed_at=moments,
        headline=st.text(min_size=1, max_size=40).filter(lambda text: any(letter.isalnum() for letter in text)),
        why=st.text(max_size=40),
        raw=st.none() | st.text(max_size=40),
        name=st.none() | st.text(max_size=20),
    ),
)
def test_whatever_is_told_is_a_valid_message(types: list[EventType], body: EventBody) -> None:
    message = cap(*(told(type_, body, seq + 1, seq) for seq, type_ in enumerate(types)))
    assert (message.one("responseType") == "AllClear") is (
        types[-1] is EventType.CLOSED and body.kind is not Kind.EXPECTED
    )


@given(st.sampled_from(Kind), st.sampled_from(Level), st.sampled_from(Level), st.integers(-300, 600))
def test_a_worse_level_never_asks_for_less(kind: Kind, one: Level, other: Level, minutes: int) -> None:
    """The order of our levels is kept in both scales that receivers sort by."""
    low, high = sorted((one, other))
    begins = NOW + timedelta(minutes=minutes)
    messages = [
        cap(told(EventType.OPENED, replace(BODY, kind=kind, level=level, begins_at=begins))) for level in (low, high)
    ]
    for name, order in RANKS.items():
        ranks = [order.index(message.one(name)) for message in messages]
        assert ranks == sorted(ranks)
    severities = [message.one("severity") for message in messages]
    assert (severities[0] == severities[1]) is (low is high)

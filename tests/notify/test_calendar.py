"""The calendar as another library reads it (icalendar), and against the texts of RFC 5545 and RFC 7986."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import icalendar
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.alerts.scenes import XNOR
from tests.notify.scenes import BODY, NOW
from watcher.alerts.model import Episode, Event, EventType, Phase, SubjectKind
from watcher.notify.calendar import Period, calendar, changed_at
from watcher.notify.message import CAUTION
from watcher.notify.samples import HOSTILE
from watcher.outlook.model import Expectation, Odds
from watcher.reports.station import Station
from watcher.rulebook.words import Certainty, Flag, Kind, Level

HOUR = timedelta(hours=1)
AHEAD = Episode(
    station="XNOR",
    number=17,
    flag=Flag.SNOW,
    kind=Kind.EXPECTED,
    level=Level.PREPARE,
    phase=Phase.PRESENT,
    began_at=NOW + 4 * HOUR,
    changed_at=NOW - HOUR,
    opened_at=NOW - 2 * HOUR,
    until=NOW + 9 * HOUR,
    certainty=Certainty.TEMPORARY,
    seq=2,
)
SAID = replace(BODY, flag=Flag.SNOW, kind=Kind.EXPECTED, headline="XNOR prepare expected: snow 1000Z-1500Z, temporary")
# Section 3.1 and 3.2: name, parameters, value.
LINE = re.compile(r"[A-Z-]+(;[A-Z-]+=[^:;]+)*:.*")
UTC_TIME = re.compile(r"\d{8}T\d{6}Z")


def period(type_: EventType = EventType.RAISED, place: Station = XNOR, said: Any = SAID, **episode: Any) -> Period:
    standing = replace(AHEAD, **episode)
    event = Event(SubjectKind.EPISODE, standing.id, standing.seq, type_, standing.changed_at, said)
    return Period(standing, event, place)


def made(*periods: Period, now: datetime = NOW) -> bytes:
    return calendar(
        periods,
        now=now,
        subject="XNOR",
        about="XNOR Northby",
        authority="ice.example.org",
        page=lambda station: f"https://ice.example.org/stations/{station}",
        home="https://ice.example.org/stations/XNOR",
    )


def read(document: bytes) -> icalendar.Calendar:
    """Read a calendar with the other library, and check what RFC 5545 says of its lines and entries."""
    # 3.1: lines end with CR LF and have at most 75 octets; a character may not be broken by the fold.
    assert document.endswith(b"\r\n")
    raw = document.split(b"\r\n")[:-1]
    assert all(len(line) <= 75 and b"\r" not in line and b"\n" not in line for line in raw)
    assert all(line.decode() for line in raw)
    unfolded = document.replace(b"\r\n ", b"").decode().split("\r\n")[:-1]
    assert all(LINE.fullmatch(line) for line in unfolded)
    found = icalendar.Calendar.from_ical(document)
    assert not found.errors
    # 3.6: version and product once each; one component at least.
    assert (found["VERSION"], [line for line in unfolded if line.startswith("PRODID:")] != []) == ("2.0", True)
    assert found.subcomponents
    for entry in found.walk("VEVENT"):
        assert not entry.errors
        # 3.6.1: UID and DTSTAMP are required, DTSTART too without a METHOD; each once.
        assert {"UID", "DTSTAMP", "DTSTART", "SEQUENCE", "SUMMARY", "STATUS", "LAST-MODIFIED"} <= set(entry)
        assert not any(isinstance(value, list) for value in entry.values())
        # 3.8.2.2: the end is later than the start.
        assert "DTEND" not in entry or entry.decoded("DTEND") > entry.decoded("DTSTART")
        # 3.3.5: form 2, a time in UTC.
        for name in ("DTSTART", "DTEND", "DTSTAMP", "LAST-MODIFIED", "CREATED"):
            assert name not in entry or UTC_TIME.fullmatch(entry[name].to_ical().decode())
        # 3.8.1.11: the words for an event.
        assert entry["STATUS"] in {"TENTATIVE", "CONFIRMED", "CANCELLED"}
    return found


def one(*periods: Period, now: datetime = NOW) -> Any:
    (entry,) = read(made(*periods, now=now)).walk("VEVENT")
    return entry


def test_a_planner_sees_when_what_is_expected_and_what_to_do() -> None:
    entry = one(period())
    assert entry["SUMMARY"] == "XNOR prepare expected: snow, temporary"
    assert (entry.decoded("DTSTART"), entry.decoded("DTEND")) == (NOW + 4 * HOUR, NOW + 9 * HOUR)
    assert (entry["STATUS"], entry["TRANSP"], entry["SEQUENCE"]) == ("TENTATIVE", "TRANSPARENT", 2)
    assert entry["LOCATION"] == "XNOR Northby"
    assert entry["URL"] == "https://ice.example.org/stations/XNOR"
    assert (entry["GEO"].latitude, entry["GEO"].longitude) == (60.2, 11.1)
    assert [str(word) for word in entry["CATEGORIES"].cats] == ["Icing", "prepare", "snow"]
    lines = entry["DESCRIPTION"].split("\n")
    assert lines[0] == f"Next step: {SAID.next_step}"
    assert lines[1].endswith(SAID.headline)
    assert lines[-2:] == [f"Report: {SAID.raw}", CAUTION]


def test_the_calendar_says_what_it_is_and_when_to_look_again() -> None:
    """RFC 7986, sections 5.1, 5.2, 5.3 and 5.7."""
    found = read(made(period()))
    assert found["NAME"] == "Expected icing: XNOR Northby"
    assert CAUTION in found["DESCRIPTION"]
    assert found.decoded("REFRESH-INTERVAL") == timedelta(minutes=15)
    assert found["REFRESH-INTERVAL"].params["VALUE"] == "DURATION"
    assert found["UID"] == read(made())["UID"]


def test_an_alert_keeps_its_name_and_counts_its_changes() -> None:
    """Section 3.8.4.7 and 3.8.7.4: one UID for ever, SEQUENCE never lower."""
    told = [
        period(EventType.OPENED, seq=1),
        period(seq=2, changed_at=NOW, until=NOW + 12 * HOUR),
        period(EventType.CONFIRMED, seq=3, kind=Kind.OBSERVED, changed_at=NOW + HOUR, certainty=None),
        period(EventType.CLOSED, seq=4, kind=Kind.OBSERVED, changed_at=NOW + 8 * HOUR, ended_at=NOW + 8 * HOUR),
    ]
    entries = [one(item) for item in told]
    assert len({entry["UID"] for entry in entries}) == 1
    assert [entry["SEQUENCE"] for entry in entries] == [1, 2, 3, 4]
    stamps = [entry.decoded("LAST-MODIFIED") for entry in entries]
    assert stamps == sorted(stamps)
    assert [entry["STATUS"] for entry in entries] == ["TENTATIVE", "TENTATIVE", "CONFIRMED", "CONFIRMED"]
    assert entries[2]["SUMMARY"] == "XNOR prepare: snow reported, not ended"
    assert entries[3].decoded("DTEND") == NOW + 8 * HOUR


@pytest.mark.parametrize(
    ("type_", "kind", "status"),
    [
        (EventType.CLOSED, Kind.EXPECTED, "CANCELLED"),
        (EventType.WITHDRAWN, Kind.EXPECTED, "CANCELLED"),
        (EventType.WITHDRAWN, Kind.OBSERVED, "CANCELLED"),
        (EventType.CLOSED, Kind.OBSERVED, "CONFIRMED"),
    ],
)
def test_what_is_given_up_is_cancelled_and_what_was_there_is_not(type_: EventType, kind: Kind, status: str) -> None:
    said = replace(SAID, headline="XNOR no longer expected: snow, was 1000Z-1500Z")
    entry = one(period(type_, said=said, kind=kind, ended_at=NOW + 5 * HOUR))
    assert (entry["STATUS"], entry["SUMMARY"]) == (status, said.headline)


MINUTE = timedelta(minutes=1)
# NOW is 0602Z.
QUARTER = NOW.replace(minute=15, second=0, microsecond=0)


def standing(**episode: Any) -> Period:
    """Return an alert that is reported and has not ended."""
    given = {"kind": Kind.OBSERVED, "certainty": None, "began_at": NOW - 5 * HOUR, "until": None, **episode}
    return period(EventType.OPENED, **given)


@pytest.mark.parametrize("until", [None, NOW - HOUR, NOW - 9 * HOUR, QUARTER - 3 * MINUTE])
def test_what_is_reported_and_has_not_ended_is_seen_now(until: datetime | None) -> None:
    """Section 3.6.1: an entry with a start that is a time, and without an end, ends as it starts: long ago."""
    for minutes, ends_at in ((0, 0), (12, 0), (13, 15), (27, 15), (28, 30)):
        entry = one(standing(until=until), now=NOW + minutes * MINUTE)
        assert entry.decoded("DTSTART") == NOW - 5 * HOUR
        assert entry.decoded("DTEND") == QUARTER + ends_at * MINUTE > NOW + minutes * MINUTE
        assert entry["STATUS"] == "CONFIRMED"


def test_an_end_that_is_expected_later_stays() -> None:
    assert one(standing(until=NOW + 3 * HOUR)).decoded("DTEND") == NOW + 3 * HOUR


def test_what_has_ended_ends_there_whatever_the_present() -> None:
    over = standing(ended_at=NOW - HOUR)
    assert one(over, now=NOW + 8 * HOUR).decoded("DTEND") == NOW - HOUR
    assert made(over, now=NOW + 8 * HOUR) == made(over)


def test_an_alert_that_begins_after_the_present_never_ends_before_it_began() -> None:
    """As under a clock that was set back."""
    late = standing(began_at=NOW + 40 * MINUTE)
    assert one(late).decoded("DTEND") == QUARTER + 30 * MINUTE


def test_a_calendar_changes_once_in_a_quarter_of_an_hour_and_says_so() -> None:
    item = standing(changed_at=NOW - 2 * HOUR, opened_at=NOW - 5 * HOUR)
    documents = [made(item, now=NOW + minutes * MINUTE) for minutes in range(60)]
    changes = [minutes for minutes in range(1, 60) if documents[minutes] != documents[minutes - 1]]
    assert changes == [13, 28, 43, 58]
    # Section 3.8.7.3: when it was last revised; a reader that compares revisions takes the new end.
    for minutes, revised_at in ((0, QUARTER - 15 * MINUTE), (12, QUARTER - 15 * MINUTE), (13, QUARTER)):
        (entry,) = read(documents[minutes]).walk("VEVENT")
        now = NOW + minutes * MINUTE
        assert entry.decoded("LAST-MODIFIED") == entry.decoded("DTSTAMP") == revised_at
        assert changed_at([item], now, NOW - 9 * HOUR) == revised_at
    # What is expected does not move by itself.
    assert made(period(), now=NOW + 3 * HOUR) == made(period())


def test_an_end_that_nobody_knows_is_not_made_up() -> None:
    assert "DTEND" not in one(period(until=None))
    assert "DTEND" not in one(period(until=AHEAD.began_at))
    frost = Expectation(
        "frost", Flag.SNOW, Level.PREPARE, Certainty.COMPUTED, NOW, NOW, NOW + HOUR, "why", odds=Odds(0.8, goes_on=True)
    )
    assert one(period(expected=(frost,)))["SUMMARY"].endswith("may go on after this")


def test_a_blind_station_is_told_in_its_entries() -> None:
    blind = replace(period(), blind_since=NOW)
    entry = one(blind)
    assert entry["SUMMARY"].endswith(", station blind")
    assert "Station blind since 12 Jan 0602Z" in entry["DESCRIPTION"]
    assert entry.decoded("LAST-MODIFIED") == changed_at([blind], NOW, NOW - HOUR) == NOW


def test_a_calendar_without_periods_is_a_calendar() -> None:
    found = read(made())
    assert found.walk("VEVENT") == []
    assert changed_at([], NOW + HOUR, NOW) == NOW


def test_entries_come_in_the_order_of_their_time() -> None:
    found = read(made(period(number=2, began_at=NOW + 5 * HOUR), period(number=9), period(number=1)))
    assert [entry["UID"].partition("-2026")[0] for entry in found.walk("VEVENT")] == ["XNOR-1", "XNOR-9", "XNOR-2"]


def test_a_place_that_is_not_known_has_no_position() -> None:
    entry = one(period(place=Station("XNOR")))
    assert entry["LOCATION"] == "XNOR"
    assert "GEO" not in entry


texts = st.text(min_size=1, max_size=120)


@given(texts, texts, st.one_of(st.none(), texts), st.text(max_size=60))
def test_every_text_comes_out_as_it_went_in(headline: str, why: str, raw: str | None, name: str) -> None:
    """Section 3.3.11: backslash, semicolon, comma and line break are escaped; the other library undoes it."""
    said = replace(SAID, headline=headline, why=why, raw=raw)
    entry = one(period(EventType.CLOSED, Station("XNOR", name or None), said, ended_at=NOW))
    plain = " ".join("".join(letter if letter.isprintable() else " " for letter in headline).split())
    if all(letter.isprintable() or letter.isspace() for letter in headline) and headline.isascii():
        assert entry["SUMMARY"] == plain
    assert entry["DESCRIPTION"].endswith(CAUTION)
    assert entry["URL"] == "https://ice.example.org/stations/XNOR"


def test_hostile_texts_make_no_lines_of_their_own() -> None:
    said = replace(SAID, headline=HOSTILE, why="x\r\nEND:VEVENT\r\nBEGIN:VEVENT", raw="\\n;,\\N: \u2028 é" * 30)
    entry = one(period(EventType.CLOSED, said=said, ended_at=NOW))
    assert entry["SUMMARY"] == " ".join(HOSTILE.split())
    assert "Why: x END:VEVENT BEGIN:VEVENT" in entry["DESCRIPTION"]


def test_the_other_library_writes_the_same_entry() -> None:
    """What icalendar writes of the same values is what stands here, line for line."""
    entry = one(period(said=replace(SAID, why="a; b, c\\d" * 20)))
    again = icalendar.Event.from_ical(entry.to_ical())
    assert {name: again[name].to_ical() for name in again} == {name: entry[name].to_ical() for name in entry}
    mine, theirs = (
        {line for line in text.decode().replace("\r\n ", "").split("\r\n") if not line.startswith("GEO:")}
        for text in (made(period(said=replace(SAID, why="a; b, c\\d" * 20))), entry.to_ical())
    )
    assert theirs - {""} <= mine
    assert len(theirs) > 15


def test_times_are_written_in_z() -> None:
    entry = one(period(began_at=datetime.fromisoformat("2026-01-12T11:00:00+01:00"), until=None))
    assert entry["DTSTART"].to_ical() == b"20260112T100000Z"
    assert entry.decoded("DTSTART") == datetime(2026, 1, 12, 10, tzinfo=UTC)


moments = st.integers(-3000, 3000).map(lambda minutes: NOW + timedelta(minutes=minutes))


@given(
    st.lists(
        st.builds(
            period,
            st.sampled_from(EventType),
            flag=st.sampled_from(Flag),
            kind=st.sampled_from(Kind),
            level=st.sampled_from(Level),
            phase=st.sampled_from(Phase),
            certainty=st.none() | st.sampled_from(Certainty),
            number=st.integers(1, 10**6),
            seq=st.integers(1, 99),
            began_at=moments,
            changed_at=moments,
            opened_at=moments,
            ended_at=st.none() | moments,
            until=st.none() | moments,
        ),
        max_size=4,
        unique_by=lambda one: one.episode.number,
    ),
    moments,
)
def test_whatever_stands_is_a_calendar(periods: list[Period], now: datetime) -> None:
    entries = read(made(*periods, now=now)).walk("VEVENT")
    assert len(entries) == len(periods)
    # A forecast is never told as certain, and nothing is cancelled that still stands.
    by_uid = {f"{one.episode.id}-{one.episode.opened_at:%Y%m%dT%H%M%SZ}@ice.example.org": one for one in periods}
    for entry in entries:
        episode = by_uid[str(entry["UID"])].episode
        assert entry["STATUS"] != "CONFIRMED" or episode.kind is Kind.OBSERVED
        assert entry["STATUS"] != "CANCELLED" or episode.ended_at is not None
        if episode.kind is Kind.OBSERVED and episode.ended_at is None:
            assert entry.decoded("DTEND") > max(now, episode.began_at)

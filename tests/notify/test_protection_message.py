"""What a message says of a treated aircraft: the end that counts, the minutes before and after, the next step."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from watcher.alerts.model import Event, EventBody, EventType, ProtectionLine, SubjectKind
from watcher.alerts.outbox import Item
from watcher.notify.message import Message, message_of
from watcher.notify.payload import webhook_body
from watcher.notify.wording import storm_headline
from watcher.rulebook.words import Level, NoTime
from watcher.treatment.protection import Standing

NOW = datetime(2026, 1, 12, 6, 2, tzinfo=UTC)
START = datetime(2026, 1, 12, 5, 40, tzinfo=UTC)
LINE = ProtectionLine(
    id="XNOR-P3",
    aircraft="HL-101",
    standing=Standing.RUNNING,
    fluid="Type IV",
    mix="100/0",
    started_at=START,
    lower_ends_at=START + timedelta(minutes=30),
    upper_ends_at=START + timedelta(minutes=55),
    allowance_ends_at=None,
    minutes_before=22,
    minutes_after=8,
    table="Type IV (old)",
    season="2003-04",
    authority="Transport Canada",
    training=True,
)
BODY = EventBody(
    station="XNOR",
    name="Northby",
    zone="Europe/Oslo",
    headline="XNOR HL-101: protection shortened to 0610Z, 8 min left (22 min before)",
    why="Moderate snow.",
    next_step="Pre-take-off check inside the holdover time.",
    level=Level.TREAT,
    begins_at=START,
    until=LINE.lower_ends_at,
    observed_at=NOW,
    raw="SPECI XNOR 120600Z 15006KT 2500 SN OVC006 M02/M03 Q1011",
    protection=LINE,
)
LOST = replace(
    BODY,
    level=Level.NO_TIME,
    no_time=NoTime.NONE,
    until=None,
    protection=replace(LINE, standing=Standing.NONE, lower_ends_at=None, upper_ends_at=None, minutes_after=None),
)


def told(body: EventBody, type_: EventType) -> Message:
    event = Event(SubjectKind.PROTECTION, "XNOR-P3", 1, type_, NOW, body)
    item = Item(event, type_, body.level, event.subject_id)
    return message_of("msg_1", [item], now=NOW, valid_until=NOW + timedelta(hours=6))


def lines(message: Message) -> dict[str, str]:
    return {line.label: line.text for line in message.first.lines}


def test_people_read_the_aircraft_its_clock_and_whose_figures_they_are() -> None:
    found = lines(told(BODY, EventType.SHORTENED))
    assert found["Aircraft"] == "HL-101 (XNOR-P3)"
    assert found["Clock"] == "lower end 0610Z, upper end 0635Z; Type IV 100/0 (Transport Canada, 2003-04, TRAINING)"
    assert found["Final application"].startswith("12 Jan 0540Z (06:40 Europe/Oslo), protected until 12 Jan 0610Z")
    assert found["Age of data"].startswith("0 s at 0602Z")
    assert next(iter(found)) == "Next step"


def test_where_no_time_exists_no_figure_stands() -> None:
    message = told(LOST, EventType.LOST)
    found = lines(message)
    assert found["Clock"] == "no time exists; Type IV 100/0"
    assert found["Final application"] == "12 Jan 0540Z (06:40 Europe/Oslo)"
    assert "no take-off on the tables" in found["Level"]
    assert message.what == "Protection lost"
    assert message.first.episode is None, "nobody takes a protection in hand"


def test_programs_get_the_clocks_and_the_minutes_before_and_after() -> None:
    body = webhook_body(told(BODY, EventType.SHORTENED))
    assert body["type"] == "icing.protection.shortened"
    data = body["data"]
    assert isinstance(data, dict)
    assert data["protection"] == {
        "id": "XNOR-P3",
        "aircraft": "HL-101",
        "standing": "running",
        "fluid": "Type IV",
        "mix": "100/0",
        "started_at": "2026-01-12T05:40:00Z",
        "lower_ends_at": "2026-01-12T06:10:00Z",
        "upper_ends_at": "2026-01-12T06:35:00Z",
        "allowance_ends_at": None,
        "minutes_before": 22,
        "minutes_after": 8,
        "table": "Type IV (old)",
        "season": "2003-04",
        "authority": "Transport Canada",
        "training": True,
    }


def test_a_name_that_would_break_a_line_does_not() -> None:
    message = told(replace(BODY, protection=replace(LINE, aircraft="HL\r\nBcc: a@b\x1b[31m")), EventType.SHORTENED)
    assert lines(message)["Aircraft"] == "HL Bcc: a@b [31m (XNOR-P3)"


@pytest.mark.parametrize(
    ("type_", "word"), [(EventType.SHORTENED, "protection shortened"), (EventType.LOST, "protection lost")]
)
def test_among_others_it_is_named_in_a_word(type_: EventType, word: str) -> None:
    assert storm_headline([(type_, BODY)]) == f"1 changes: XNOR {word}"

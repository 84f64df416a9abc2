"""What a message says: age, why, next step, until when it is worth reading, and the caution."""

from __future__ import annotations

import json
import unicodedata
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.notify.scenes import BODY, NOW, OBSERVED_AT, RAW, VALID_UNTIL, a_message, an_event, an_item
from watcher.alerts.model import EventType
from watcher.alerts.outbox import Item
from watcher.links import LinkMaker, read_take
from watcher.notify.message import CAUTION, Links, Message, links_for, message_of, trial_message
from watcher.notify.payload import webhook_body
from watcher.notify.wording import TOLD_AS_WORDS, plain, short
from watcher.rulebook.words import Certainty, Kind, Level, NoTime

# The names of the webhook's data, as the contract fixes them; more may be added.
CONTRACT = {
    "episode", "station", "name", "flag", "level", "kind", "phase", "headline", "why", "from", "until", "observed_at",
    "report_age_min", "raw", "board_url", "caution",
}  # fmt: skip
ADDED = {
    "event", "next_step", "certainty", "previous_level", "no_time", "forecast_raw", "valid_until", "acknowledged_by",
    "acknowledgement_note", "stations", "parked", "acknowledge_url", "probability", "begins_between", "ends_between",
    "protection", "meant_for", "meant_for_why",
}  # fmt: skip


def line(message: Message, label: str) -> str:
    return next(line.text for line in message.first.lines if line.label == label)


def data(message: Message) -> dict[str, Any]:
    found = webhook_body(message)["data"]
    assert isinstance(found, dict)
    return found


def test_people_read_since_when_in_z_and_in_local_time_with_its_zone() -> None:
    assert line(a_message(), "Since") == "12 Jan 0550Z (06:50 Europe/Oslo), not ended"


def test_the_local_day_is_named_where_it_is_another() -> None:
    message = a_message(zone="Pacific/Auckland", begins_at=OBSERVED_AT + timedelta(hours=8))
    assert line(message, "Since") == "12 Jan 1350Z (13 Jan 02:50 Pacific/Auckland), not ended"


def test_a_zone_that_is_not_known_leaves_z_alone() -> None:
    assert line(a_message(zone="Nowhere/Land"), "Since") == "12 Jan 0550Z, not ended"
    assert line(a_message(zone=None), "Since") == "12 Jan 0550Z, not ended"


def test_what_is_expected_has_a_beginning_an_end_and_the_tafs_own_certainty() -> None:
    message = a_message(
        EventType.OPENED,
        kind=Kind.EXPECTED,
        certainty=Certainty.PROBABILITY_30_TEMPORARY,
        until=OBSERVED_AT + timedelta(hours=4),
        forecast_raw="TAF XNOR 120500Z 1206/1306 24008KT 9999",
    )
    assert line(message, "Expected") == (
        "12 Jan 0550Z (06:50 Europe/Oslo) until 12 Jan 0950Z (10:50 Europe/Oslo), probability 30 %, temporary"
    )
    assert line(message, "TAF").startswith("TAF XNOR")


def test_what_is_given_up_before_it_began_has_no_end_before_its_beginning() -> None:
    begins_at = NOW + timedelta(hours=4)
    message = a_message(EventType.CLOSED, kind=Kind.EXPECTED, begins_at=begins_at, until=NOW, zone=None)
    assert line(message, "Was expected") == "from 12 Jan 1002Z, given up 12 Jan 0602Z"


def test_the_age_of_the_data_is_counted_to_the_writing_of_the_message() -> None:
    message = a_message()
    assert message.first.report_age_min == 12
    assert line(message, "Age of data") == "12 min at 0602Z; report of 12 Jan 0550Z (06:50 Europe/Oslo)"


def test_a_report_dated_ahead_of_our_clock_is_no_minutes_old() -> None:
    assert a_message(observed_at=NOW + timedelta(minutes=5)).first.report_age_min == 0


def test_without_a_report_the_age_is_unknown_and_said_to_be() -> None:
    message = a_message(observed_at=None, raw=None)
    assert message.first.report_age_min is None
    assert line(message, "Age of data") == "no report at hand"


def test_the_level_comes_with_what_it_asks_for_and_what_it_was() -> None:
    assert line(a_message(), "Level") == "treat, was prepare (treatment expected to be needed)"


def test_the_level_before_is_not_told_to_whom_the_episode_is_new() -> None:
    message = a_message(told_as=EventType.OPENED)
    assert line(message, "Level") == "treat (treatment expected to be needed)"
    assert data(message)["previous_level"] is None
    assert data(a_message())["previous_level"] == "prepare"


@pytest.mark.parametrize("no_time", NoTime)
def test_no_time_says_which_kind(no_time: NoTime) -> None:
    message = a_message(level=Level.NO_TIME, previous_level=None, no_time=no_time)
    assert "no holdover time exists: " in line(message, "Level")
    assert data(message)["no_time"] == no_time.value


def test_an_end_does_not_read_like_a_present_level() -> None:
    message = a_message(EventType.CLOSED, until=NOW, previous_level=None)
    assert line(message, "Level") == "treat until then"
    assert line(message, "Lasted") == "12 Jan 0550Z (06:50 Europe/Oslo) until 12 Jan 0602Z (07:02 Europe/Oslo)"
    assert message.first.ending


def test_a_message_says_until_when_it_is_worth_reading_why_and_what_to_do() -> None:
    message = a_message()
    assert message.valid_until == VALID_UNTIL
    assert line(message, "Why") == BODY.why
    assert message.first.lines[0].label == "Next step"
    assert line(message, "Report") == RAW


@pytest.mark.parametrize("type_", EventType)
def test_every_kind_of_message_has_its_words(type_: EventType) -> None:
    assert TOLD_AS_WORDS[type_]


def test_the_webhooks_body_is_the_contract() -> None:
    body = webhook_body(a_message())
    assert set(body) == {"type", "timestamp", "data"}
    assert body["type"] == "icing.episode.raised"
    assert body["timestamp"] == "2026-01-12T06:02:00Z"
    assert data(a_message()).keys() == CONTRACT | ADDED
    assert data(a_message()) == {
        "episode": "XNOR-17", "event": "XNOR-17.2", "station": "XNOR", "name": "Northby",
        "flag": "freezing-precipitation", "level": "treat", "previous_level": "prepare", "no_time": None,
        "kind": "observed", "certainty": None, "phase": "present", "headline": BODY.headline, "why": BODY.why,
        "next_step": BODY.next_step, "from": "2026-01-12T05:50:00Z", "until": None,
        "observed_at": "2026-01-12T05:50:00Z", "report_age_min": 12, "raw": RAW, "forecast_raw": None,
        "acknowledged_by": None, "acknowledgement_note": None, "stations": None, "parked": None, "acknowledge_url": None,
        "probability": None, "begins_between": None, "ends_between": None, "protection": None,
        "meant_for": None, "meant_for_why": None,
        "valid_until": "2026-01-12T12:02:30Z", "board_url": "https://board.example.org/", "caution": CAUTION,
    }  # fmt: skip


def test_a_message_about_a_station_names_no_episode() -> None:
    found = data(a_message(EventType.BLIND, flag=None, level=None, previous_level=None, kind=None, phase=None))
    assert found["episode"] is None
    assert found["station"] == "XNOR"
    assert found["level"] is None


def test_the_type_is_how_it_arrives_there() -> None:
    assert webhook_body(a_message(told_as=EventType.OPENED))["type"] == "icing.episode.opened"


def test_a_test_message_says_that_nothing_has_happened() -> None:
    message = trial_message("duty-desk", NOW, delivery_id="msg_test", links=Links())
    body = webhook_body(message)
    assert body["type"] == "icing.test"
    assert message.headline == "Test message to duty-desk: nothing has happened"
    assert data(message)["station"] is None
    assert data(message)["caution"] == CAUTION
    assert data(message).keys() == CONTRACT | ADDED


def several(*items: Item) -> Message:
    return message_of("msg_1", items, now=NOW, valid_until=VALID_UNTIL)


def of(station: str, item: Item) -> Item:
    subject = f"{station}-1"
    return replace(item, subject_id=subject, event=replace(item.event, subject_id=subject))


def test_several_events_are_one_message_with_the_worst_first_and_what_ended_last() -> None:
    message = several(
        of("XFEL", an_item(EventType.CLOSED, station="XFEL", level=Level.NO_TIME)),
        of("XNOR", an_item(EventType.OPENED, station="XNOR", level=Level.PREPARE)),
        of("XBAY", an_item(EventType.OPENED, station="XBAY", level=Level.NO_TIME)),
        of("XMOR", an_item(EventType.OPENED, station="XMOR", level=Level.TREAT, kind=Kind.EXPECTED)),
    )
    assert [part.body.station for part in message.parts] == ["XBAY", "XMOR", "XNOR", "XFEL"]
    assert (
        message.headline
        == "4 changes: XBAY no-time, XMOR treat expected, XNOR prepare, XFEL freezing precipitation ended"
    )
    assert message.what == "4 changes together"


def test_a_long_storm_names_the_worst_four_and_counts_the_rest() -> None:
    codes = ["XAAA", "XBBB", "XCCC", "XDDD", "XEEE", "XFFF"]
    message = several(*(of(code, an_item(EventType.OPENED, station=code)) for code in codes))
    assert message.headline == "6 changes: XAAA treat, XBBB treat, XCCC treat, XDDD treat, and 2 more"


def test_several_events_of_one_episode_are_told_as_it_now_stands_and_as_new_where_it_was_new() -> None:
    message = several(an_item(EventType.OPENED, level=Level.TREAT), an_item(EventType.RAISED, level=Level.NO_TIME))
    assert [(part.told_as, part.body.level) for part in message.parts] == [(EventType.OPENED, Level.NO_TIME)]


def test_a_reader_gets_links_to_take_each_episode_and_to_stop_where_there_are_pages() -> None:
    maker = LinkMaker("https://board.example.org", bytes(32))
    items = [an_item(EventType.OPENED), of("XBAY", an_item(EventType.CLOSED, station="XBAY"))]
    links = links_for("duty-desk", items, maker, "https://board.example.org")
    message = message_of("msg_1", items, now=NOW, valid_until=VALID_UNTIL, links=links)
    taken = read_take(bytes(32), str(message.parts[0].take).rpartition("/")[2])
    assert taken is not None
    assert (taken.episode, taken.destination) == ("XNOR-17", "duty-desk")
    assert message.parts[1].take is None, "what is over is nobody's to take"
    assert links.stop is not None
    assert links_for("duty-desk", items, None, "https://board.example.org") == Links(board="https://board.example.org")


texts = st.text(max_size=60)


@given(headline=texts, why=texts, raw=texts, name=texts, zone=texts, station=texts)
def test_no_report_or_name_carries_a_control_character_into_a_message(
    headline: str, why: str, raw: str, name: str, zone: str, station: str
) -> None:
    event = an_event(headline=headline, why=why, raw=raw, name=name, zone=zone, station=station)
    message = message_of("msg_1", [Item(event, event.type, None, "XNOR-17")], now=NOW, valid_until=VALID_UNTIL)
    shown = [message.headline, *(f"{line.label}{line.text}" for line in message.first.lines)]
    said = [value for value in data(message).values() if isinstance(value, str)]
    for text in shown + said:
        assert not {unicodedata.category(letter) for letter in text} & {"Cc", "Cf", "Cs", "Zl", "Zp"}
    json.dumps(webhook_body(message), ensure_ascii=False).encode()


@pytest.mark.parametrize(("text", "shown"), [
    ("a\r\nBcc: x@example.org", "a Bcc: x@example.org"), ("a\u202eb", "a b"), ("\ud800", ""), ("Ærøy  ß", "Ærøy ß"),
])  # fmt: skip
def test_texts_are_put_on_one_plain_line(text: str, shown: str) -> None:
    assert plain(text) == shown


def test_what_a_receiver_says_is_kept_short() -> None:
    assert len(short("x" * 5000)) == 200
    assert short("no\nsuch\tthing") == "no such thing"

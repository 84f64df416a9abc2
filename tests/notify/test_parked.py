"""Parked aircraft in messages: before the stations, all of them in mail, five in a chat room, each as data in webhooks."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest
from hypothesis import given

from tests.notify.letters import HOSTILE, SAMPLES, Page, body_of, digest_line, told
from watcher.alerts.model import EventType, ParkedLine
from watcher.errors import SettingsError
from watcher.notify.message import Message
from watcher.notify.payload import webhook_body
from watcher.notify.samples import READER
from watcher.notify.templating import LONGEST_CHAT, Templates

TEMPLATES = Templates.load()
DIGEST = SAMPLES["digest"]
SHIPS = DIGEST.first.body.parked
KEYS = {
    "name", "station", "departs_at", "zone", "probability", "contaminant", "part", "headline", "why", "next_step",
    "frost_begins_at", "frost_begins_between", "deposit_gone_at", "observed_at", "report_age_min",
}  # fmt: skip


def parked_of(message: Message) -> list[dict[str, object]]:
    data = webhook_body(message)["data"]
    assert isinstance(data, dict)
    found = data["parked"]
    assert isinstance(found, list)
    return found


def fleet(count: int, **fields: str) -> tuple[ParkedLine, ...]:
    return tuple(
        replace(
            SHIPS[1], name=f"Ship {number}", headline=f"Ship {number} at XMOR, departs 0540Z: 78 % frosted", **fields
        )
        for number in range(count)
    )


def a_digest(**fields: object) -> Message:
    return told((EventType.DIGEST, body_of("digest", **fields)))


def test_a_mail_begins_with_the_parked_aircraft_in_their_order_and_then_has_the_stations():
    for words in (TEMPLATES.text(DIGEST, READER), Page(TEMPLATES.page(DIGEST, READER)).words):
        places = [words.index(f"{ship.name} at {ship.station}, departs") for ship in SHIPS]
        assert places == sorted(places)
        assert places[-1] < words.index("XBAY no-time: heavy freezing drizzle")
        for ship in SHIPS:
            assert ship.outcome in words
            assert ship.next_step in words
            assert ship.why in words
        assert words.count("Age of data: 12 min at 0602Z") >= 3
        assert "No measurement of an aircraft's wing stands behind" in words


def test_a_low_chance_is_never_shown_as_a_word_without_its_figure():
    rows = re.findall(r"<tr><th.*?</tr>", TEMPLATES.page(DIGEST, READER), re.DOTALL)
    assert len(rows) == len(SHIPS)
    assert "4 % frosted" in Page(rows[-1]).words
    assert Page(rows[2]).words.startswith("not known")


def test_a_digest_without_parked_aircraft_has_no_word_of_them():
    message = a_digest(parked=(), why="12 stations looked at.", headline="Digest", next_step="Nothing.")
    for words in (
        TEMPLATES.text(message, READER), Page(TEMPLATES.page(message, READER)).words, TEMPLATES.chat(message, READER)
    ):  # fmt: skip
        assert "arked aircraft" not in words
    assert parked_of(message) == []


def test_a_chat_room_gets_the_first_five_and_how_many_more_there_are():
    chat = TEMPLATES.chat(a_digest(parked=fleet(7), lines=()), READER)
    assert re.findall(r"^- (Ship \d)", chat, re.MULTILINE) == ["Ship 0", "Ship 1", "Ship 2", "Ship 3", "Ship 4"]
    assert "And 2 more parked aircraft" in chat


def test_a_long_digest_keeps_the_first_aircraft_and_stations_and_counts_the_rest():
    lines = tuple(digest_line(replace(body_of("raised"), station=f"X{number:03d}")) for number in range(40))
    chat = TEMPLATES.chat(a_digest(parked=fleet(40), lines=lines), READER)
    assert len(chat) <= LONGEST_CHAT
    ships = len(re.findall(r"^- Ship", chat, re.MULTILINE))
    stations = len(re.findall(r"^\d+\. ", chat, re.MULTILINE))
    assert ships >= 1
    assert stations >= 1
    assert f"And {40 - ships} more parked aircraft" in chat
    assert f"And {40 - stations} more stations" in chat


def test_a_mail_tells_of_every_aircraft():
    text = TEMPLATES.text(a_digest(parked=fleet(40)), READER)
    assert len(re.findall(r"^- Ship", text, re.MULTILINE)) == 40


def test_a_webhook_carries_each_aircraft_as_data_and_unknown_as_null():
    likely, unknown = parked_of(DIGEST)[1:3]
    assert likely.keys() == unknown.keys() == KEYS
    assert (likely["probability"], likely["contaminant"], likely["part"]) == (0.78, "deposit", "tank_part")
    assert likely["departs_at"] == "2026-01-13T05:40:00Z"
    assert likely["frost_begins_between"] == ["2026-01-13T00:30:00Z", "2026-01-13T03:30:00Z"]
    assert likely["deposit_gone_at"] == "2026-01-13T08:40:00Z"
    assert likely["report_age_min"] == 12
    assert unknown["probability"] is unknown["contaminant"] is unknown["part"] is unknown["frost_begins_at"] is None


@pytest.mark.parametrize("kind", [kind for kind in SAMPLES if "digest" not in kind and kind != "hostile texts"])
def test_only_a_digest_has_a_list_of_parked_aircraft(kind: str):
    data = webhook_body(SAMPLES[kind])["data"]
    assert isinstance(data, dict)
    assert data["parked"] is None


def test_own_templates_may_name_the_fields_of_an_aircraft_and_a_wrong_one_is_refused():
    own = Templates.load({
        "chat.txt": "{{ caution }}{% for ship in first.parked %}{{ ship.name }} {{ ship.chance }};{% endfor %}",
        "webhook.json": '{"type": {{ type }}, "timestamp": {{ timestamp }}, "data": [{% for ship in parked or [] %}'
        "{{ ship.departs_at }}{% if not loop.last %},{% endif %}{% endfor %}]}",
    })  # fmt: skip
    assert own.chat(DIGEST, READER).endswith("Ship 2 98 %;Ship 4 78 %;Ship 9 not known;Ship 7 4 %;")
    assert len(json.loads(own.webhook(DIGEST))["data"]) == len(SHIPS)
    with pytest.raises(SettingsError, match='field "chanse" is not known; did you mean chance'):
        Templates.load({"chat.txt": "{% for ship in first.parked %}{{ ship.chanse }}{% endfor %}"})


@given(text=HOSTILE)
def test_no_text_of_an_aircraft_breaks_a_line_the_page_or_the_json(text: str):
    fields = dict.fromkeys(("name", "zone", "departs", "headline", "outcome", "why", "next_step", "part"), text)
    message = a_digest(parked=(replace(SHIPS[1], **fields), SHIPS[3]))
    harmless = a_digest(parked=(replace(SHIPS[1], **dict.fromkeys(fields, "x")), SHIPS[3]))
    page, plain_page = Page(TEMPLATES.page(message, READER)), Page(TEMPLATES.page(harmless, READER))
    assert set(page.tags) == set(plain_page.tags)
    assert page.addresses == plain_page.addresses
    lines, plain_lines = (TEMPLATES.text(item, READER).splitlines() for item in (message, harmless))
    assert len(lines) == len(plain_lines)
    told_of = json.loads(TEMPLATES.webhook(message))["data"]["parked"]
    assert [len(told_of), told_of[1]["name"]] == [2, "Ship 7"]
    chat = TEMPLATES.chat(message, READER)
    assert "<" not in chat
    assert "@" not in chat

"""Templates: what the shipped ones write, what an operator's may name, and how every fault in one is told."""

from __future__ import annotations

import importlib.util
import json
import re
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given
from structlog.testing import capture_logs

from tests.notify.letters import HOSTILE, SAMPLES, Page, body_of, digest_line, told
from watcher.alerts.model import EventType
from watcher.errors import SettingsError
from watcher.notify.message import CAUTION, Links, Message
from watcher.notify.part_fields import PartFields, StationFields
from watcher.notify.payload import webhook_body
from watcher.notify.samples import READER
from watcher.notify.template_check import FILTERS
from watcher.notify.template_fields import FIELDS, MessageFields, webhook_context
from watcher.notify.templating import LONGEST_CHAT, TEMPLATE_NAMES, Templates

SHIPPED = {
    name: files("watcher.notify").joinpath("templates", name).read_text(encoding="utf-8") for name in TEMPLATE_NAMES
}
TEMPLATES = Templates.load()
AS_WRITTEN = Templates.load(SHIPPED)
WHOLE = '{"type": {{ type }}, "timestamp": {{ timestamp }}, "data": '
DEPLOY = Path(__file__).parent.parent.parent / "deploy"


def problems(**templates: str) -> list[str]:
    """Return what is said about templates; `mail_txt` is mail.txt."""
    with pytest.raises(SettingsError) as error:
        Templates.load({name.replace("_", "."): text for name, text in templates.items()})
    return [str(problem) for problem in error.value.problems]


def storm(count: int) -> Message:
    return told(*[(EventType.OPENED, body_of("opened", station=f"X{number:03d}")) for number in range(count)])


def everywhere(text: str) -> Message:
    fields = {"headline": text, "raw": text, "forecast_raw": text, "name": text, "why": text, "next_step": text}
    line = digest_line(body_of("raised", **fields), also=[text])
    return told(
        (EventType.DIGEST, body_of("digest", headline=text, why=text, next_step=text, lines=(line,), note=text))
    )


@pytest.mark.parametrize("kind", SAMPLES)
def test_the_default_webhook_is_what_its_template_writes(kind: str) -> None:
    fast, written = TEMPLATES.webhook(SAMPLES[kind]), AS_WRITTEN.webhook(SAMPLES[kind])
    assert json.loads(written) == json.loads(fast) == webhook_body(SAMPLES[kind])
    assert list(json.loads(written)["data"]) == list(json.loads(fast)["data"])


@pytest.mark.parametrize("kind", SAMPLES)
def test_a_shipped_template_passes_as_an_operators_own(kind: str) -> None:
    for way in ("text", "page", "chat"):
        assert getattr(AS_WRITTEN, way)(SAMPLES[kind], READER) == getattr(TEMPLATES, way)(SAMPLES[kind], READER)
    assert TEMPLATES.own == frozenset()
    assert AS_WRITTEN.own == set(TEMPLATE_NAMES)


@pytest.mark.parametrize("kind", SAMPLES)
def test_every_way_carries_headline_next_step_and_caution(kind: str) -> None:
    message = SAMPLES[kind]
    for text in (
        TEMPLATES.text(message, READER),
        Page(TEMPLATES.page(message, READER)).words,
        json.dumps(webhook_body(message), ensure_ascii=False),
    ):
        assert CAUTION in text
        assert message.first.body.next_step in text.replace('\\"', '"').replace("\\\\", "\\")


def test_no_blank_line_is_doubled_and_no_field_is_left_empty_in_the_text() -> None:
    for kind, message in SAMPLES.items():
        text = TEMPLATES.text(message, READER)
        assert "\n\n\n" not in text, kind
        assert not re.search(r"^\s*[A-Z][a-z ]+: *$", text, re.MULTILINE), kind
        assert "None" not in text


@given(text=HOSTILE)
def test_any_text_in_a_webhook_template_is_a_json_literal(text: str) -> None:
    """RFC 8259, read by the standard library."""
    own = Templates.load({"webhook.json": WHOLE + '{"a": {{ why }}, "b": {{ data }}, "c": [{{ raw }}]}}'})
    message = everywhere(text)
    body = json.loads(own.webhook(message))
    assert body["data"] == {"a": message.first.body.why, "b": webhook_body(message)["data"], "c": [None]}
    assert json.loads(AS_WRITTEN.webhook(message)) == webhook_body(message)


@given(text=HOSTILE)
def test_no_text_is_a_command_a_mention_or_a_hidden_link_in_a_chat_room(text: str) -> None:
    message = everywhere(text)
    chat = TEMPLATES.chat(message, READER)
    without_links = chat.replace(str(message.links.board), "").replace(str(message.links.stop), "")
    assert not set(without_links) & set("<>@")
    assert not re.search(r"&#?\w+;", without_links)
    assert not re.search(r"\]\s*[(\[]", without_links)
    assert str(message.links.board) in chat
    assert str(message.links.stop) in chat
    assert len(chat) <= LONGEST_CHAT


def test_a_comparison_stays_readable_in_a_chat_room() -> None:
    chat = TEMPLATES.chat(told((EventType.OPENED, body_of("opened", why="air -1 <= +1, humidity 97 >= 90"))), READER)
    assert "air -1 ≤ +1, humidity 97 ≥ 90" in chat


@pytest.mark.parametrize("kind", ["opened", "expected", "raised", "ended", "blind", "taken", "reminder", "test"])
def test_a_single_event_is_a_few_lines_in_a_chat_room(kind: str) -> None:
    lines = TEMPLATES.chat(SAMPLES[kind], READER).splitlines()
    assert len(lines) <= 8
    assert SAMPLES[kind].headline in lines[0]


def test_a_reminder_says_so_in_the_first_line_of_a_chat_room() -> None:
    assert TEMPLATES.chat(SAMPLES["reminder"], READER).startswith("Reminder: XNOR treat")


@pytest.mark.parametrize("count", [2, 5, 9, 40, 200])
def test_a_storm_in_a_chat_room_is_a_line_a_station_worst_first_and_no_longer_than_a_room_takes(count: int) -> None:
    chat = TEMPLATES.chat(storm(count), READER)
    assert len(chat) <= LONGEST_CHAT
    told_lines = re.findall(r"^\d+\. .*$", chat, re.MULTILINE)
    left_out = re.search(r"And (\d+) more", chat)
    assert len(told_lines) + (int(left_out[1]) if left_out else 0) == count
    assert len(told_lines) >= min(count, 5)
    assert CAUTION in chat


def test_however_long_one_message_is_a_room_gets_its_beginning_and_the_caution() -> None:
    board = "https://icing.example.org/" + "a" * 3000
    chat = TEMPLATES.chat(told((EventType.OPENED, body_of("opened")), links=Links(board=board)), READER)
    assert len(chat) <= LONGEST_CHAT
    assert chat.startswith("XNOR treat")
    assert chat.endswith(f"…\n{CAUTION}")


def test_what_was_said_on_taking_reaches_the_room() -> None:
    assert "Note: Crew called, first aircraft at 0630Z." in TEMPLATES.chat(SAMPLES["taken"], READER)


def test_a_long_digest_in_a_chat_room_says_how_many_stations_are_left_out() -> None:
    lines = tuple(digest_line(replace(body_of("raised"), station=f"X{number:03d}")) for number in range(90))
    chat = TEMPLATES.chat(told((EventType.DIGEST, body_of("digest", lines=lines))), READER)
    shown = len(re.findall(r"^\d+\. ", chat, re.MULTILINE))
    assert f"And {90 - shown} more stations" in chat
    assert len(chat) <= LONGEST_CHAT


def test_an_operators_template_takes_the_place_of_the_shipped_one() -> None:
    own = Templates.load(
        {"chat.txt": "{{ first.station|default('?', true)|lower }} {{ first.report|groups|join('/') }}"}
    )
    assert own.chat(SAMPLES["opened"], READER).startswith("xnor SPECI/XNOR/120550Z/")
    assert own.text(SAMPLES["opened"], READER) == TEMPLATES.text(SAMPLES["opened"], READER)


def test_what_a_macro_has_written_is_made_harmless_once() -> None:
    macro = "{% macro strong(x) %}<b>{{ x }}</b>{% endmacro %}"
    page = Templates.load({"mail.html": macro + "{{ strong(headline) }}"}).page(SAMPLES["hostile texts"], READER)
    assert Page(page).tags == ["b"]
    in_brackets = "{% macro listed(x) %}[{{ x }}]{% endmacro %}" + WHOLE + "{{ listed(headline) }}}"
    body = Templates.load({"webhook.json": in_brackets}).webhook(SAMPLES["hostile texts"])
    assert json.loads(body)["data"] == [SAMPLES["hostile texts"].first.headline]


def test_a_message_that_trips_an_operators_template_is_told_by_the_shipped_one() -> None:
    own = Templates.load({"mail.txt": "{{ parts[-9 if headline|length == 77 else 0].headline }}"})
    message = told((EventType.OPENED, body_of("opened", headline="x" * 77)))
    with capture_logs() as logs:
        assert own.text(message, READER) == TEMPLATES.text(message, READER)
    assert [(line["log_level"], line["file"]) for line in logs] == [("error", "mail.txt")]


def test_a_webhook_that_would_be_no_json_is_written_by_the_shipped_template() -> None:
    own = Templates.load({"webhook.json": WHOLE + "{{ data }}{% if headline|length == 77 %},{% endif %}}"})
    message = told((EventType.OPENED, body_of("opened", headline="x" * 77)))
    with capture_logs() as logs:
        assert json.loads(own.webhook(message)) == webhook_body(message)
    assert "is no JSON" in logs[0]["error"]


def test_all_that_is_wrong_is_told_at_once_with_file_and_line() -> None:
    found = problems(
        mail_text="",
        mail_txt="{{ headlin }}\n{{ first.hedline }}\n{% for p in parts %}{{ p.statoin }}{{ loop.indx }}{% endfor %}",
        mail_html="ok\n{{ what|uper }}{% if more is evn %}{% endif %}",
        chat_txt="{% include 'x' %}",
        webhook_json='{"data": {{ data.nam }} }',
    )
    assert found == [
        "mail.text: is no template; did you mean mail.txt?",
        'mail.txt: line 1: field "headlin" is not known; did you mean headline?',
        'mail.txt: line 2: field "hedline" is not known; did you mean headline?',
        'mail.txt: line 3: field "indx" is not known; did you mean index?',
        'mail.txt: line 3: field "statoin" is not known; did you mean station?',
        'mail.html: line 2: filter "uper" is not known; did you mean upper?',
        'mail.html: line 2: test "evn" is not known; did you mean even?',
        "chat.txt: line 1: a template stands alone; write here what another file would say",
        'webhook.json: line 1: field "nam" is not known; did you mean name?',
    ]


def test_a_field_is_refused_also_where_no_message_comes_by() -> None:
    assert problems(chat_txt="{{ headline }}{% if first.station == 'XXXX' %}{{ first.raws }}{% endif %}") == [
        f'chat.txt: line 1: field "raws" is not known; allowed: {", ".join(sorted(FIELDS["part"]))}'
    ]


@pytest.mark.parametrize(("text", "line", "what"), [
    ("a\n{% if several %}", 2, "the template cannot be read"),
    ("\n\n{{ headline", 3, "the template cannot be read"),
    ("{% frob %}", 1, "the template cannot be read"),
    ("\n{{ parts[5].headline }}", 2, "list object has no element 5"),
    ("{{ headline / 2 }}", 1, "it cannot be written"),
    ("\n{{ range(9) }}", 2, 'field "range" is not known'),
    ("{{ headline.__class__ }}", 1, 'field "__class__" is not known'),
    ("{{ ''['__class__'] }}", 1, "unsafe"),
    ("{{ headline.format(1) }}", 1, 'field "format" is not known'),
])  # fmt: skip
def test_a_wrong_template_is_told_by_its_line(text: str, line: int, what: str) -> None:
    (problem,) = problems(mail_txt=text)
    assert problem.startswith(f"mail.txt: line {line}: ")
    assert what in problem


@pytest.mark.parametrize("name", ["mail_txt", "mail_html", "chat_txt"])
def test_a_template_that_writes_nothing_is_refused_with_the_sample_that_shows_it(name: str) -> None:
    (problem,) = problems(**{name: "{% if several %}{{ headline }}{% endif %}\n"})
    assert problem.endswith("it writes nothing; found with the sample: opened")


@pytest.mark.parametrize(("text", "what"), [
    ('{"type": "{{ type }}"}', "is no JSON"),
    ("[1]", "is no JSON object"),
    ('{"type": {{ type }}, "when": {{ timestamp }}}', "lacks timestamp, data"),
    (WHOLE + "{{ data }},}", "is no JSON"),
    (WHOLE + "{% if stations %}1{% endif %}}", "is no JSON"),
])  # fmt: skip
def test_a_webhook_template_must_write_the_object_that_receivers_look_for(text: str, what: str) -> None:
    (problem,) = problems(webhook_json=text)
    assert what in problem


def test_the_table_of_fields_is_that_of_what_templates_get() -> None:
    for message in SAMPLES.values():
        assert set(webhook_context(message)) == set(FIELDS["webhook"])
    for group, kind in (("message", MessageFields), ("part", PartFields), ("station", StationFields)):
        assert all(meaning[0].isupper() and meaning.endswith(".") for meaning in FIELDS[group].values())
        assert set(FIELDS[group]) == {name for name in dir(kind) if not name.startswith("_")}


def test_the_page_of_fields_is_made_from_the_table() -> None:
    spec = importlib.util.spec_from_file_location("make_templates_page", DEPLOY / "make_templates_page.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    page = (DEPLOY / "templates.md").read_text(encoding="utf-8")
    assert page == module.page()
    for word in (*FILTERS, *(field for group in FIELDS.values() for field in group)):
        assert f"| `{word}` |" in page

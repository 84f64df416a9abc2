"""`hoarline morning --mail`: the list in a mailbox, as text and as a page, or a plain word why not."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
import time_machine

from tests.cli.spoken import hoarline
from tests.cli.test_depart import BY_HAND
from tests.cli.test_morning import LIST

NOW = datetime(2026, 1, 12, 3, 25, tzinfo=UTC)


@pytest.fixture
def folder(tmp_path, monkeypatch, mailbox):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "list.csv").write_text(LIST)
    (tmp_path / "room.url").write_text("https://chat.example.org/in/abc\n")
    (tmp_path / "hoarline.toml").write_text(f"""
[store]
url = "sqlite:///{tmp_path}/hoarline.db"
[mail]
host = "127.0.0.1"
port = {mailbox.port}
security = "none"
from = "Hoarline <hoarline@example.org>"
[[destination]]
name = "desk"
kind = "email"
address = "duty@example.org"
[[destination]]
name = "room"
kind = "chat"
url_file = "room.url"
""")
    with time_machine.travel(NOW, tick=True):
        yield tmp_path


def test_the_list_arrives_as_text_and_as_a_page_under_the_line_that_stands_alone(folder, mailbox):
    told = hoarline("morning", "list.csv", "--training", "--mail", "desk", *BY_HAND)
    assert (told.code, told.out) == (0, "")
    assert "desk took the list." in told.err
    (mail,) = mailbox.mails
    assert mail["To"] == "duty@example.org"
    assert mail["Subject"].startswith("4 of 5 departures may need treatment. First call")
    assert mail["Auto-Submitted"] == "auto-generated"
    text = mail.get_body(("plain",)).get_content()
    page = mail.get_body(("html",)).get_content()
    for flight in ("HL101", "HL102", "HL103", "HL104"):
        assert flight in text
        assert flight in page
    assert "Planning aid." in text
    assert "Planning aid." in page


@pytest.mark.parametrize(("name", "why"), [("dsk", "did you mean desk"), ("room", "is no mailbox")])
def test_what_is_no_mailbox_is_refused_before_anything_is_computed(folder, mailbox, name, why):
    told = hoarline("morning", "list.csv", "--training", "--mail", name, *BY_HAND)
    assert told.code == 2
    assert why in told.err
    assert mailbox.mails == []


def test_a_paused_mailbox_gets_no_list(folder, mailbox):
    hoarline("destination", "pause", "desk")
    told = hoarline("morning", "list.csv", "--training", "--mail", "desk", *BY_HAND)
    assert told.code == 2
    assert "gets nothing" in told.err


def test_a_mail_server_that_refuses_is_a_failure(folder, mailbox):
    mailbox.answer = "550 no such mailbox"
    told = hoarline("morning", "list.csv", "--training", "--mail", "desk", *BY_HAND)
    assert told.code == 1
    assert "desk did not take it" in told.err

"""The question to the owner of an address, as the standard library's parser reads it."""

from __future__ import annotations

import re
import shlex
from dataclasses import replace
from datetime import timedelta
from email.message import EmailMessage

import pytest
from hypothesis import given

from tests.notify.letters import HOSTILE, Page, content_of, read
from watcher.notify.confirmation import build_confirmation
from watcher.notify.mail import Envelope
from watcher.notify.message import CAUTION
from watcher.notify.samples import NOW
from watcher.notify.wording import plain

ENVELOPE = Envelope("Hoarline <hoarline@example.org>", "night@example.org", "night desk", "ops@example.org")
CODE = "KX7Q-42MD"
URL = "https://icing.example.org/confirm/" + "0123456789abcdef" * 8 + "?a=1&b=2"


def question(envelope: Envelope = ENVELOPE, confirm_url: str | None = URL, code: str = CODE) -> EmailMessage:
    now = NOW.replace(microsecond=0)
    expires_at = now + timedelta(days=2)
    mail = build_confirmation(envelope, code=code, confirm_url=confirm_url, expires_at=expires_at, now=now)
    return read(mail.as_bytes())


def test_it_asks_the_owner_of_the_address_and_nobody_answers_by_machine() -> None:
    mail = question()
    assert mail["Subject"] == "Do you want icing alerts at night@example.org?"
    assert mail["To"] == "night@example.org"
    assert mail["From"] == "Hoarline <hoarline@example.org>"
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834, 5.1
    assert re.fullmatch(r"<[0-9a-f]{32}@example\.org>", mail["Message-ID"])  # RFC 5322, 3.6.4
    assert mail["List-Id"] is None


@pytest.mark.parametrize("kind", ["plain", "html"])
def test_it_says_how_to_say_yes_and_that_nothing_happens_otherwise(kind: str) -> None:
    content = content_of(question(), kind)
    words = Page(content).words if kind == "html" else " ".join(content.split())
    for wanted in (
        "night@example.org", '"night desk"', CODE, "hoarline destination confirm 'night desk' KX7Q-42MD", "do nothing",
        "No alert comes to this address", "14 Jan 0602Z", "2 d from now", "ops@example.org", CAUTION, "Opening it alone changes",
    ):  # fmt: skip
        assert wanted.lower() in words.lower()
    assert URL in (Page(content).addresses if kind == "html" else content)


@pytest.mark.parametrize("kind", ["plain", "html"])
def test_without_a_page_the_code_is_the_way(kind: str) -> None:
    content = content_of(question(confirm_url=None), kind)
    assert CODE in content
    assert "http" not in content
    assert "give this code to whoever runs the service" in content.lower()


def test_the_page_fetches_nothing() -> None:
    page = Page(content_of(question(), "html"))
    assert page.addresses == [URL]
    assert not set(page.tags) & {"img", "script", "link", "iframe", "object", "form", "base"}


def test_the_code_and_the_page_stay_out_of_the_headers() -> None:
    """Mail servers write Message-IDs and subjects into their logs; a short code could be guessed from its hash."""
    first, second = question(), question(code="ANOTHER-1", confirm_url=None)
    assert first.items()[:6] == second.items()[:6]
    assert not any(CODE in str(value) or "confirm/" in str(value) for value in first.values())


def test_without_a_contact_the_sender_answers_questions() -> None:
    assert "Questions: hoarline@example.org" in content_of(question(replace(ENVELOPE, contact="")), "plain")


@given(destination=HOSTILE, contact=HOSTILE)
def test_no_name_breaks_the_headers_the_page_or_the_command(destination: str, contact: str) -> None:
    mail = question(replace(ENVELOPE, destination=destination, contact=contact))
    assert {name.lower() for name in mail} == {
        "from", "to", "subject", "date", "message-id", "auto-submitted", "mime-version", "content-type",
    }  # fmt: skip
    page = Page(content_of(mail, "html"))
    assert page.addresses == [URL]
    assert page.tags == Page(content_of(question(), "html")).tags
    (command,) = (line for line in content_of(mail, "plain").splitlines() if line.startswith("They enter it with: "))
    assert shlex.split(command.removeprefix("They enter it with: ")) == [
        "hoarline", "destination", "confirm", plain(destination), CODE,
    ]  # fmt: skip

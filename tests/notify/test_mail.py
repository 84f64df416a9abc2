"""Mails as the standard library's parser reads them: headers of RFC 5322, 3834, 2369, 2919 and 8058."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.notify.scenes import BODY, NOW, RAW, a_message
from watcher.alerts.model import EventType
from watcher.notify import message as messages
from watcher.notify.mail import Envelope, build_mail
from watcher.notify.message import CAUTION, Message
from watcher.rulebook.words import Level

ENVELOPE = Envelope("Hoarline <hoarline@example.org>", "duty@example.org", "duty-desk", "ops@example.org")
KNOWN_HEADERS = {
    "from", "to", "subject", "date", "auto-submitted", "message-id", "in-reply-to", "references", "list-id",
    "list-unsubscribe", "list-unsubscribe-post", "mime-version", "content-type",
}  # fmt: skip


def as_bytes(
    message: Message, envelope: Envelope = ENVELOPE, delivery: str = "msg_1", subject: str = "XNOR-17"
) -> bytes:
    return build_mail(message, envelope, delivery_id=delivery, subject_id=subject, now=NOW).as_bytes()


def read(content: bytes) -> EmailMessage:
    mail = message_from_bytes(content, policy=default)
    assert isinstance(mail, EmailMessage)
    assert not mail.defects
    return mail


def a_mail(message: Message | None = None, envelope: Envelope = ENVELOPE, **ids: str) -> EmailMessage:
    return read(as_bytes(message or a_message(), envelope, **ids))


def part(mail: EmailMessage, kind: str) -> str:
    body = mail.get_body((kind,))
    assert body is not None
    text = body.get_content()
    assert isinstance(text, str)
    return text


class Page(HTMLParser):
    """The texts, tags and addresses of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.text = ""
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.text += data

    @property
    def words(self) -> str:
        return " ".join(self.text.split())


def test_subject_is_the_headline_and_nobody_answers_by_machine() -> None:
    mail = a_mail()
    assert mail["Subject"] == BODY.headline
    assert mail["From"] == "Hoarline <hoarline@example.org>"
    assert mail["To"] == "duty@example.org"
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834, 5.1
    assert mail["Date"].datetime == NOW
    assert mail["List-Id"].count("<") == 1


def test_the_same_delivery_has_the_same_message_id_in_every_attempt() -> None:
    assert as_bytes(a_message()) == as_bytes(a_message())
    assert a_mail()["Message-ID"] != a_mail(delivery="msg_2")["Message-ID"]
    # RFC 5322, 3.6.4
    assert re.fullmatch(r"<[a-z0-9]+@example\.org>", a_mail()["Message-ID"])


def test_mails_about_one_episode_are_one_conversation() -> None:
    first, second, other = a_mail(delivery="msg_1"), a_mail(delivery="msg_2"), a_mail(subject="XNOR-18")
    assert first["References"] == second["References"] == second["In-Reply-To"]
    assert first["References"] != other["References"]
    elsewhere = a_mail(envelope=replace(ENVELOPE, destination="night-desk"))
    assert first["References"] != elsewhere["References"]


def test_whoever_wants_no_more_writes_to_the_contact() -> None:
    assert a_mail()["List-Unsubscribe"] == "<mailto:ops@example.org?subject=stop%20duty-desk>"
    assert a_mail()["List-Unsubscribe-Post"] is None
    assert "write to ops@example.org" in part(a_mail(), "plain")


@pytest.mark.parametrize("contact", ["", "https://example.org/contact", "no address"])
def test_without_a_contact_that_takes_mail_the_sender_gets_it(contact: str) -> None:
    mail = a_mail(envelope=replace(ENVELOPE, contact=contact))
    assert mail["List-Unsubscribe"].startswith("<mailto:hoarline@example.org?")


def test_one_click_removal_is_offered_by_an_https_page_only() -> None:
    page = a_mail(envelope=replace(ENVELOPE, unsubscribe_url="https://board.example.org/stop/abc?x=1"))
    # RFC 8058, 3.1: one HTTPS address, and exactly this line.
    assert page["List-Unsubscribe"] == "<https://board.example.org/stop/abc?x=1>"
    assert page["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    plain = a_mail(envelope=replace(ENVELOPE, unsubscribe_url="http://board.example.org/stop"))
    assert plain["List-Unsubscribe"].startswith("<mailto:")
    assert plain["List-Unsubscribe-Post"] is None


def test_the_text_alone_says_everything() -> None:
    mail = a_mail()
    text = part(mail, "plain")
    for wanted in (
        BODY.headline, "Level raised", BODY.why, BODY.next_step, RAW, "XNOR Northby", "12 min at 0602Z", "Valid until",
        "06:50 Europe/Oslo", CAUTION, "https://board.example.org/", "freezing-precipitation",
    ):  # fmt: skip
        assert wanted in text


def test_the_page_says_the_same_as_the_text() -> None:
    message = a_message()
    words = Page(part(a_mail(message), "html")).words
    for line in message.lines:
        if line.label != "Station":
            assert line.text in words
    for wanted in (message.headline, CAUTION, "XNOR Northby", "Level raised"):
        assert wanted in words


def test_no_line_of_the_page_breaks_between_a_sign_and_its_weather() -> None:
    """A browser may break a line after a hyphen, and FZDZ without its minus is another weather."""
    html = part(a_mail(), "html")
    assert [f"<span>{group}</span>" in html for group in RAW.split()] == [True] * len(RAW.split())
    assert "code span { display: inline-block; max-width: 100%; }" in html


def test_the_page_asks_nobody_for_anything() -> None:
    html = part(a_mail(a_message(public_url=None)), "html")
    page = Page(html)
    assert not set(page.tags) & {"img", "script", "link", "iframe", "object", "form", "video", "audio", "base", "embed"}
    assert not [value for name, value in page.attributes if name in {"src", "href", "background", "srcset"}]
    assert "url(" not in html
    assert "@import" not in html


def test_the_page_follows_the_readers_light_or_dark() -> None:
    html = part(a_mail(), "html")
    assert "prefers-color-scheme: dark" in html
    assert ("content", "light dark") in Page(html).attributes


@pytest.mark.parametrize("level", Level)
def test_a_level_is_told_by_a_word_beside_its_shape(level: Level) -> None:
    html = part(a_mail(a_message(EventType.OPENED, level=level, previous_level=None)), "html")
    mark = re.search(r'<span class="mark ([a-z-]+)">(.*?)</span>', html, re.DOTALL)
    assert mark is not None
    assert mark[1] == level.word
    assert "<svg" in mark[2]
    assert Page(mark[2]).words == level.word


def test_an_ended_episode_is_not_marked_like_a_present_one() -> None:
    html = part(a_mail(a_message(EventType.CLOSED)), "html")
    assert '<span class="mark over">was treat</span>' in html


def test_a_blind_station_has_a_mark_of_its_own() -> None:
    message = a_message(EventType.BLIND, flag=None, level=None, previous_level=None, kind=None)
    assert 'class="mark blind"' in part(a_mail(message), "html")


def test_a_test_mail_is_marked_as_one() -> None:
    mail = a_mail(messages.test_message("duty-desk", NOW))
    assert mail["Subject"] == "Test message to duty-desk: nothing has happened"
    assert "Age of data" not in part(mail, "plain")
    assert CAUTION in part(mail, "plain")


def test_an_ascii_mail_passes_every_server_as_it_is() -> None:
    content = as_bytes(a_message())
    assert content.isascii()
    assert b"quoted-printable" not in content
    assert b"base64" not in content


def test_names_of_all_scripts_arrive_whole() -> None:
    message = a_message(name="Ærøskøbing Лёд 氷", headline="XNOR treat: snow at Ærøskøbing")
    mail = a_mail(message)
    assert as_bytes(message).isascii()
    assert mail["Subject"] == "XNOR treat: snow at Ærøskøbing"
    assert "Ærøskøbing Лёд 氷" in part(mail, "plain")
    assert "Ærøskøbing Лёд 氷" in Page(part(mail, "html")).words


hostile = st.one_of(
    st.text(max_size=80),
    st.sampled_from([
        "x\r\nBcc: thief@example.org", "x\n\n<script>alert(1)</script>", "</code></td><img src=http://example.org/x>",
        '"><a href="javascript:alert(1)">', "\u202egnp.exe", "=?utf-8?q?=0D=0ABcc:_x?=", "{{ 7*7 }}", "&lt;b&gt;", "\ud83d",
        "a" * 3000, " " * 1200 + "x", "--part-", ".\r\n.\r\nQUIT", "\x00\x1b[31m", "\x85\u2028\u2029", "é" * 500,
    ]),
)  # fmt: skip


@given(headline=hostile, raw=hostile, name=hostile, why=hostile, destination=hostile)
def test_no_report_or_name_breaks_headers_or_page(
    headline: str, raw: str, name: str, why: str, destination: str
) -> None:
    message = a_message(headline=headline, raw=raw, forecast_raw=raw, name=name, why=why)
    envelope = replace(ENVELOPE, destination=destination, contact=destination)
    content = as_bytes(message, envelope)
    assert max(len(line) for line in content.split(b"\r\n")) <= 998  # RFC 5322, 2.1.1
    assert b"\n" not in content.replace(b"\r\n", b"")
    mail = read(content)
    assert {name.lower() for name in mail} <= KNOWN_HEADERS
    assert str(mail["To"]) == "duty@example.org"
    assert str(mail["Subject"]).strip() == message.headline.replace("=?", "= ?")
    assert [part.get_content_type() for part in mail.iter_parts()] == ["text/plain", "text/html"]
    assert message.body.raw is not None
    harmless = " ".join("A" for _ in message.body.raw.split())
    page = Page(part(mail, "html"))
    assert page.tags == Page(part(a_mail(a_message(name="x", raw=harmless, forecast_raw=harmless)), "html")).tags
    assert [href for key, href in page.attributes if key == "href"] == ["https://board.example.org/"]
    assert message.body.raw in page.words
    assert message.body.raw in part(mail, "plain").replace("\n", " ")


@pytest.mark.parametrize("word", ["=??Q?=0D0:", "=?utf-8?q?=0D=0ABcc:_x@example.org?=", "=?utf-8?b?DQpCY2M6IHg=?="])
def test_an_encoded_word_in_a_name_makes_no_header(word: str) -> None:
    mail = a_mail(a_message(headline=f"{word} {word}"), replace(ENVELOPE, sender=f"{word} <hoarline@example.org>"))
    assert {name.lower() for name in mail} <= KNOWN_HEADERS
    assert str(mail["Subject"]).strip() == f"{word} {word}".replace("=?", "= ?")
    assert mail["From"].addresses[0].addr_spec == "hoarline@example.org"


def test_a_long_report_is_sent_in_short_lines() -> None:
    content = as_bytes(a_message(raw="METAR XNOR 120550Z " + "BR " * 2000))
    assert max(len(line) for line in content.split(b"\r\n")) <= 998


def test_the_date_is_that_of_the_attempt() -> None:
    later = NOW + timedelta(minutes=5)
    mail = build_mail(a_message(), ENVELOPE, delivery_id="msg_1", subject_id="XNOR-17", now=later)
    assert read(mail.as_bytes())["Date"].datetime == later

"""Messages to write, and mails and pages as their readers' programs take them apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from html.parser import HTMLParser
from typing import Any

from hypothesis import strategies as st

from watcher.alerts.model import DigestLine, Event, EventBody, EventType, SubjectKind
from watcher.alerts.outbox import Item
from watcher.notify.message import Links, Message, message_of
from watcher.notify.samples import NOW, samples

SAMPLES = dict(samples())
LINKS = Links(
    board="https://icing.example.org/",
    stop="https://icing.example.org/stop/abc?to=duty&x=1",
    take=(("XNOR-17", "https://icing.example.org/take/abc?as=duty&x=1"),),
)
HOSTILE = st.one_of(
    st.text(max_size=80),
    st.sampled_from([
        "x\r\nBcc: thief@example.org", "x\n\n<script>alert(1)</script>", "</code></td><img src=http://example.org/x>",
        '"><a href="javascript:alert(1)">', "\u202egnp.exe", "=?utf-8?q?=0D=0ABcc:_x?=", "{{ 7*7 }}", "&lt;b&gt;", "\ud83d",
        "a" * 3000, " " * 1200 + "x", "--part-", ".\r\n.\r\nQUIT", "\x00\x1b[31m", "\x85\u2028\u2029", "é" * 500,
        '","type":"icing.test', "\\", "@all", "<!here>", "<https://example.org|sign in>", "[sign in](https://example.org)",
        "{% endif %}", "T <= 3 & RH >= 90", "&#64;all", "none", "-- ",
    ]),
)  # fmt: skip


def body_of(kind: str = "opened", **fields: Any) -> EventBody:
    return replace(SAMPLES[kind].first.body, **fields)


def told(*events: tuple[EventType, EventBody], links: Links = LINKS, id_: str = "msg_1") -> Message:
    """Return the message about events of XNOR-17, XNOR-18 and so on, or of their stations."""
    items = []
    for number, (type_, body) in enumerate(events, start=17):
        kind, subject = SubjectKind.EPISODE, f"XNOR-{number}"
        if type_ in {EventType.BLIND, EventType.SEEING}:
            kind, subject = SubjectKind.STATION, body.station
        if type_ is EventType.DIGEST:
            kind, subject = SubjectKind.DIGEST, "digest-duty"
        items.append(Item(Event(kind, subject, 2, type_, NOW, body), type_, body.level, subject))
    valid_until = SAMPLES["opened"].valid_until
    return message_of(id_, items, now=NOW, valid_until=valid_until, links=links)


def digest_line(body: EventBody, also: Sequence[str] = ()) -> DigestLine:
    return DigestLine(
        body.station, body.name, body.zone, body.level, body.flag, body.kind, body.headline, body.why, body.next_step,
        body.begins_at, body.until, body.observed_at, body.raw, tuple(also),
    )  # fmt: skip


def read(content: bytes) -> EmailMessage:
    """Return a mail as the standard library's parser reads it, which finds nothing wrong in it."""
    for policy in (default, default.clone(raise_on_defect=True)):
        mail = message_from_bytes(content, policy=policy)
        assert isinstance(mail, EmailMessage)
        assert not mail.defects
        assert not [defect for header in mail.values() for defect in header.defects]
    return mail


def content_of(mail: EmailMessage, kind: str) -> str:
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

    @property
    def addresses(self) -> list[str | None]:
        return [value for name, value in self.attributes if name in {"src", "href", "background", "srcset"}]

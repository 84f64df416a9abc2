"""The picture in a mail: handed to a real mail server, read back by the standard library and by Pillow."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import timedelta
from email.message import EmailMessage
from html.parser import HTMLParser

import pytest
from PIL import Image

from tests.notify.scenes import NOW, VALID_UNTIL, a_message, an_item
from watcher.alerts.model import EventType
from watcher.demo.receivers import MailReceiver
from watcher.notify import mail_picture
from watcher.notify.mail_picture import picture_of
from watcher.notify.message import Message, message_of
from watcher.notify.model import EmailDestination, MailServer
from watcher.notify.smtp import MailChannel, SmtpSender
from watcher.notify.templating import Templates
from watcher.outlook.model import Odds
from watcher.rulebook.words import Certainty, Flag, Kind, Level

pytestmark = pytest.mark.anyio
HOUR = timedelta(hours=1)
FROST = {
    "flag": Flag.FROST_LIKELY,
    "level": Level.PREPARE,
    "previous_level": None,
    "kind": Kind.EXPECTED,
    "certainty": Certainty.COMPUTED,
    "begins_at": NOW + 19 * HOUR,
    "until": NOW + 25 * HOUR,
    "odds": Odds(0.78, (NOW + 18 * HOUR, NOW + 21 * HOUR), (NOW + 24 * HOUR, NOW + 26 * HOUR)),
    "headline": "XNOR prepare expected: frost likely from about 0102Z, 78 %",
}


def frost(type_: EventType = EventType.OPENED, **fields) -> Message:
    return a_message(type_, **{**FROST, **fields})


async def sent(message: Message, *, pictures: bool = True, templates: Templates | None = None) -> EmailMessage:
    async with (
        MailReceiver() as receiver,
        SmtpSender(MailServer("127.0.0.1", receiver.port, "none", "Hoarline <hoarline@example.org>")) as sender,
    ):
        channel = MailChannel(
            EmailDestination("duty-desk", "duty@example.org"), sender, templates or Templates.load(), pictures=pictures
        )
        await channel.send(message, NOW)
    (mail,) = receiver.mails
    return mail


def images(mail: EmailMessage) -> list[EmailMessage]:
    return [part for part in mail.walk() if part.get_content_maintype() == "image"]


class _Images(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[dict[str, str | None]] = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        if tag == "img":
            self.found.append(dict(attrs))


def page_of(mail: EmailMessage) -> str:
    body = mail.get_body(("html",))
    assert body is not None
    return body.get_content()


async def test_expected_frost_comes_with_its_picture_inside_the_page():
    mail = await sent(frost())
    (image,) = images(mail)
    (shown,) = _Images(page_of(mail)).found
    # RFC 2392: the address names the part by its Content-ID.
    assert f"<{shown['src'].removeprefix('cid:')}>" == image["Content-ID"]
    assert image.get_content_disposition() == "inline"
    drawn = Image.open(io.BytesIO(image.get_payload(decode=True)))
    drawn.load()
    assert drawn.format == "PNG"
    assert drawn.size == (648, 255)
    width, height = int(shown["width"]), int(shown["height"])
    assert width / height == pytest.approx(drawn.size[0] / drawn.size[1], rel=0.01)
    assert list(mail.iter_attachments()) == []


async def test_a_program_that_shows_text_only_finds_the_text_first():
    """RFC 2046, 5.1.4: the last alternative is the best; RFC 2387: the page is the root of what belongs together."""
    mail = await sent(frost())
    assert mail.get_content_type() == "multipart/alternative"
    text, both = mail.iter_parts()
    assert text.get_content_type() == "text/plain"
    assert both.get_content_type() == "multipart/related"
    assert both.get_param("type") == "text/html"
    assert [part.get_content_type() for part in both.iter_parts()] == ["text/html", "image/png"]


async def test_everything_that_the_picture_shows_is_said_in_words_too():
    mail = await sent(frost())
    body = mail.get_body(("plain",))
    assert body is not None
    text = " ".join(body.get_content().split())
    for fact in ("0102Z", "0702Z", "78 %", "begins between 0002Z and 0302Z", "ends between 0602Z and 0802Z", "prepare"):
        assert fact in text, fact
    (shown,) = _Images(page_of(mail)).found
    assert shown["alt"] == (
        "XNOR, frost likely: begins about 0102Z (0002Z to 0302Z), ends about 0702Z (0602Z to 0802Z); chance 78 %."
    )


async def test_the_picture_adds_no_more_than_40_kb():
    with_it, without = await sent(frost()), await sent(frost(), pictures=False)
    assert images(without) == []
    assert 5_000 < len(with_it.as_bytes()) - len(without.as_bytes()) <= 40_000


@pytest.mark.parametrize(
    "message",
    [
        a_message(),
        frost(EventType.CLOSED),
        frost(odds=None),
        message_of("m", [an_item(**FROST), replace(an_item(), subject_id="XNOR-18")], now=NOW, valid_until=VALID_UNTIL),
    ],
    ids=["observed", "ended", "by the TAF alone", "several together"],
)
async def test_what_is_not_one_computed_period_has_no_picture(message):
    mail = await sent(message)
    assert images(mail) == []
    assert "<img" not in page_of(mail)
    assert [part.get_content_type() for part in mail.iter_parts()] == ["text/plain", "text/html"]


async def test_a_page_of_the_operators_own_without_a_place_for_it_gets_none():
    own = Templates.load({"mail.html": "<p>{{ headline }}</p><p>{{ caution }}</p>"})
    assert images(await sent(frost(), templates=own)) == []


async def test_a_picture_that_cannot_be_made_holds_no_mail_up(monkeypatch):
    def broken(*_args, **_more):
        raise RuntimeError("no pixels today")

    monkeypatch.setattr(mail_picture, "png_of", broken)
    mail = await sent(frost(begins_at=NOW + 20 * HOUR))
    assert images(mail) == []
    assert mail["Subject"] == FROST["headline"]


async def test_all_who_are_told_of_an_event_get_the_same_picture_drawn_once(monkeypatch):
    drawn = []
    real = mail_picture.png_of
    monkeypatch.setattr(mail_picture, "png_of", lambda svg, **more: drawn.append(svg) or real(svg, **more))
    message = frost(begins_at=NOW + 17 * HOUR)
    assert picture_of(message) is picture_of(replace(message, id="another"))
    assert len(drawn) == 1


async def test_two_mails_name_their_pictures_apart():
    one, other = await sent(frost()), await sent(frost(message_id="msg_2"))
    assert images(one)[0]["Content-ID"] != images(other)[0]["Content-ID"]

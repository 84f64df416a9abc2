"""Mails as the standard library's parser reads them: headers of RFC 5322, 3834, 2369, 2919 and 8058."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from email.message import EmailMessage

import pytest
from hypothesis import given

from tests.notify.letters import HOSTILE, LINKS, SAMPLES, Page, body_of, content_of, digest_line, read, told
from watcher.alerts.model import EventType
from watcher.notify.mail import Envelope, build_mail
from watcher.notify.message import CAUTION, Links, Message
from watcher.notify.samples import NOW
from watcher.notify.templating import Templates
from watcher.rulebook.words import Level

ENVELOPE = Envelope("Hoarline <hoarline@example.org>", "duty@example.org", "duty-desk", "ops@example.org")
TEMPLATES = Templates.load()
BODY = SAMPLES["opened"].first.body
RAW = BODY.raw or ""
KNOWN_HEADERS = {
    "from", "to", "subject", "date", "auto-submitted", "message-id", "in-reply-to", "references", "list-id",
    "list-unsubscribe", "list-unsubscribe-post", "mime-version", "content-type",
}  # fmt: skip
KNOWN_TAGS = {
    "html", "head", "meta", "title", "style", "body", "div", "p", "b", "span", "svg", "path", "circle", "h1", "h2", "table", "tr",
    "td", "th", "code", "a",
}  # fmt: skip
ROOT = re.compile(r"<[0-9a-f]{32}@example\.org>")


def as_bytes(message: Message, envelope: Envelope = ENVELOPE) -> bytes:
    return build_mail(message, envelope, now=NOW, templates=TEMPLATES).as_bytes()


def a_mail(message: Message | None = None, envelope: Envelope = ENVELOPE) -> EmailMessage:
    return read(as_bytes(message or told((EventType.OPENED, BODY)), envelope))


def page_of(message: Message) -> str:
    return content_of(a_mail(message), "html")


def roots(mail: EmailMessage, header: str = "References") -> Sequence[str]:
    return ROOT.findall(str(mail[header]))


def test_subject_is_the_headline_and_nobody_answers_by_machine() -> None:
    mail = a_mail()
    assert mail["Subject"] == BODY.headline
    assert mail["From"] == "Hoarline <hoarline@example.org>"
    assert mail["To"] == "duty@example.org"
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834, 5.1
    assert mail["Date"].datetime == NOW.replace(microsecond=0)
    assert re.fullmatch(r"<[0-9a-f]{32}\.example\.org>", mail["List-Id"])  # RFC 2919, 2


def test_the_same_delivery_has_the_same_message_id_in_every_attempt() -> None:
    first, again = told((EventType.OPENED, BODY)), told((EventType.OPENED, BODY))
    assert as_bytes(first) == as_bytes(again)
    assert a_mail(replace(first, id="msg_2"))["Message-ID"] != a_mail(first)["Message-ID"]
    assert ROOT.fullmatch(a_mail(first)["Message-ID"])  # RFC 5322, 3.6.4


def test_mails_about_one_episode_are_one_conversation() -> None:
    first, second = (a_mail(told((type_, BODY), id_=type_)) for type_ in (EventType.OPENED, EventType.CLOSED))
    assert first["References"] == second["References"] == second["In-Reply-To"]
    assert first["Message-ID"] != second["Message-ID"]
    elsewhere = a_mail(envelope=replace(ENVELOPE, destination="night-desk"))
    assert first["References"] != elsewhere["References"]


def test_a_storm_joins_the_conversations_of_all_that_it_tells() -> None:
    """RFC 5322, 3.6.4: References may name several; later mails about one of them are found by it."""
    storm = a_mail(told((EventType.OPENED, BODY), (EventType.OPENED, body_of("raised"))))
    later = a_mail(told((EventType.CLOSED, BODY), id_="msg_2"))
    assert len(roots(storm)) == 2
    assert roots(storm) == roots(storm, "In-Reply-To")
    assert set(roots(later)) < set(roots(storm))


def test_a_great_storm_names_the_ten_worst_conversations() -> None:
    storm = told(*[(EventType.OPENED, replace(BODY, station=f"X{number:03d}")) for number in range(40)])
    assert len(roots(a_mail(storm))) == 10
    assert max(len(line) for line in as_bytes(storm).split(b"\r\n")) <= 998


def test_whoever_wants_no_more_writes_to_the_contact_where_there_is_no_page() -> None:
    mail = a_mail(replace(told((EventType.OPENED, BODY)), links=Links()))
    assert mail["List-Unsubscribe"] == "<mailto:ops@example.org?subject=stop%20duty-desk>"
    assert mail["List-Unsubscribe-Post"] is None
    for kind in ("plain", "html"):
        assert "To stop or change these mails, write to ops@example.org." in content_of(mail, kind)


@pytest.mark.parametrize("contact", ["", "https://example.org/contact", "no address"])
def test_without_a_contact_that_takes_mail_the_sender_gets_it(contact: str) -> None:
    mail = a_mail(told((EventType.OPENED, BODY), links=Links()), replace(ENVELOPE, contact=contact))
    assert mail["List-Unsubscribe"].startswith("<mailto:hoarline@example.org?")


@pytest.mark.parametrize("from_links", [True, False])
def test_one_click_removal_is_offered_by_an_https_page_only(from_links: bool) -> None:
    def mail(url: str) -> EmailMessage:
        links = Links(stop=url) if from_links else Links()
        envelope = ENVELOPE if from_links else replace(ENVELOPE, unsubscribe_url=url)
        return a_mail(told((EventType.OPENED, BODY), links=links), envelope)

    page = mail("https://icing.example.org/stop/abc?x=1&y=2")
    # RFC 8058, 3.1: exactly one HTTPS address, others may stand beside it, and exactly this line.
    addresses = re.findall(r"<([^<>]*)>", page["List-Unsubscribe"])
    assert [address for address in addresses if not address.startswith("mailto:")] == [
        "https://icing.example.org/stop/abc?x=1&y=2"
    ]
    assert page["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    assert "https://icing.example.org/stop/abc?x=1&y=2" in Page(content_of(page, "html")).addresses
    assert "To stop these mails: https://icing.example.org/stop/abc?x=1&y=2" in content_of(page, "plain")
    plain = mail("http://icing.example.org/stop")
    assert plain["List-Unsubscribe"].startswith("<mailto:")
    assert plain["List-Unsubscribe-Post"] is None


def test_the_links_of_the_message_go_before_those_of_the_envelope() -> None:
    mail = a_mail(envelope=replace(ENVELOPE, unsubscribe_url="https://elsewhere.example.org/"))
    assert str(LINKS.stop) in mail["List-Unsubscribe"]
    assert "elsewhere" not in as_bytes(told((EventType.OPENED, BODY))).decode()


def test_the_text_alone_says_everything() -> None:
    text = content_of(a_mail(), "plain")
    for wanted in (
        BODY.headline, "New alert", BODY.why, BODY.next_step, RAW, "XNOR Northby", "12 min at 0602Z", "freezing-precipitation",
        "Valid until: 12 Jan 1202Z (13:02 Europe/Oslo)", "06:50 Europe/Oslo", CAUTION, "https://icing.example.org/",
        "Take this in hand: https://icing.example.org/take/abc?as=duty&x=1",
    ):  # fmt: skip
        assert wanted in text


@pytest.mark.parametrize("kind", SAMPLES)
def test_text_and_page_say_the_same(kind: str) -> None:
    message = SAMPLES[kind]
    mail = a_mail(message)
    words, text = Page(content_of(mail, "html")).words, " ".join(content_of(mail, "plain").split())
    wanted = [message.headline, message.what, CAUTION, "Valid until"]
    for part in message.parts:
        wanted += [part.headline, part.body.next_step, part.body.why]
        wanted += [part.body.raw, part.body.forecast_raw] if part.told_as is not EventType.DIGEST else []
    if not message.several and message.first.told_as is not EventType.DIGEST:
        wanted += [line.text for line in message.first.lines]
    if not message.several:
        for line in message.first.body.lines:
            wanted += [line.station, line.headline, line.why, line.next_step, *line.also]
    for phrase in filter(None, wanted):
        assert " ".join(phrase.split()) in words
        assert " ".join(phrase.split()) in text


def test_a_storm_begins_with_a_table_that_shows_every_station_worst_first() -> None:
    html = page_of(SAMPLES["several"])
    table = re.search(r'<table class="glance">(.*?)</table>', html, re.DOTALL)
    assert table is not None
    rows = [
        " ".join(re.sub(r"<[^>]*>", " ", row).split()) for row in re.findall(r"<tr>(.*?)</tr>", table[1], re.DOTALL)
    ]
    assert rows == [
        "XBAY no-time freezing-precipitation Worse, since 0548Z",
        "XNOR treat freezing-precipitation New alert, since 0550Z",
        "XMOR prepare snow New alert, expected 1000Z-1500Z",
        "XTAR blind Station blind, since 0515Z",
        "XFEL was prepare snow Ended, 0220Z-0555Z",
    ]
    lines = content_of(a_mail(SAMPLES["several"]), "plain").splitlines()
    assert lines[3].split() == ["XBAY", "no-time", "freezing-precipitation", "since", "0548Z", "Worse"]
    assert len({line.index(word) for line, word in zip(lines[3:5], ("freezing", "freezing"), strict=True)}) == 1


def test_every_episode_of_a_storm_can_be_taken_in_hand_by_itself() -> None:
    takes = (("XNOR-17", "https://icing.example.org/take/1"), ("XNOR-18", "https://icing.example.org/take/2"))
    message = told((EventType.OPENED, BODY), (EventType.OPENED, body_of("raised")), links=Links(take=takes))
    assert sorted(map(str, Page(page_of(message)).addresses)) == [url for _, url in takes]
    text = content_of(a_mail(message), "plain")
    assert [text.count(f"Take this in hand: {url}") for _, url in takes] == [1, 1]


def test_a_digest_lists_stations_in_the_order_given_and_says_what_else_is_open_there() -> None:
    lines = (digest_line(body_of("raised"), also=["XBAY prepare expected: snow"]), digest_line(body_of("expected")))
    message = told((EventType.DIGEST, body_of("digest", lines=lines)))
    words = Page(page_of(message)).words
    assert words.index("XBAY no-time") < words.index("Also: XBAY prepare expected: snow") < words.index("XMOR prepare")


def test_a_digest_without_anything_is_short() -> None:
    text = content_of(a_mail(SAMPLES["digest without anything"]), "plain")
    assert len([line for line in text.split("-- ")[0].splitlines() if line]) <= 7
    assert 'class="block"' not in page_of(SAMPLES["digest without anything"])


def test_a_reminder_says_first_that_nobody_has_taken_it() -> None:
    assert Page(re.sub(r"(?s)<head>.*</head>", "", page_of(SAMPLES["reminder"]))).words.startswith(
        "Reminder: nobody has"
    )


def test_no_line_of_the_page_breaks_between_a_sign_and_its_weather() -> None:
    """A browser may break a line after a hyphen, and FZDZ without its minus is another weather."""
    html = page_of(told((EventType.OPENED, replace(BODY, raw="METAR XNOR 120550Z -FZDZ", why="-FZDZ is reported."))))
    assert '<td><span style="display:inline-block;max-width:100%">-FZDZ</span> is reported.</td>' in html
    for group in ("METAR", "XNOR", "-FZDZ"):
        assert f"<span>{group}</span>" in html
    assert "code span { display: inline-block; max-width: 100%; }" in html


@pytest.mark.parametrize("kind", SAMPLES)
def test_the_page_fetches_nothing_and_leads_only_to_the_links_of_the_message(kind: str) -> None:
    message, html = SAMPLES[kind], page_of(SAMPLES[kind])
    page = Page(html)
    assert not set(page.tags) & {"img", "script", "link", "iframe", "object", "form", "video", "audio", "base", "embed"}
    takes = {part.take for part in message.parts}
    assert set(page.addresses) <= {message.links.board, message.links.stop, *takes}
    assert "url(" not in html
    assert "@import" not in html


def test_the_page_follows_the_readers_light_or_dark() -> None:
    html = page_of(SAMPLES["opened"])
    assert "prefers-color-scheme: dark" in html
    assert ("content", "light dark") in Page(html).attributes


@pytest.mark.parametrize("level", Level)
def test_a_level_is_told_by_a_word_beside_its_shape(level: Level) -> None:
    html = page_of(told((EventType.OPENED, replace(BODY, level=level))))
    mark = re.search(r'<span class="mark ([a-z-]+)">(.*?)</span>', html, re.DOTALL)
    assert mark is not None
    assert mark[1] == level.word
    assert "<svg" in mark[2]
    assert Page(mark[2]).words == level.word


def test_an_ended_episode_is_not_marked_like_a_present_one() -> None:
    assert '<span class="mark over">was prepare</span>' in page_of(SAMPLES["ended"])


def test_a_blind_station_has_a_mark_of_its_own() -> None:
    assert 'class="mark blind"' in page_of(SAMPLES["blind"])


def test_a_test_mail_is_marked_as_one() -> None:
    mail = a_mail(SAMPLES["test"])
    assert mail["Subject"] == "Test message to duty-desk: nothing has happened"
    assert "Age of data" not in content_of(mail, "plain")
    assert CAUTION in content_of(mail, "plain")


def test_an_ascii_mail_passes_every_server_as_it_is() -> None:
    content = as_bytes(told((EventType.OPENED, replace(BODY, why="FZDZ is reported."))))
    assert content.isascii()
    assert b"quoted-printable" not in content
    assert b"base64" not in content


def test_names_of_all_scripts_arrive_whole() -> None:
    message = told((EventType.OPENED, replace(BODY, name="Ærnøby Лёд 氷", headline="XNOR treat: snow at Ærnøby")))
    mail = a_mail(message)
    assert as_bytes(message).isascii()
    assert mail["Subject"] == "XNOR treat: snow at Ærnøby"
    assert "Ærnøby Лёд 氷" in content_of(mail, "plain")
    assert "Ærnøby Лёд 氷" in Page(content_of(mail, "html")).words


def _with_text(text: str, by: str) -> Message:
    fields = {"headline": text, "raw": text, "forecast_raw": text, "name": text, "why": text, "next_step": text}
    lines = tuple(digest_line(body_of("raised", **fields), also=[text]) for _ in range(2))
    return told(
        (EventType.TAKEN, body_of("opened", **fields, by=by, note=by)),
        (EventType.DIGEST, body_of("digest", headline=text, why=text, lines=lines)),
    )


@given(text=HOSTILE, by=HOSTILE, destination=HOSTILE, several=...)
def test_no_text_of_any_field_breaks_headers_or_page(text: str, by: str, destination: str, several: bool) -> None:
    def of(text: str, by: str) -> Message:
        message = _with_text(text, by)
        return message if several else replace(message, parts=message.parts[-1:])

    message = of(text, by)
    content = as_bytes(message, replace(ENVELOPE, destination=destination, contact=destination))
    assert max(len(line) for line in content.split(b"\r\n")) <= 998  # RFC 5322, 2.1.1
    assert b"\n" not in content.replace(b"\r\n", b"")
    mail = read(content)
    assert {name.lower() for name in mail} <= KNOWN_HEADERS
    assert str(mail["To"]) == "duty@example.org"
    assert " ".join(str(mail["Subject"]).split()) == " ".join(message.headline.split()).replace("=?", "= ?")
    assert [part.get_content_type() for part in mail.iter_parts()] == ["text/plain", "text/html"]
    page = Page(content_of(mail, "html"))
    assert set(page.tags) <= KNOWN_TAGS
    assert set(page.addresses) <= {LINKS.board, LINKS.stop}
    for part in message.parts:
        assert part.body.why in page.words
        assert part.body.why in content_of(mail, "plain").replace("\n", " ")


@pytest.mark.parametrize("word", ["=??Q?=0D0:", "=?utf-8?q?=0D=0ABcc:_x@example.org?=", "=?utf-8?b?DQpCY2M6IHg=?="])
def test_an_encoded_word_in_a_name_makes_no_header(word: str) -> None:
    message = told((EventType.OPENED, replace(BODY, headline=f"{word} {word}")))
    mail = a_mail(message, replace(ENVELOPE, sender=f"{word} <hoarline@example.org>"))
    assert {name.lower() for name in mail} <= KNOWN_HEADERS
    assert str(mail["Subject"]).strip() == f"{word} {word}".replace("=?", "= ?")
    assert mail["From"].addresses[0].addr_spec == "hoarline@example.org"


def test_a_long_way_to_stop_arrives_unbroken_and_uncoded() -> None:
    url = "https://icing.example.org/stop/" + "0123456789abcdef" * 20
    content = as_bytes(told((EventType.OPENED, BODY), links=Links(stop=url)))
    assert f"List-Unsubscribe: <{url}>,".encode() in content


@pytest.mark.parametrize("length", range(60, 90))
def test_a_subject_begins_on_its_first_line_and_keeps_to_78_columns(length: int) -> None:
    """RFC 5322, 2.1.1: lines should have no more than 78 characters."""
    headline = ("XNOR treat: " + "snow " * 20)[:length].rstrip()
    content = as_bytes(told((EventType.OPENED, replace(BODY, headline=headline))))
    subject = re.search(rb"^Subject: (\S.*(?:\r\n .+)*)\r\n", content, re.MULTILINE)
    assert subject is not None
    assert subject[1].replace(b"\r\n", b"").decode() == headline
    assert all(len(line) <= 78 for line in subject[0].split(b"\r\n"))


def test_a_long_report_is_sent_in_short_lines() -> None:
    content = as_bytes(told((EventType.OPENED, replace(BODY, raw="METAR XNOR 120550Z " + "BR " * 2000))))
    assert max(len(line) for line in content.split(b"\r\n")) <= 998


def test_the_date_is_that_of_the_attempt() -> None:
    later = NOW.replace(microsecond=0) + timedelta(minutes=5)
    mail = build_mail(told((EventType.OPENED, BODY)), ENVELOPE, now=later, templates=TEMPLATES)
    assert read(mail.as_bytes())["Date"].datetime == later


def test_an_operators_templates_make_the_mail() -> None:
    own = Templates.load(
        {"mail.txt": "OURS {{ headline }}\n{{ caution }}", "mail.html": "<p>{{ headline }} {{ caution }}"}
    )
    mail = read(build_mail(SAMPLES["hostile texts"], ENVELOPE, now=NOW, templates=own).as_bytes())
    assert content_of(mail, "plain").startswith("OURS 2 changes")
    assert Page(content_of(mail, "html")).tags == ["p"]

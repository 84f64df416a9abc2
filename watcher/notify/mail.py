"""Mail: one message as text and as a page, built only through EmailMessage, so that no text can become a header."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from email.headerregistry import Address, HeaderRegistry
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from functools import lru_cache
from typing import Any
from urllib.parse import quote

from watcher.notify.mail_picture import Picture
from watcher.notify.message import Message
from watcher.notify.templating import Reader, Templates
from watcher.notify.wording import plain
from watcher.settings.addresses import bare_address, check_address, display_name


class _KeptClasses(HeaderRegistry):
    """The standard library makes a class for each header of each mail; here, for each kind of header once."""

    def __init__(self) -> None:
        super().__init__()
        self._kept: dict[str, type] = {}

    def __getitem__(self, name: str) -> type:
        kept = self._kept.get(name)
        if kept is None:
            kept = self._kept.setdefault(name, super().__getitem__(name))
        return kept


_POLICY = SMTP.clone(header_factory=_KeptClasses())

# RFC 5322, 2.1.1: a line has at most 998 characters. What is longer, or not ASCII, is sent quoted-printable.
_LONGEST_LINE = 900
# Of a storm's conversations, those of the worst. Common practice, no source: some servers cut long headers.
_MOST_ROOTS = 10


@dataclass(frozen=True, slots=True)
class Envelope:
    """Who a mail is from and to, and how one gets rid of them.

    `destination`: its name in the settings. `contact`: a mail address or web address of whoever runs the service.
    `unsubscribe_url`: a page that ends the mails of this destination when posted to (RFC 8058); None without one.
    """

    sender: str
    address: str
    destination: str
    contact: str = ""
    unsubscribe_url: str | None = None


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture in one mail, and the name by which its page finds it (RFC 2392)."""

    content_id: str
    picture: Picture


def build_mail(
    message: Message, envelope: Envelope, *, now: datetime, templates: Templates, picture: Picture | None = None
) -> EmailMessage:
    """Return the whole mail.

    Parameters
    ----------
    message
        What to say. Its id makes the Message-ID: the same in every attempt, so that a mail server can drop a repeat.
        Mails to one destination that share a subject (an episode, a station) are one conversation.
    envelope
        Between whom. Where the message has a link that ends the mails, that one is used.
    now
        The Date.
    templates
        How it looks.
    picture
        What is shown in its page; left out where the operator's template has no place for one.
    """
    stop = message.links.stop or envelope.unsubscribe_url
    if stop is not message.links.stop:
        message = replace(message, links=replace(message.links, stop=stop))
    mail = addressed(envelope, message.headline, token(message.id), now)
    _conversation_headers(mail, envelope, message.subjects)
    _list_headers(mail, envelope, stop)
    boundary = token(message.id, envelope.destination)
    shown = None if picture is None else Shown(f"picture-{boundary}@{_domain(envelope)}", picture)
    reader = Reader(plain(envelope.destination), _how_to_stop(envelope, stop), *_told_of(shown))
    text, page = templates.text(message, reader), templates.page(message, reader)
    set_bodies(mail, text, page, boundary=boundary, shown=shown)
    return mail


def _told_of(shown: Shown | None) -> tuple[str | None, str | None]:
    return (None, None) if shown is None else (f"cid:{shown.content_id}", shown.picture.words)


def addressed(envelope: Envelope, subject: str, identity: str, now: datetime) -> EmailMessage:
    """Return a mail without content: from, to, subject, date, and a Message-ID of that identity."""
    mail = EmailMessage(policy=_POLICY)
    sender = Address(_header_text(display_name(envelope.sender)), addr_spec=bare_address(envelope.sender))
    mail["From"] = _kept("From", str(sender))
    mail["To"] = _kept("To", envelope.address)
    mail["Subject"] = _header("Subject", _header_text(subject))
    mail["Date"] = _header("Date", format_datetime(now))
    mail["Message-ID"] = _header("Message-ID", f"<{identity}@{_domain(envelope)}>")
    # RFC 3834, 5: nobody's holiday responder answers this.
    mail["Auto-Submitted"] = _kept("Auto-Submitted", "auto-generated")
    return mail


def set_bodies(mail: EmailMessage, text: str, page: str, *, boundary: str, shown: Shown | None = None) -> None:
    """Give a mail its content, as text and as a page.

    Parameters
    ----------
    mail
        Without content.
    text, page
        The same twice.
    boundary
        What stands in neither.
    shown
        A picture that the page shows; one that it does not name is left out.
    """
    mail["MIME-Version"] = _kept("MIME-Version", "1.0")
    mail["Content-Type"] = _header("Content-Type", f'multipart/alternative; boundary="part-{boundary}"')
    mail.attach(_body(text, "plain"))
    # Character references keep the page in ASCII, which passes every mail server as it is.
    body = _body(page.encode("ascii", "xmlcharrefreplace").decode("ascii"), "html")
    mail.attach(body if shown is None or shown.content_id not in page else _with_picture(body, shown, boundary))


def _with_picture(page: EmailMessage, shown: Shown, boundary: str) -> EmailMessage:
    """Return a page and its picture as one (RFC 2387), so that no mail program lists the picture as an enclosure."""
    both = EmailMessage(policy=_POLICY)
    both["Content-Type"] = _header("Content-Type", f'multipart/related; type="text/html"; boundary="both-{boundary}"')
    both.attach(page)
    image = EmailMessage(policy=_POLICY)
    image["Content-Type"] = _kept("Content-Type", "image/png")
    image["Content-Transfer-Encoding"] = _kept("Content-Transfer-Encoding", "base64")
    image["Content-ID"] = _header("Content-ID", f"<{shown.content_id}>")
    image["Content-Disposition"] = _kept("Content-Disposition", 'inline; filename="expected.png"')
    image.set_payload(shown.picture.encoded)
    both.attach(image)
    return both


def _body(text: str, subtype: str) -> EmailMessage:
    body = EmailMessage(policy=_POLICY)
    if text.isascii() and all(len(line) <= _LONGEST_LINE for line in text.splitlines()):
        body["Content-Type"] = _kept("Content-Type", f'text/{subtype}; charset="utf-8"')
        body["Content-Transfer-Encoding"] = _kept("Content-Transfer-Encoding", "7bit")
        body.set_payload(text)
    else:
        body.set_content(text, subtype=subtype, charset="utf-8", cte="quoted-printable")
    return body


def _domain(envelope: Envelope) -> str:
    return bare_address(envelope.sender).partition("@")[2]


def _header(name: str, value: str) -> object:
    """Return a header that is read and checked by the library, and folded here.

    The library turns a long web address into encoded words (RFC 2047), which nobody can unsubscribe at, and lets a
    subject of one full line begin on the second.
    """
    header: Any = _POLICY.header_store_parse(name, value)[1]
    text = str(header)
    if text.isascii() and text.isprintable() and all(len(word) <= _LONGEST_LINE for word in text.split(" ")):
        folded = _folded(name, text)
        header.fold = lambda *, policy: folded  # noqa: ARG005 - mails are written by that policy alone
    return header


_kept = lru_cache(maxsize=4096)(_header)  # for headers that many mails share


def _folded(name: str, text: str) -> str:
    """Return the lines of a header, broken between words where the next one would pass column 78 (RFC 5322, 2.1.1)."""
    first, *words = text.split(" ")
    lines = [f"{name}: {first}"]
    for word in words:
        if len(lines[-1]) + 1 + len(word) > 78:
            lines.append("")
        lines[-1] += f" {word}"
    return "\r\n".join(lines) + "\r\n"


def _header_text(text: str) -> str:
    """Return a text that stays what it is in a header.

    EmailMessage reads encoded words (RFC 2047) in what it is given, and one of those can hold a line break.
    """
    return plain(text).replace("=?", "= ?")


def _conversation_headers(mail: EmailMessage, envelope: Envelope, subjects: Sequence[str]) -> None:
    """RFC 5322, 3.6.4. A message about several subjects joins their conversations to one."""
    domain = _domain(envelope)
    roots = " ".join(f"<{token(subject, envelope.destination)}@{domain}>" for subject in subjects[:_MOST_ROOTS])
    mail["In-Reply-To"] = _kept("In-Reply-To", roots)
    mail["References"] = _kept("References", roots)


def _list_headers(mail: EmailMessage, envelope: Envelope, stop: str | None) -> None:
    """RFC 2919 and RFC 2369; one-click removal (RFC 8058) only where an https page takes it."""
    sender = bare_address(envelope.sender)
    mail["List-Id"] = _kept("List-Id", f"<{token(envelope.destination)}.{_domain(envelope)}>")
    to = envelope.contact if check_address(envelope.contact) is None else sender
    subject = quote(f"stop {plain(envelope.destination)}", safe="")
    by_mail = f"<mailto:{quote(to, safe='@')}?subject={subject}>"
    if stop is not None and stop.startswith("https://"):
        mail["List-Unsubscribe"] = _kept("List-Unsubscribe", f"<{quote(stop, safe=_URL_LETTERS)}>, {by_mail}")
        mail["List-Unsubscribe-Post"] = _kept("List-Unsubscribe-Post", "List-Unsubscribe=One-Click")
    else:
        mail["List-Unsubscribe"] = _kept("List-Unsubscribe", by_mail)


_URL_LETTERS = "%/:=&?~#+!$,;'@()*[]"


def _how_to_stop(envelope: Envelope, stop: str | None) -> str:
    if stop is not None:
        return f"To stop these mails: {plain(stop)}"
    return f"To stop or change these mails, write to {plain(envelope.contact) or bare_address(envelope.sender)}."


def token(*parts: str) -> str:
    """Return a name for what may stand in an identifier as it is, whatever the parts hold."""
    return hashlib.sha256("\n".join(parts).encode("utf-8", "surrogatepass")).hexdigest()[:32]

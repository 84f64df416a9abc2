"""Mail: one message as text and as a page, built only through EmailMessage, so that no text can become a header."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from email.headerregistry import Address, HeaderRegistry
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from functools import cache, lru_cache
from importlib.resources import files
from urllib.parse import quote

from jinja2 import Environment, StrictUndefined, Template

from watcher.alerts.model import EventType
from watcher.notify.address import bare_address, check_address, display_name
from watcher.notify.message import CAUTION, Message
from watcher.notify.wording import plain


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
class _Mark:
    """The level as a shape and a word."""

    style: str
    shape: str | None
    word: str


def build_mail(
    message: Message, envelope: Envelope, *, delivery_id: str, subject_id: str, now: datetime
) -> EmailMessage:
    """Return the whole mail.

    Parameters
    ----------
    message
        What to say.
    envelope
        Between whom.
    delivery_id
        Makes the Message-ID: the same in every attempt, so that a mail server can drop a repeat.
    subject_id
        The episode or station; mails about the same one to the same destination are one conversation.
    now
        The Date.
    """
    mail = EmailMessage(policy=_POLICY)
    _address_headers(mail, message, envelope, now)
    _conversation_headers(mail, envelope, delivery_id, subject_id)
    _list_headers(mail, envelope)
    text, page = _text(message, envelope), _page(message, envelope)
    mail.set_content(text, charset="utf-8", cte=_encoding(text))
    mail.add_alternative(page, subtype="html", charset="utf-8", cte=_encoding(page))
    mail.set_boundary(f"part-{_token(delivery_id, envelope.destination)}")
    return mail


def _address_headers(mail: EmailMessage, message: Message, envelope: Envelope, now: datetime) -> None:
    sender = Address(_header_text(display_name(envelope.sender)), addr_spec=bare_address(envelope.sender))
    mail["From"] = _kept("From", str(sender))
    mail["To"] = _kept("To", envelope.address)
    mail["Subject"] = _header_text(message.headline)
    mail["Date"] = format_datetime(now)
    # RFC 3834, 5: nobody's holiday responder answers this.
    mail["Auto-Submitted"] = _kept("Auto-Submitted", "auto-generated")


@lru_cache(maxsize=4096)
def _kept(name: str, value: str) -> object:
    """Return a header that many mails share, read and checked once."""
    return _POLICY.header_store_parse(name, value)[1]


def _header_text(text: str) -> str:
    """Return a text that stays what it is in a header.

    EmailMessage reads encoded words (RFC 2047) in what it is given, and one of those can hold a line break.
    """
    return plain(text).replace("=?", "= ?")


def _conversation_headers(mail: EmailMessage, envelope: Envelope, delivery_id: str, subject_id: str) -> None:
    domain = bare_address(envelope.sender).partition("@")[2]
    mail["Message-ID"] = f"<{_token(delivery_id)}@{domain}>"
    root = f"<{_token(subject_id, envelope.destination)}@{domain}>"
    mail["In-Reply-To"] = _kept("In-Reply-To", root)
    mail["References"] = _kept("References", root)


def _list_headers(mail: EmailMessage, envelope: Envelope) -> None:
    """RFC 2919 and RFC 2369; one-click removal (RFC 8058) only where an https page takes it."""
    sender = bare_address(envelope.sender)
    mail["List-Id"] = _kept("List-Id", f"<{_token(envelope.destination)}.{sender.partition('@')[2]}>")
    url = envelope.unsubscribe_url
    if url is not None and url.startswith("https://"):
        mail["List-Unsubscribe"] = _kept("List-Unsubscribe", f"<{quote(url, safe=_URL_LETTERS)}>")
        mail["List-Unsubscribe-Post"] = _kept("List-Unsubscribe-Post", "List-Unsubscribe=One-Click")
        return
    to = envelope.contact if check_address(envelope.contact) is None else sender
    subject = quote(f"stop {plain(envelope.destination)}", safe="")
    mail["List-Unsubscribe"] = _kept("List-Unsubscribe", f"<mailto:{quote(to, safe='@')}?subject={subject}>")


_URL_LETTERS = "%/:=&?~#+!$,;'@()*[]"


def _text(message: Message, envelope: Envelope) -> str:
    parts = [message.headline, message.what, ""]
    parts += [f"{line.label}: {line.text}" for line in message.lines]
    parts += ["", CAUTION]
    if message.link is not None:
        parts += ["", message.link]
    parts += ["", "-- ", f"Sent by Hoarline to {plain(envelope.destination)}. {_how_to_stop(envelope)}", ""]
    return "\n".join(parts)


def _page(message: Message, envelope: Envelope) -> str:
    page = _template().render(
        message=message,
        lines=[line for line in message.lines if line.label not in {"Next step", "Station"}],
        mark=_mark(message),
        caution=CAUTION,
        destination=plain(envelope.destination),
        stop=_how_to_stop(envelope),
    )
    # Character references keep the page in ASCII, which passes every mail server as it is.
    return page.encode("ascii", "xmlcharrefreplace").decode("ascii")


def _how_to_stop(envelope: Envelope) -> str:
    if envelope.unsubscribe_url is not None:
        return f"To stop these mails: {plain(envelope.unsubscribe_url)}"
    return f"To stop or change these mails, write to {plain(envelope.contact) or bare_address(envelope.sender)}."


def _mark(message: Message) -> _Mark | None:
    level = message.body.level
    if message.told_as is EventType.BLIND:
        return _Mark("blind", "blind", "blind")
    if level is None:
        return None
    if message.ending:
        return _Mark("over", None, f"was {level.word}")
    return _Mark(level.word, level.word, level.word)


def _encoding(text: str) -> str:
    simple = text.isascii() and all(len(line) <= _LONGEST_LINE for line in text.splitlines())
    return "7bit" if simple else "quoted-printable"


def _token(*parts: str) -> str:
    """Return a name for what may stand in an identifier as it is, whatever the parts hold."""
    return hashlib.sha256("\n".join(parts).encode("utf-8", "surrogatepass")).hexdigest()[:32]


@cache
def _template() -> Template:
    text = files("watcher.notify").joinpath("mail.html").read_text(encoding="utf-8")
    return Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True).from_string(text)

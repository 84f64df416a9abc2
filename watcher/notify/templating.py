"""How messages look: a template for each channel, the shipped one or the operator's, checked when it is loaded."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Final

import structlog
from jinja2 import Environment, StrictUndefined, Template
from jinja2.sandbox import ImmutableSandboxedEnvironment

from watcher.errors import SettingsError
from watcher.notify.escaping import (
    Escape,
    finalizer,
    for_card,
    for_chat,
    for_json,
    for_markdown,
    for_page,
    for_text,
    unbroken,
)
from watcher.notify.message import CAUTION, Message
from watcher.notify.payload import webhook_body
from watcher.notify.template_check import FILTERS, problems_of, wrong_output
from watcher.notify.template_fields import Reader, context_of, webhook_context

__all__ = ["TEMPLATE_NAMES", "Reader", "Templates"]

# Common practice, no source: the smallest bound on one message that a chat room is known to have is 2,000 characters.
LONGEST_CHAT = 1_900
# Common practice, no source: rooms that take cards take some 28,000 bytes of them.
LONGEST_CARD_BYTES = 24_000
# Matrix specification v1.12, "Size limits": an event has 65,536 bytes at most, with what servers add to it.
LONGEST_ROOM_BYTES = 48_000

_ESCAPES: Final[Mapping[str, Escape]] = MappingProxyType({
    "mail.txt": for_text,
    "mail.html": for_page,
    "chat.txt": for_chat,
    "chat.md": for_markdown,
    "card.json": for_card,
    "room.html": for_page,
    "webhook.json": for_json,
    "confirmation.txt": for_text,
    "confirmation.html": for_page,
})  # fmt: skip
TEMPLATE_NAMES: Final = ("mail.txt", "mail.html", "chat.txt", "card.json", "room.html", "webhook.json")
# A room that reads Markdown gets the same words, escaped for it.
_TEXT_OF: Final[Mapping[str, str]] = MappingProxyType({"chat.md": "chat.txt"})

_log = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class Templates:
    """One template for each channel. Make it with `load`; `own` names those that are not the shipped ones."""

    _by_name: Mapping[str, Template]
    own: frozenset[str] = frozenset()

    @classmethod
    def load(cls, overrides: Mapping[str, str] = MappingProxyType({})) -> Templates:
        """Return the templates, the operator's in place of the shipped ones.

        Parameters
        ----------
        overrides
            File name, one of TEMPLATE_NAMES, to its text.

        Raises
        ------
        SettingsError
            A name that is no template, or a template that is wrong: each problem with file, line and what is allowed.
            Every template is tried with an invented message of every kind.
        """
        problems = problems_of(overrides, TEMPLATE_NAMES, environment)
        if problems:
            raise SettingsError(problems)
        names = (*TEMPLATE_NAMES, *_TEXT_OF)
        texts = {name: overrides[source] for name in names if (source := _TEXT_OF.get(name, name)) in overrides}
        own = {name: environment(name).from_string(text) for name, text in texts.items()}
        return cls(MappingProxyType({name: own.get(name) or shipped(name) for name in names}), frozenset(overrides))

    def text(self, message: Message, reader: Reader) -> str:
        """Return a mail as plain text."""
        return self._written("mail.txt", context_of(message, reader)).strip() + "\n"

    def page(self, message: Message, reader: Reader) -> str:
        """Return a mail as a page."""
        return self._written("mail.html", context_of(message, reader))

    def chat(self, message: Message, reader: Reader, *, markdown: bool = False) -> str:
        """Return a message for a chat room: worst first, and no more of it than a room takes."""
        name = "chat.md" if markdown else "chat.txt"
        text = self._short(name, message, reader, LONGEST_CHAT, len)
        return text if len(text) <= LONGEST_CHAT else f"{text[: LONGEST_CHAT - len(CAUTION) - 2]}…\n{CAUTION}"

    def card(self, message: Message, reader: Reader) -> bytes:
        """Return a message as the JSON of a card: worst first, and no more of it than a room takes."""
        return self._short("card.json", message, reader, LONGEST_CARD_BYTES, _bytes).encode()

    def room(self, message: Message, reader: Reader) -> tuple[str, str | None]:
        """Return a message for a room as plain text and as HTML; the latter None where it is too long for one event."""
        page = self._short("room.html", message, reader, LONGEST_ROOM_BYTES, _bytes)
        return self.chat(message, reader), page if _bytes(page) <= LONGEST_ROOM_BYTES else None

    def _short(self, name: str, message: Message, reader: Reader, longest: int, length: Callable[[str], int]) -> str:
        """Return what is written with as many changes and stations as fit; with one of them, whether it fits or not."""
        lists = (items for part in message.parts for items in (part.body.lines, part.body.parked))
        most = max(len(message.parts), *(len(items) for items in lists))
        while True:
            text = self._written(name, context_of(message, reader, most)).strip()
            if length(text) <= longest or most <= 1:
                return text
            most = max(1, min(most - 1, most * longest // length(text)))

    def webhook(self, message: Message) -> bytes:
        """Return the body of a webhook."""
        if "webhook.json" not in self.own:
            return for_json(webhook_body(message)).encode()
        return self._written("webhook.json", webhook_context(message)).encode()

    def _written(self, name: str, context: Mapping[str, object]) -> str:
        """Return what a template makes of a message; where one of the operator's fails, what the shipped one makes."""
        if _TEXT_OF.get(name, name) not in self.own:
            return self._by_name[name].render(context)
        try:
            written = self._by_name[name].render(context)
        except Exception:  # noqa: BLE001 - logged with its trace
            _log.exception("template", file=name)
        else:
            wrong = wrong_output(name, written)
            if wrong is None:
                return written
            _log.error("template", file=name, error=wrong)
        # No sample foresaw this message. A plain alert now is worth more than a fine one never.
        return shipped(name).render(context)


def _bytes(text: str) -> int:
    return len(text.encode())


def environment(name: str) -> Environment:
    """Return how an operator's template of a channel is read: what it may use, and how values are written."""
    return _environment(name, ImmutableSandboxedEnvironment)


@cache
def _environment(name: str, kind: type[Environment]) -> Environment:
    found = kind(
        # Marks as done what a macro has written; the finalizer does the escaping.
        autoescape=True,
        finalize=finalizer(_ESCAPES[name]),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    found.filters = {word: found.filters[word] for word in FILTERS if word in found.filters}
    found.filters |= {
        "pad": _pad,
        "groups": _groups,
        "unbroken": unbroken if name in {"mail.html", "confirmation.html"} else str,
    }
    found.globals = {}
    return found


def _pad(text: object, width: int) -> str:
    """Return a text filled up with spaces, so that the next one begins in the same column."""
    return f"{'' if text is None else text!s:<{width}}"


def _groups(report: object) -> list[str]:
    """Return the groups of a report, so that a page can keep each on one line."""
    return [] if report is None else str(report).split()


@cache
def shipped(name: str) -> Template:
    """Return a template that comes with the program: one that can be replaced, or that of the confirmation mail."""
    text = files("watcher.notify").joinpath("templates", _TEXT_OF.get(name, name)).read_text(encoding="utf-8")
    # Our own text needs no sandbox, which would look at every field of every message before it is read.
    return _environment(name, Environment).from_string(text)

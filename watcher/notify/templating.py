"""How messages look: a template for each channel, the shipped one or the operator's, checked when it is loaded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Final

import structlog
from jinja2 import StrictUndefined, Template
from jinja2.sandbox import ImmutableSandboxedEnvironment

from watcher.errors import SettingsError
from watcher.notify.escaping import Escape, finalizer, for_chat, for_json, for_page, for_text, unbroken
from watcher.notify.message import CAUTION, Message
from watcher.notify.payload import webhook_body
from watcher.notify.template_check import FILTERS, problems_of, wrong_output
from watcher.notify.template_fields import Reader, context_of, webhook_context

__all__ = ["TEMPLATE_NAMES", "Reader", "Templates"]

# Common practice, no source: the smallest bound on one message that a chat room is known to have is 2,000 characters.
LONGEST_CHAT = 1_900

_ESCAPES: Final[Mapping[str, Escape]] = MappingProxyType({
    "mail.txt": for_text,
    "mail.html": for_page,
    "chat.txt": for_chat,
    "webhook.json": for_json,
    "confirmation.txt": for_text,
    "confirmation.html": for_page,
})  # fmt: skip
TEMPLATE_NAMES: Final = ("mail.txt", "mail.html", "chat.txt", "webhook.json")

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
            File name (mail.txt, mail.html, chat.txt, webhook.json) to its text.

        Raises
        ------
        SettingsError
            A name that is no template, or a template that is wrong: each problem with file, line and what is allowed.
            Every template is tried with an invented message of every kind.
        """
        problems = problems_of(overrides, TEMPLATE_NAMES, environment)
        if problems:
            raise SettingsError(problems)
        own = {name: environment(name).from_string(text) for name, text in overrides.items()}
        return cls(MappingProxyType({name: own.get(name) or shipped(name) for name in TEMPLATE_NAMES}), frozenset(own))

    def text(self, message: Message, reader: Reader) -> str:
        """Return a mail as plain text."""
        return self._written("mail.txt", context_of(message, reader)).strip() + "\n"

    def page(self, message: Message, reader: Reader) -> str:
        """Return a mail as a page."""
        return self._written("mail.html", context_of(message, reader))

    def chat(self, message: Message, reader: Reader) -> str:
        """Return a message for a chat room: worst first, and no more of it than a room takes."""
        lists = (items for part in message.parts for items in (part.body.lines, part.body.parked))
        most = max(len(message.parts), *(len(items) for items in lists))
        while True:
            text = self._written("chat.txt", context_of(message, reader, most)).strip()
            if len(text) <= LONGEST_CHAT:
                return text
            if most <= 1:
                return f"{text[: LONGEST_CHAT - len(CAUTION) - 2]}…\n{CAUTION}"
            most = max(1, min(most - 1, most * LONGEST_CHAT // len(text)))

    def webhook(self, message: Message) -> bytes:
        """Return the body of a webhook."""
        if "webhook.json" not in self.own:
            return for_json(webhook_body(message)).encode()
        return self._written("webhook.json", webhook_context(message)).encode()

    def _written(self, name: str, context: Mapping[str, object]) -> str:
        """Return what a template makes of a message; where one of the operator's fails, what the shipped one makes."""
        if name not in self.own:
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


@cache
def environment(name: str) -> ImmutableSandboxedEnvironment:
    """Return the rules by which the template of a channel is read: what it may use, and how values are written."""
    found = ImmutableSandboxedEnvironment(
        # Marks as done what a macro has written; the finalizer does the escaping.
        autoescape=True,
        finalize=finalizer(_ESCAPES[name]),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    found.filters = {word: found.filters[word] for word in FILTERS if word in found.filters}
    found.filters |= {"pad": _pad, "groups": _groups, "unbroken": unbroken if name.endswith(".html") else str}
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
    text = files("watcher.notify").joinpath("templates", name).read_text(encoding="utf-8")
    return environment(name).from_string(text)

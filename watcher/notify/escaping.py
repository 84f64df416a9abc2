"""Values made harmless for what reads them: a plain text, a page, a chat room, a JSON document."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from urllib.parse import quote

from markupsafe import Markup, escape

from watcher.notify.wording import plain, short

# Common practice, no source: a METAR has about 100 characters and a reason 200; more is no chat line.
LONGEST_CHAT_VALUE = 320

_CHAT_SIGNS = str.maketrans({"<": "‹", ">": "›", "@": "＠"})
# Only what a room would read as one character: "A&B" stays as it is.
_ENTITY = re.compile(r"&(?=#?\w+;)")
# A text in brackets before an address in parentheses shows the text and hides the address.
_DISGUISED_LINK = re.compile(r"\]\s*(?=[(\[])")


# CommonMark 0.31.2, 2.4: a backslash makes them the signs that they are. Those that need a space or a line's begin to
# mean anything (+ - . ! and numbers) stay, so that groups and temperatures stay readable where a room shows the text.
_MARKDOWN = re.compile(r"[\\`*_~|#\[\]]")

_UNBROKEN = '<span style="display:inline-block;max-width:100%">{}</span>'


class WebAddress(str):
    """A web address of our own. It must arrive as it is, so its signs are percent-encoded, never exchanged."""

    __slots__ = ()


Escape = Callable[[object], str]


def finalizer(channel: Escape) -> Callable[[object], object]:
    """Return what every value of a template goes through; what has been through already (a macro) stays."""
    if channel is for_page:
        # The template language escapes for pages by itself, and faster.
        return _nothing_for_none

    def finalize(value: object) -> object:
        return value if isinstance(value, Markup) else Markup(channel(value))  # noqa: S704 - escaped for the channel

    return finalize


def _nothing_for_none(value: object) -> object:
    return "" if value is None else value


def for_text(value: object) -> str:
    """Return a value on one line; nothing for None."""
    text = _text(value)
    return text if text.isprintable() else plain(text)


def for_page(value: object) -> str:
    """Return a value that is text in HTML, between tags and in quoted attributes; nothing for None."""
    return str(escape(_text(value)))


def unbroken(value: object) -> Markup:
    """Return a text for a page in which no line breaks after a hyphen: FZDZ without its minus is another weather."""
    # No reference that stands for a sign holds a hyphen or a space.
    words = for_page(value).split(" ")
    return Markup(" ".join(_UNBROKEN.format(word) if "-" in word else word for word in words))  # noqa: S704 - escaped above


def for_chat(value: object) -> str:
    """Return a value in which a chat room finds no command, mention, entity or disguised link; nothing for None."""
    if isinstance(value, WebAddress):
        return quote(value, safe="%/:=&?~#+!$,;'()*[]")
    text = short(_text(value), LONGEST_CHAT_VALUE)
    text = text.replace("<=", "≤").replace(">=", "≥").translate(_CHAT_SIGNS)
    return _DISGUISED_LINK.sub("] · ", _ENTITY.sub("＆", text))


def for_markdown(value: object) -> str:
    """Return a value for a chat room that reads Markdown: as `for_chat`, and shown as it is written."""
    return for_chat(value) if isinstance(value, WebAddress) else _MARKDOWN.sub(r"\\\g<0>", for_chat(value))


def for_card(value: object) -> str:
    """Return a value as a JSON literal, in which a text is one that a room reads as Markdown; null for None."""
    return for_json(for_markdown(value) if isinstance(value, str) else value)


def for_json(value: object) -> str:
    """Return a value as a JSON literal; null for None."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), default=str)


def _text(value: object) -> str:
    return "" if value is None else str(value)

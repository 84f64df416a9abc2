"""The form of a destination: what was written in it, and the values that the settings would have for that."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from watcher.errors import Problem, UsageError
from watcher.notify.signature import new_secret
from watcher.notify.wording import plain
from watcher.settings.people import SIGNED, DestinationKind, DestinationSection

KINDS: dict[DestinationKind, str] = {
    "email": "A mailbox",
    "webhook": "A program (webhook)",
    "chat": "A chat room",
    "matrix": "A Matrix room",
    "mqtt": "An MQTT topic",
    "cap": "A CAP receiver",
}
SHAPES = {
    "text": "text, as it is written",
    "markdown": "text, for a room that reads Markdown",
    "card": "a card with a title and lines",
}
FIELDS = (
    "name", "address", "url", "room_id", "broker", "topic", "stand_topic", "username", "password", "token", "secret",
    "room", "shape", "text_field", "group_within", "fallback",
)  # fmt: skip
CLUES = (
    ("fallback", "fallback"),
    ("is known", "name"),
    ("is there already", "name"),
    ("stands in the settings", "name"),
    ("mail cannot be sent", "address"),
    ("secret of destination", "secret"),
    ("no secret to sign with", "secret"),
    ("lacks a web address", "room"),
    ("of its room is missing", "room"),
    ("group_within", "group_within"),
    ("is no broker", "broker"),
    ("would travel in the clear", "broker"),
    ("cannot be published", "broker"),
    ("stand_topic", "stand_topic"),
    ("topic", "topic"),
    ("is no room id", "room_id"),
    ("access token", "token"),
    ("username", "password"),
    ("address", "address"),
)
# The addresses of the pages of these names lead elsewhere.
_TAKEN = frozenset({"new", ".", ".."})
_OF_KIND: dict[DestinationKind, tuple[str, ...]] = {
    "email": ("address", "group_within"),
    "webhook": ("url",),
    "chat": ("shape", "text_field", "group_within"),
    "matrix": ("url", "room_id", "group_within"),
    "mqtt": ("broker", "topic", "stand_topic", "username"),
    "cap": ("url",),
}
_NEEDED: dict[DestinationKind, tuple[str, ...]] = {
    "email": ("address",),
    "webhook": ("url",),
    "matrix": ("url", "room_id"),
    "mqtt": ("broker", "topic"),
    "cap": ("url",),
}
# The field in which what a destination is reached or signed with is written.
_SECRET: dict[DestinationKind, str] = {
    "webhook": "secret",
    "cap": "secret",
    "chat": "room",
    "matrix": "token",
    "mqtt": "password",
}
_WHERE_FROM = {"room": "the room's own settings show it", "token": "the account's own settings show it"}
_LONGEST = 2048


def kind_of(word: str | None) -> DestinationKind:
    """Return the kind that a word names; a mailbox where it names none."""
    return next((kind for kind in KINDS if kind == word), "email")


def new_name(name: str) -> str:
    """Return a name that a page can have; UsageError for another."""
    if name in _TAKEN:
        raise UsageError([Problem("destination: name", "leads to another page", "choose another name")])
    if not name:
        raise UsageError([Problem("destination: name", "is missing", "subscriptions call it by that")])
    return name


def written(fields: Mapping[str, str]) -> dict[str, str]:
    """Return what was written, each on one line."""
    return {name: plain(fields.get(name, ""))[:_LONGEST] for name in FIELDS}


def given_of(section: DestinationSection) -> dict[str, str]:
    """Return a destination as its form is filled in; a secret is never shown again."""
    within = section.group_within
    given = {name: getattr(section, name, None) or "" for name in FIELDS}
    return {**given, "group_within": f"{within.total_seconds():g}s" if within is not None else ""}


def values_of(kind: DestinationKind, given: Mapping[str, str]) -> dict[str, Any]:
    """Return the keys and values that the settings would have.

    Raises
    ------
    UsageError
        What every destination of its kind needs is missing.
    """
    missing = [name for name in _NEEDED.get(kind, ()) if not given[name]]
    if missing:
        raise UsageError([Problem(f"destination: {name}", "is missing") for name in missing])
    values: dict[str, Any] = {"kind": kind}
    for name in _OF_KIND[kind]:
        values[name] = given[name] or ("text" if name == "text_field" else None)
    return values | {"fallback": given["fallback"] or None}


def secret_of(kind: DestinationKind, given: Mapping[str, str], *, new: bool) -> tuple[str | None, bool]:
    """Return what a destination is reached or signed with, and whether it was made here; None: none, or as before.

    Raises
    ------
    UsageError
        A new one cannot be reached without.
    """
    field = _SECRET.get(kind)
    if field is None:
        return None, False
    if kind in SIGNED and new and not given[field]:
        return new_secret(), True
    if new and not given[field] and (kind != "mqtt" or given["username"]):
        raise UsageError([Problem(f"destination: {field}", "is missing", _WHERE_FROM.get(field, ""))])
    return given[field] or None, False

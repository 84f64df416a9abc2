"""The form of a destination: what was written in it, and the values that the settings would have for that."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from watcher.errors import Problem, UsageError
from watcher.notify.signature import new_secret
from watcher.notify.wording import plain
from watcher.settings.people import DestinationSection

Kind = Literal["email", "webhook", "chat"]
KINDS: dict[Kind, str] = {
    "email": "A mailbox",
    "webhook": "A program (webhook)",
    "chat": "A chat room",
}
FIELDS = ("name", "address", "url", "secret", "room", "text_field", "group_within")
CLUES = (
    ("is known", "name"),
    ("is there already", "name"),
    ("stands in the settings", "name"),
    ("mail cannot be sent", "address"),
    ("secret of destination", "secret"),
    ("no secret to sign with", "secret"),
    ("lacks a web address", "room"),
    ("of its room is missing", "room"),
    ("group_within", "group_within"),
    ("address", "address"),
)
# The addresses of the pages of these names lead elsewhere.
_TAKEN = frozenset({"new", ".", ".."})
_OF_KIND: dict[Kind, tuple[str, ...]] = {
    "email": ("address", "group_within"),
    "webhook": ("url",),
    "chat": ("text_field", "group_within"),
}
_LONGEST = 2048


def kind_of(word: str | None) -> Kind:
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
    return {
        "name": section.name,
        "address": section.address or "",
        "url": section.url or "",
        "text_field": section.text_field,
        "group_within": f"{within.total_seconds():g}s" if within is not None else "",
        "secret": "",
        "room": "",
    }


def values_of(kind: Kind, given: Mapping[str, str]) -> dict[str, Any]:
    """Return the keys and values that the settings would have.

    Raises
    ------
    UsageError
        What every destination of its kind needs is missing.
    """
    needed = {"email": "address", "webhook": "url"}.get(kind)
    if needed is not None and not given[needed]:
        raise UsageError([Problem(f"destination: {needed}", "is missing")])
    values: dict[str, Any] = {"kind": kind}
    for name in _OF_KIND[kind]:
        values[name] = given[name] or ("text" if name == "text_field" else None)
    return values


def secret_of(kind: Kind, given: Mapping[str, str], *, new: bool) -> tuple[str | None, bool]:
    """Return what a destination is reached or signed with, and whether it was made here; None: none, or as before.

    Raises
    ------
    UsageError
        A new room has no address.
    """
    if kind == "webhook":
        made = new and not given["secret"]
        return (new_secret() if made else given["secret"] or None), made
    if kind == "chat" and new and not given["room"]:
        raise UsageError([Problem("destination: room", "is missing", "the room's own settings show it")])
    return (given["room"] or None) if kind == "chat" else None, False

"""Destinations as their pages show them: whether anything arrives there, and why not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from watcher.errors import Problem
from watcher.notify.wording import plain, short, when
from watcher.service.directory import Directory, KnownDestination
from watcher.service.people_contract import destination_as_contract
from watcher.settings.people import DestinationKind
from watcher.store.model import Arrivals

KIND_WORDS: dict[DestinationKind, str] = {
    "email": "mailbox",
    "webhook": "program",
    "chat": "chat room",
    "matrix": "Matrix room",
    "mqtt": "MQTT topic",
    "cap": "CAP receiver",
}
Health = Literal["on", "waits", "off", "unusable"]


@dataclass(frozen=True, slots=True)
class Shown:
    """One destination. `to`: where it leads; whole for whoever may manage it. `why`: why nothing goes there.

    `fallback`: who is told in its place while it cannot be; `stands_in_for`: whose fallback it is.
    """

    name: str
    kind: str
    to: str
    fixed: bool
    health: Health
    why: str | None
    arrived: str | None
    error: str | None
    failed: str | None
    named_by: tuple[str, ...]
    fallback: str | None
    stands_in_for: tuple[str, ...]


def shown(
    known: KnownDestination,
    directory: Directory,
    arrivals: Mapping[str, Arrivals],
    problems: Iterable[Problem] = (),
    *,
    whole: bool,
) -> Shown:
    """Return a destination as it stands.

    Parameters
    ----------
    known, directory
        The destination, and all that there are.
    arrivals
        How messages went lately, by destination.
    problems
        What cannot be used as it stands.
    whole
        Show the whole web address; many receivers take it for the permission.
    """
    went = arrivals.get(known.name, Arrivals())
    users = sorted(item.name for item in directory.subscriptions.values() if known.name in item.section.to)
    health, why = _health(known, [item for item in problems if f'destination "{known.name}"' in item.where])
    return Shown(
        name=known.name,
        kind=KIND_WORDS[known.section.kind],
        to=plain(str(destination_as_contract(known, whole=whole)["to"])),
        fixed=known.source == "settings",
        health=health,
        why=why,
        arrived=when(went.sent_at, None) if went.sent_at is not None else None,
        error=short(went.error) if went.error is not None else None,
        failed=when(went.failed_at, None) if went.failed_at is not None else None,
        named_by=tuple(users),
        fallback=known.section.fallback,
        stands_in_for=tuple(
            sorted(item.name for item in directory.destinations.values() if item.section.fallback == known.name)
        ),
    )


def fallbacks_for(name: str, directory: Directory) -> list[tuple[str, str]]:
    """Return the destinations that may stand in for one of this name, each with its words."""
    return [
        (item.name, f"{item.name} ({KIND_WORDS[item.section.kind]})")
        for item in directory.destinations.values()
        if item.name != name and item.section.kind != "cap"
    ]


def _health(known: KnownDestination, problems: list[Problem]) -> tuple[Health, str | None]:
    if known.off is not None:
        return "off", f"{plain(known.off.reason)}, since {when(known.off.at, None)}"
    if problems:
        return "unusable", plain("; ".join(item.what for item in problems))
    if not known.confirmed:
        return "waits", "its owner has not said yes; nothing is sent there before"
    return "on", None

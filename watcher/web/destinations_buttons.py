"""The buttons on the page of a destination, and what comes of each."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass

from watcher.errors import Problem
from watcher.notify.wording import plain, when
from watcher.service.asking import ask_again, confirm_by_code, try_out
from watcher.service.directory import KnownDestination
from watcher.web.house import House

_LONGEST_REASON = 200


@dataclass(frozen=True, slots=True)
class Said:
    """What came of a button. `well`: it did what it says. `secret`: shown this once."""

    text: str
    well: bool = True
    secret: str | None = None


# Takes the house, the destination, the fields that came with the button, and who pressed it; None: it is gone.
Button = Callable[[House, KnownDestination, Mapping[str, str], str], Awaitable[Said | None]]


def asked(address: str, refused: str | None) -> Said:
    """Return what came of asking the owner of a mailbox; `refused`: why the mail was not taken, None: it was."""
    if refused is not None:
        return Said(
            f"The mail that asks its owner was not taken: {refused}. Nothing goes there before they agree.", False
        )
    return Said(f"A mail went to {address}. Nothing else goes there before its owner agrees, within seven days.")


async def _test(house: House, known: KnownDestination, _fields: Mapping[str, str], _by: str) -> Said:
    now = house.clock()
    refused = await try_out(house.settings, known, now)
    if refused is not None:
        return Said(f"It did not take the test message: {plain(refused)}", well=False)
    return Said(f"It took the test message at {when(now, None)}. Ask there whether it can be seen.")


async def _pause(house: House, known: KnownDestination, fields: Mapping[str, str], by: str) -> Said:
    reason = plain(fields.get("reason", ""))[:_LONGEST_REASON] or "paused"
    now = house.clock()
    await asyncio.to_thread(house.management.pause_destination, known.name, f"{reason} ({by})", now)
    house.news()
    return Said("It is paused: nothing goes there, not even that something is over, and what it was owed is dropped.")


async def _resume(house: House, known: KnownDestination, _fields: Mapping[str, str], _by: str) -> Said:
    was_off = await asyncio.to_thread(house.management.resume_destination, known.name)
    house.news()
    return Said("It is on again, and is told how things stand now." if was_off else "It was not switched off.")


async def _remove(house: House, known: KnownDestination, _fields: Mapping[str, str], _by: str) -> None:
    await asyncio.to_thread(house.management.remove_destination, known.name)
    house.news()


async def _ask_again(house: House, known: KnownDestination, _fields: Mapping[str, str], _by: str) -> Said:
    refused = await ask_again(house.settings, house.management, known.name, house.key, house.clock())
    house.news()
    return asked(known.section.address or "", refused)


async def _enter_code(house: House, known: KnownDestination, fields: Mapping[str, str], _by: str) -> Said:
    code = plain(fields.get("code", ""))[:20]
    await asyncio.to_thread(confirm_by_code, house.management, house.store, known.name, code, house.key, house.clock())
    house.news()
    return Said("It is confirmed; messages go there from now on.")


BUTTONS: dict[str, Button] = {
    "test": _test,
    "pause": _pause,
    "resume": _resume,
    "remove": _remove,
    "ask": _ask_again,
    "confirm": _enter_code,
}


def sentence(problem: Problem) -> str:
    """Return a problem as a sentence of a page."""
    return plain(f"{problem.where}: {problem.what}{f'; {problem.remedy}' if problem.remedy else ''}.")

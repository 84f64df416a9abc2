"""Treated aircraft on the invented morning, begun and pressed through the real pages."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import count
from typing import Any

import httpx

from tests.web.board_scenes import Morning
from watcher.service.protections import Reading
from watcher.treatment.protection import Protection

# As a plan or a person gives it at 0600Z; the tables that come along are old, so it is for training.
FORM = {
    "station": "XNOR",
    "aircraft": "HL-101",
    "fluid": "Type IV",
    "mix": "100/0",
    "begins": "at",
    "started": "0550Z",
    "place": "after-push",
    "profile": "medium-jet",
    "training": "yes",
}
_ids = count(1)


async def begin(opened: Morning, **given: str) -> str:
    """Begin a protection through the form; return its name."""
    answer = await opened.post("/protections/new", **(FORM | given))
    assert answer.status_code == 303, answer.text
    return answer.headers["location"].rpartition("/")[2].partition("?")[0]


@dataclass(frozen=True)
class Phone:
    """A phone with the link of one aircraft and nothing else, asked as its script asks."""

    opened: Morning
    link: str

    async def look(self, have: str = "") -> httpx.Response:
        async with httpx.AsyncClient(timeout=10) as alone:
            return await alone.get(f"{self.link}/now?have={have}", headers={"Accept": "application/json"})

    async def press(self, kind: str, **fields: Any) -> httpx.Response:
        form = {"id": f"phone-{next(_ids):06d}", "kind": kind, "sure": "yes"} | fields
        headers = {"Accept": "application/json", "Origin": self.opened.origin}
        async with httpx.AsyncClient(timeout=10) as alone:
            return await alone.post(f"{self.link}/press", data=form, headers=headers)


async def phone(opened: Morning, **given: str) -> tuple[Phone, str]:
    """Begin a protection and return the phone of its crew, and the name."""
    name = await begin(opened, **given)
    return Phone(opened, opened.links.protection(name)), name


def kept(opened: Morning, name: str) -> Protection:
    """Return an aircraft as it is written down."""
    found = opened.store.protection(name)
    assert found is not None
    return found


def reading(opened: Morning, name: str) -> Reading:
    """Return how an aircraft stands."""
    assert opened.house.protections is not None
    return opened.house.protections.read(name, opened.clock[0])


def wait(opened: Morning, minutes: float) -> datetime:
    """Let time pass."""
    opened.clock[0] += timedelta(minutes=minutes)
    return opened.clock[0]


def ms(at: datetime) -> int:
    """Return a time as scripts have it."""
    return round(at.timestamp() * 1000)


def detail(answer: httpx.Response) -> str:
    """Return why something was refused, as a program reads it (RFC 9457)."""
    assert answer.headers["content-type"] == "application/problem+json", answer.text
    return str(json.loads(answer.text)["detail"])

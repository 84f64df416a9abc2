"""Whether the service does its job, for programs that watch over it and for boards."""

from __future__ import annotations

import asyncio
from typing import Any

from fastapi import Request, Response
from pydantic import BaseModel, Field

from watcher import __version__
from watcher.notify.wording import plain
from watcher.units import iso_z
from watcher.web.api import ApiRouter, Gate
from watcher.web.etags import answer
from watcher.web.house import House
from watcher.web.rest.fields import Time


class FeedBody(BaseModel):
    """How one feed does."""

    last_success_at: Time | None
    newest_age_min: float | None
    failures_in_a_row: int
    detail: str


class TableSetBody(BaseModel):
    """One set of holdover tables. `in_force`: its season is now; else it gives no minutes but for training."""

    name: str
    authority: str
    season: str
    in_force: bool


class StatusBody(BaseModel):
    """How the service does. An empty list of problems: it does its job."""

    at: Time
    version: str
    ready: bool
    problems: list[str] = Field(description="Why it does not do its job, in plain words.")
    last_turn_at: Time | None = Field(description="When what was last judged was committed.")
    feeds: dict[str, FeedBody]
    stations: int
    blind: list[str] = Field(description="Codes of the stations that no usable report is known of.")
    deliveries: dict[str, int] = Field(description="How many messages are in each state.")
    disabled_destinations: list[str]
    rulebook: str = Field(description="Fingerprint of the rules that judge.")
    tables: list[TableSetBody]


def status_api(house: House, gate: Gate) -> ApiRouter:
    """Return the route under ``/api/v1/status``."""
    router = ApiRouter(gate, "/status", "status")

    @router.reads("", StatusBody)
    async def read_status(request: Request) -> Response:
        """Say whether the service does its job, and by what that is judged. The answer is 200 either way."""
        ready, views, now = await house.ready(), house.views(), house.clock()
        counts = await asyncio.to_thread(house.store.outbox_counts)
        off = await asyncio.to_thread(house.store.disabled_destinations)
        told: dict[str, Any] = {
            "at": iso_z(now),
            "version": __version__,
            "ready": not ready.problems,
            "problems": [plain(problem) for problem in ready.problems],
            "last_turn_at": ready.values.get("last_turn_at"),
            "feeds": ready.values.get("feeds", {}),
            "stations": len(views),
            "blind": sorted(code for code, view in views.items() if view.state.blind_since is not None),
            "deliveries": counts,
            "disabled_destinations": sorted(off),
            "rulebook": house.watch.rulebook.fingerprint,
            "tables": _tables(house),
        }
        return answer(request, told)

    return router


def _tables(house: House) -> list[dict[str, object]]:
    today = house.clock().date()
    return [
        {
            "name": item.name,
            "authority": item.authority,
            "season": item.season,
            "in_force": item.in_force(today),
        }
        for item in house.treatments.tables.sets
    ]

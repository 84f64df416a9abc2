"""The pages about treatments: departure, morning list, holdover, checklists."""

from __future__ import annotations

from fastapi import APIRouter

from watcher.web.depart import depart_pages
from watcher.web.holdover import holdover_pages
from watcher.web.house import House
from watcher.web.morning import morning_pages
from watcher.web.procedures import procedure_pages


def treatment_pages(house: House) -> APIRouter:
    """Return all of them."""
    router = APIRouter()
    for part in (depart_pages, morning_pages, holdover_pages, procedure_pages):
        router.include_router(part(house))
    return router

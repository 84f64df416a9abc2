"""All resources of the API behind one gate."""

from __future__ import annotations

from fastapi import APIRouter

from watcher.web.api import Gate
from watcher.web.house import House
from watcher.web.rest.episodes import episode_api
from watcher.web.rest.feeds import feed_api

_RESOURCES = (episode_api, feed_api)


def rest_api(house: House) -> APIRouter:
    """Return the routes of all resources under ``/api/v1``."""
    gate, router = Gate(house), APIRouter()
    for resource in _RESOURCES:
        router.include_router(resource(house, gate))
    return router

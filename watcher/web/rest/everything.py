"""All resources of the API behind one gate."""

from __future__ import annotations

from fastapi import APIRouter

from watcher.web.api import Gate
from watcher.web.house import House
from watcher.web.rest.deliveries import delivery_api
from watcher.web.rest.destination_switches import destination_switch_api
from watcher.web.rest.destinations import destination_api
from watcher.web.rest.episodes import episode_api
from watcher.web.rest.feeds import feed_api
from watcher.web.rest.holdover import holdover_api
from watcher.web.rest.nights import night_api
from watcher.web.rest.plans import departure_api, morning_api
from watcher.web.rest.procedures import procedure_api
from watcher.web.rest.protections import protection_api
from watcher.web.rest.stations import station_api
from watcher.web.rest.status import status_api
from watcher.web.rest.subscriptions import subscription_api

_RESOURCES = (
    station_api,
    night_api,
    episode_api,
    feed_api,
    protection_api,
    departure_api,
    morning_api,
    holdover_api,
    procedure_api,
    delivery_api,
    destination_switch_api,
    destination_api,
    subscription_api,
    status_api,
)


def rest_api(house: House) -> APIRouter:
    """Return the routes of all resources under ``/api/v1``."""
    gate, router = Gate(house), APIRouter()
    for resource in _RESOURCES:
        router.include_router(resource(house, gate))
    return router

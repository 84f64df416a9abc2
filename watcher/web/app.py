"""The application: pages behind signed links, the board, and the API."""

from __future__ import annotations

from urllib.parse import urlsplit

from fastapi import FastAPI

from watcher import __version__
from watcher.web.alerts import alert_pages
from watcher.web.api import PREFIX
from watcher.web.board import board_pages
from watcher.web.bounds import Bounds
from watcher.web.compressed import Compressed
from watcher.web.confirm import confirm_pages
from watcher.web.deliveries import delivery_pages
from watcher.web.described import Described
from watcher.web.destinations import destination_pages
from watcher.web.enter import entrance
from watcher.web.events_api import events_api
from watcher.web.feeds_out import feeds_out
from watcher.web.house import House
from watcher.web.live import LiveEvents
from watcher.web.live_pages import live_pages
from watcher.web.night import night_pages
from watcher.web.pages import page_headers
from watcher.web.protections import protection_pages
from watcher.web.protections_install import install_pages
from watcher.web.protections_phone import phone_pages
from watcher.web.refusing import refuse_in_one_way
from watcher.web.rest.everything import rest_api
from watcher.web.static import static_files
from watcher.web.stations import station_pages
from watcher.web.status import status_pages
from watcher.web.stop import stop_pages
from watcher.web.subscriptions import subscription_pages
from watcher.web.take import take_pages
from watcher.web.treatment_pages import treatment_pages


def build_app(house: House) -> FastAPI:
    """Return the application that shows a house."""
    app = Described(
        title="Hoarline",
        version=__version__,
        summary="Icing alerts of aerodromes: read them, take them in hand.",
        openapi_url=f"{PREFIX}/openapi.json",
        docs_url=None,
        redoc_url=None,
        # The path of a page is its permission; nothing may write it down.
        telemetry={
            "tracing": False,
            "metrics": False,
            "logs": False,
            "operation_spans": False,
            "auto_configure": False,
        },
        redirect_slashes=False,
    )
    for part in (
        take_pages,
        stop_pages,
        confirm_pages,
        rest_api,
        feeds_out,
        entrance,
        board_pages,
        station_pages,
        night_pages,
        alert_pages,
        delivery_pages,
        destination_pages,
        subscription_pages,
        status_pages,
    ):
        app.include_router(part(house))
    app.include_router(treatment_pages(house))
    for part in (protection_pages, phone_pages):
        app.include_router(part(house))
    app.include_router(install_pages())
    app.include_router(static_files())
    live = LiveEvents(house)
    app.include_router(events_api(house, live))
    app.include_router(live_pages(house, live))
    app.state.live = live
    app.add_middleware(Compressed)
    app.add_middleware(Bounds, headers=page_headers(), prefix=urlsplit(house.public_url or "").path)
    refuse_in_one_way(app)
    return app

"""Opens the board, the pages behind links and the API around a service that runs."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from watcher.service.service import Service
from watcher.web.app import build_app
from watcher.web.house import house_of
from watcher.web.server import WebServer


@asynccontextmanager
async def pages_of(service: Service) -> AsyncIterator[WebServer]:
    """Serve what a started service shows, at the address in its settings; `port` of what is returned says where."""
    bind = service.settings.text.web.bind
    assert bind is not None
    async with WebServer(build_app(house_of(service)), bind) as server:
        yield server

"""Opens the board, the pages behind links and the API around a service that runs."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager

from watcher.errors import cannot_listen
from watcher.service.service import Service
from watcher.web.app import build_app
from watcher.web.house import house_of
from watcher.web.server import WebServer


@asynccontextmanager
async def pages_of(service: Service) -> AsyncIterator[WebServer]:
    """Serve what a started service shows, at the address in its settings; `port` of what is returned says where.

    Raises
    ------
    HoarlineError
        The address cannot be opened.
    """
    bind = service.settings.text.web.bind
    assert bind is not None
    async with AsyncExitStack() as stack:
        try:
            server = await stack.enter_async_context(WebServer(build_app(house_of(service)), bind))
        except OSError as error:
            raise cannot_listen("web", bind, error) from error
        yield server

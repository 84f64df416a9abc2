"""Notices at once what other processes write into the store."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from types import TracebackType
from typing import Self

import structlog

from watcher.errors import StoreError
from watcher.store.store import Store

_log = structlog.get_logger()
_LISTEN_S = 0.5


class Hearing:
    """Listens to the store's news. Use as an async context manager.

    Parameters
    ----------
    store
        Whose news.
    use
        Called when there may be some. What it raises is logged, and the next news is heard all the same.
    """

    def __init__(self, store: Store, use: Callable[[], Awaitable[None]]) -> None:
        self._store = store
        self._use = use
        self._ended = False
        self._listening: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        self._listening = asyncio.create_task(self._listen())
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended = True
        if self._listening is not None:
            await self._listening

    async def _listen(self) -> None:
        news = self._store.news()
        # It waits in a thread of its own: the others are for those who ask the store something.
        with ThreadPoolExecutor(1, "news") as ear:
            while not self._ended:
                try:
                    if await asyncio.get_running_loop().run_in_executor(ear, news.wait, _LISTEN_S):
                        await self._use()
                except StoreError as error:
                    _log.warning("the store brings no news", error=str(error))
                    await asyncio.sleep(_LISTEN_S)
                except Exception:  # noqa: BLE001 - logged with its trace
                    # What is wrong with one piece of news must not make the service deaf to all others.
                    _log.exception("news of the store could not be used")
            news.close()

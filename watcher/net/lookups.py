"""Looking names up, in threads that do nothing else.

The machine's resolver cannot be broken off: a name that nobody answers for holds its thread for ten seconds and more.
In the threads that the store is asked with, a few such names would keep everything else waiting.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from ipaddress import ip_address
from queue import SimpleQueue
from threading import Lock, Thread
from typing import TypeVar

_T = TypeVar("_T")
# A thread that waits costs little, but each is a question to the same few name servers. Seven destinations whose names
# hang, four messages to each, leave places for others; what comes beyond waits its turn, and its caller's time runs.
MOST_AT_ONCE = 32


class Lookups:
    """Calls that may hang, each in one of a few threads. Those are no reason for the process to stay when it ends.

    Parameters
    ----------
    most
        The most calls at once.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._asked: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._lock = Lock()
        self._threads = 0
        self._open = 0

    async def ask(self, call: Callable[[], _T]) -> _T:
        """Return what a call returns, or raise what it raises. One that nobody waits for any more is not begun."""
        future: Future[_T] = Future()

        def answer() -> None:
            if future.set_running_or_notify_cancel():
                try:
                    future.set_result(call())
                except BaseException as error:  # noqa: BLE001 - it is the caller's
                    future.set_exception(error)

        with self._lock:
            if self._threads < min(self._open + 1, self._most):
                Thread(target=self._work, name="look-up", daemon=True).start()
                self._threads += 1
            self._open += 1
        self._asked.put(answer)
        return await asyncio.wrap_future(future)

    def _work(self) -> None:
        while True:
            answer = self._asked.get()
            answer()
            with self._lock:
                self._open -= 1


_LOOKUPS = Lookups(MOST_AT_ONCE)


async def system_resolver(host: str, port: int) -> Sequence[str]:
    """Return the addresses of a host as the machine's own resolver gives them; an address is its own.

    Raises
    ------
    OSError
        The name has no address, or nobody answered.
    """
    try:
        return (str(ip_address(host)),)
    except ValueError:
        pass
    found = await _LOOKUPS.ask(lambda: socket.getaddrinfo(host, port, type=socket.SOCK_STREAM))
    return tuple(dict.fromkeys(str(sockaddr[0]) for *_, sockaddr in found))


async def own_name() -> str:
    """Return the full name of this machine, as far as its resolver knows it."""
    return await _LOOKUPS.ask(socket.getfqdn)

"""A mail server for commands that send."""

from __future__ import annotations

import asyncio
from threading import Thread

import pytest

from watcher.demo.receivers import MailReceiver


@pytest.fixture
def mailbox():
    """A real mail server, beside commands that block."""
    loop, receiver = asyncio.new_event_loop(), MailReceiver()
    running = Thread(target=loop.run_forever)
    running.start()
    asyncio.run_coroutine_threadsafe(receiver.__aenter__(), loop).result(10)
    yield receiver
    asyncio.run_coroutine_threadsafe(receiver.__aexit__(None, None, None), loop).result(10)
    loop.call_soon_threadsafe(loop.stop)
    running.join()
    loop.close()

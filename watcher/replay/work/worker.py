"""How a process that works for another one begins: it leaves stopping to that one, and ends when that one is gone."""

from __future__ import annotations

import os
import signal
from multiprocessing import parent_process
from multiprocessing.connection import wait
from threading import Thread


def begin_worker() -> None:
    """Make ready a process that a pool has started; for its `initializer`.

    A key that interrupts reaches every process of a terminal: only the first one may answer it. And a worker whose
    master was killed would wait for ever, for it holds both ends of the pipe that its work comes through.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    master = parent_process()
    if master is not None:
        Thread(target=_end_after, args=(master.sentinel,), daemon=True).start()


def _end_after(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)  # nothing half written can be taken for whole (work.files)

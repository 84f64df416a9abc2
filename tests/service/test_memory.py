"""What is free is given back to the machine, as far as the C library here can."""

from __future__ import annotations

import ctypes
import sys
from threading import Thread

import psutil
import pytest

from watcher.service import memory
from watcher.service.memory import give_back


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the GNU C library")
def test_holes_between_what_is_used_are_given_back() -> None:
    """A thread leaves 60 MiB of holes behind; a machine that does not get them back would see them as used."""
    kept: list[ctypes.Array[ctypes.c_char]] = []

    def leave_holes() -> None:
        blocks = [ctypes.create_string_buffer(b"x" * 60_000, 60_000) for _ in range(1_000)]
        kept.extend(blocks[::50])
        blocks.clear()

    thread = Thread(target=leave_holes)
    thread.start()
    thread.join()
    before = psutil.Process().memory_info().rss
    assert give_back()
    assert before - psutil.Process().memory_info().rss > 20 * 2**20
    assert all(block.raw[:1] == b"x" for block in kept)


def test_another_library_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    def none_here(_name: str) -> ctypes.CDLL:
        raise OSError("no such library")

    monkeypatch.setattr(memory.ctypes, "CDLL", none_here)
    memory._trim.cache_clear()
    assert give_back() is False
    memory._trim.cache_clear()

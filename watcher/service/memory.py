"""Gives memory that is free back to the machine: a service that runs for months must not keep the most it ever used."""

from __future__ import annotations

import ctypes
from functools import cache
from typing import Protocol


class _Trim(Protocol):
    def __call__(self, keep: int, /) -> int: ...


def give_back() -> bool:
    """Let the C library return what is free between what is used; return whether it had anything to return.

    Several threads allocate and free beside each other, and each has a place of its own, of which the GNU C library
    keeps the holes (its manual, "Malloc Tunable Parameters" and malloc_trim(3)). Other libraries are left alone.
    """
    trim = _trim()
    return trim is not None and bool(trim(0))


@cache
def _trim() -> _Trim | None:
    try:
        found = ctypes.CDLL("libc.so.6").malloc_trim
    except (OSError, AttributeError):
        return None
    found.argtypes, found.restype = [ctypes.c_size_t], ctypes.c_int
    return found

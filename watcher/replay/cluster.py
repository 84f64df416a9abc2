"""One partition after the other, or many at once on the workers of a cluster: the same function, the same order."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

Part = TypeVar("Part")
Answer = TypeVar("Answer")


def over_partitions(
    work: Callable[[Part], Answer],
    partitions: Sequence[Part],
    *,
    scheduler: str | None = None,
    processes: int = 1,
) -> Iterator[Answer]:
    """Yield what `work` answers for each partition, in the order of the partitions.

    Parameters
    ----------
    work
        A function that travels to another process (of a module, or `functools.partial` of one).
    partitions
        What it is called with, one at a time.
    scheduler
        Address of a running Dask scheduler, such as ``tcp://10.0.0.5:8786``.
    processes
        Without a scheduler: how many processes of this machine; 1 works in this one, without Dask.
    """
    raise NotImplementedError

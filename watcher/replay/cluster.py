"""One partition after the other, or many at once: on the processes of this machine, or on the workers of a cluster.

The same function runs everywhere, and the answers come in the order of the partitions.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context
from typing import TypeVar

from watcher.errors import DiskFull, HoarlineError, PartitionError
from watcher.replay.work.worker import begin_worker

Part = TypeVar("Part")
Answer = TypeVar("Answer")

# How often a partition is begun before it is given up: a process may die of something else than its partition.
ATTEMPTS = 3
THREADS = "POLARS_MAX_THREADS"


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
        Address of a running Dask scheduler, such as ``tcp://10.0.0.5:8786``, or `dask_workers.HERE`.
    processes
        Without a scheduler: how many processes of this machine; 1 works in this one.

    Raises
    ------
    DiskFull
        The work folder has no room for what a partition makes.
    PartitionError
        A partition gave no answer; it is named, with what was wrong. None is left out and passed over.
    HoarlineError
        No scheduler answers, its workers cannot be used, or Dask is not installed.
    """
    if scheduler is not None:
        from watcher.replay.dask_workers import on_workers  # noqa: PLC0415 - heavy, and an extra

        return on_workers(work, partitions, scheduler=scheduler, processes=processes)
    if processes > 1 and len(partitions) > 1:
        return _on_processes(work, partitions, min(processes, len(partitions)))
    return (answer_of(work, part) for part in partitions)


def answer_of(work: Callable[[Part], Answer], partition: Part) -> Answer:
    """Return what `work` answers.

    Raises
    ------
    DiskFull
        The work folder had no room for what it makes; the partition is named.
    PartitionError
        It failed; the partition is named.
    """
    try:
        return work(partition)
    except Exception as error:
        what = str(error) if isinstance(error, HoarlineError) else f"{type(error).__name__}: {error}"
        # The type says it to whoever can make room: causes do not travel from other processes and machines.
        kind = DiskFull if isinstance(error, DiskFull) else PartitionError
        raise kind(f"{name_of(partition)}: {what}") from error


def name_of(partition: object) -> str:
    """Return what a message calls a partition: its file where it has one."""
    return str(getattr(partition, "reports", partition))


def died(partition: object, times: int) -> PartitionError:
    """Return the error of a partition whose process died each time."""
    return PartitionError(
        f"{name_of(partition)}: the process that worked on it died, {times} times in a row; "
        "it may need more memory than there is: take fewer processes, or smaller partitions"
    )


def threads_of(processes: int) -> str:
    """Return how many threads each of some processes takes of this machine's processors."""
    return str(max(1, (os.cpu_count() or 1) // processes))


def _on_processes(work: Callable[[Part], Answer], partitions: Sequence[Part], processes: int) -> Iterator[Answer]:
    """Work in a pool. When a process dies, the next partition goes alone, so that it is known which one it is."""
    done = deaths = 0
    while done < len(partitions):
        ahead = partitions[done:] if deaths == 0 else partitions[done : done + 1]
        with ProcessPoolExecutor(processes, get_context("spawn"), begin_worker) as pool:
            with _threads_each(processes):
                waiting = [pool.submit(answer_of, work, part) for part in ahead]
            try:
                for answer in waiting:
                    yield answer.result()
                    done, deaths = done + 1, 0
            except BrokenProcessPool as error:
                deaths += 1
                if deaths == ATTEMPTS:
                    raise died(partitions[done], deaths) from error
            finally:
                pool.shutdown(wait=False, cancel_futures=True)


@contextmanager
def _threads_each(processes: int) -> Iterator[None]:
    """Let processes that are begun meanwhile share the processors: the expressions have threads of their own."""
    before = os.environ.get(THREADS)
    os.environ[THREADS] = before or threads_of(processes)
    try:
        yield
    finally:
        if before is None:
            del os.environ[THREADS]

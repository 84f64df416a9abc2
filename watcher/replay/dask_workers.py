"""Partitions on the workers of a Dask cluster, which see them under the same paths and have this very program.

A worker that dies is no loss: the scheduler gives its partition to another one.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any, TypeVar

import watcher
from watcher.errors import HoarlineError
from watcher.replay.cluster import ATTEMPTS, THREADS, answer_of, died, threads_of

try:
    import dask
    from distributed import Client, LocalCluster, wait
    from distributed.scheduler import KilledWorker
except ImportError as error:
    raise HoarlineError('a cluster needs Dask: pip install "hoarline[cluster]"') from error

Part = TypeVar("Part")
Answer = TypeVar("Answer")

# Instead of an address: a cluster of processes on this machine, for as long as it is needed.
HERE = "here"
_PATIENCE_S = 30


def on_workers(
    work: Callable[[Part], Answer], partitions: Sequence[Part], *, scheduler: str, processes: int = 1
) -> Iterator[Answer]:
    """Yield what `work` answers for each partition, in their order; as `cluster.over_partitions` has it.

    Parameters
    ----------
    work, partitions
        The work.
    scheduler
        An address, or HERE.
    processes
        With HERE: how many.
    """
    with ExitStack() as open_until_done:
        client = _here(processes, open_until_done) if scheduler == HERE else _there(scheduler, open_until_done)
        # The rules and positions travel once, then from worker to worker; a copy that is lost is made again.
        shared = client.submit(_itself, work, pure=False)
        running: dict[int, Any] = {}
        finished: dict[int, Any] = {}
        open_until_done.callback(lambda: client.cancel([shared, *running.values(), *finished.values()]))
        begun = 0
        for number, part in enumerate(partitions):
            while number not in finished:
                # No more than can run at once: of those that wait at a worker that dies, none is to blame.
                for ahead in range(begun, min(begun + _room(client, running), len(partitions))):
                    running[ahead] = client.submit(_answer, shared, partitions[ahead], pure=False)
                    begun = ahead + 1
                with client.as_current():
                    done, _ = wait(list(running.values()), return_when="FIRST_COMPLETED")  # type: ignore[no-untyped-call]
                finished |= {ahead: running.pop(ahead) for ahead, answer in list(running.items()) if answer in done}
            try:
                yield finished[number].result()
            except KilledWorker as error:
                raise died(part, error.allowed_failures + 1) from error
            del finished[number]


def _room(client: Any, running: Mapping[int, Any]) -> int:  # noqa: ANN401 - distributed says nothing of its types
    """Return how many partitions more may be begun: one for each thread, one at least while workers come back."""
    threads: int = sum(client.nthreads().values())
    return max(1, threads) - len(running)


def _itself(work: Callable[[Part], Answer]) -> Callable[[Part], Answer]:
    return work


def _answer(work: Callable[[Part], Answer], partition: Part) -> Answer:
    return answer_of(work, partition)


def _here(processes: int, open_until_done: ExitStack) -> Any:  # noqa: ANN401
    open_until_done.enter_context(dask.config.set({"distributed.scheduler.allowed-failures": ATTEMPTS - 1}))
    workers = LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=processes,
        threads_per_worker=1,
        host="127.0.0.1",
        dashboard_address=None,
        env={THREADS: threads_of(processes)},
    )
    open_until_done.enter_context(workers)
    return open_until_done.enter_context(Client(workers, set_as_default=False))  # type: ignore[no-untyped-call]


def _there(scheduler: str, open_until_done: ExitStack) -> Any:  # noqa: ANN401
    try:
        client = Client(scheduler, timeout=_PATIENCE_S, set_as_default=False)  # type: ignore[no-untyped-call]
        open_until_done.enter_context(client)
        client.wait_for_workers(1, timeout=_PATIENCE_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise HoarlineError(f"{scheduler}: no scheduler with workers answers there within {_PATIENCE_S} s") from error
    _check_same_program(client.run(program, on_error="return"))
    return client


def _check_same_program(programs: Mapping[str, object]) -> None:
    """Refuse workers that would judge otherwise than this process."""
    ours = program()
    other = sorted(worker for worker, theirs in programs.items() if theirs != ours)
    if other:
        raise HoarlineError(f"{other[0]}: this worker has another program than this machine; install the same on all")


def program() -> str:
    """Return a digest of this program's text, wherever it is installed."""
    digest = hashlib.blake2b(digest_size=16)
    for folder in sorted(watcher.__path__):
        for path in sorted(Path(folder).rglob("*.py")):
            digest.update(path.read_bytes())
    return digest.hexdigest()

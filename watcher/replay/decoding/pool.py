"""Blocks decoded by several processes, few waiting at a time, given back in the order in which they were read."""

from __future__ import annotations

import gc
import multiprocessing
import os
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from watcher.errors import HoarlineError
from watcher.replay.archives.blocks import Block
from watcher.replay.archives.sources import Fault, Source
from watcher.replay.decoding.parts import Part, decode_block, program, sealed
from watcher.replay.work.files import sweep
from watcher.replay.work.worker import begin_worker


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a block stood: in which file, from which line, and at which place in the order of all."""

    source: Source
    first_line: int
    offset: int
    packed_bytes: int


Decoded = tuple[Placed, Part] | Fault

_THREADS = "POLARS_MAX_THREADS"
# Blocks in memory: those being decoded, and as many that wait, so that no process ever waits for the reader.
_WAITING_EACH = 2


@dataclass(frozen=True, slots=True)
class _Wanted:
    """How parts are made, and where they are kept. `made`: what this run has made, where it makes all anew."""

    folder: Path
    second_reader: bool
    fresh: bool
    made: set[str] = field(default_factory=set)

    def key(self, block: Block) -> str:
        return block.key(f"{program()} {self.second_reader}")

    def kept(self, key: str) -> Part | None:
        """Return a part that need not be made; what stands twice in an archive is made once in any case."""
        if self.fresh and key not in self.made:
            self.made.add(key)
            return None
        return sealed(self.folder, key)


def decoded_parts(
    found: Iterable[Block | Fault], folder: Path, *, processes: int, second_reader: bool, fresh: bool = False
) -> Iterator[Decoded]:
    """Yield the place of each block with its part, in order; what is kept in the folder is not decoded again.

    Parameters
    ----------
    found
        Blocks, and faults of whole files, which are passed on.
    folder
        Where parts are kept.
    processes
        How many decode at once; 1: this one alone.
    second_reader
        As `decode_block` has it.
    fresh
        Make again what is kept already.

    Raises
    ------
    HoarlineError
        The folder does not take a part, or a process ended.
    """
    folder.mkdir(parents=True, exist_ok=True)
    sweep(folder)
    wanted = _Wanted(folder, second_reader, fresh)
    if processes <= 1:
        for block in found:
            yield block if isinstance(block, Fault) else (_placed(block), _here(block, wanted))
        return
    with _pool(processes) as pool:
        yield from _in_order(_begun(found, wanted, pool), processes * _WAITING_EACH, folder)


def _here(block: Block, wanted: _Wanted) -> Part:
    key = wanted.key(block)
    return wanted.kept(key) or _decode(block, wanted.folder, key, wanted.second_reader)


def _begun(
    found: Iterable[Block | Fault], wanted: _Wanted, pool: ProcessPoolExecutor
) -> Iterator[tuple[Placed, Future[Part]] | Fault]:
    """Yield each block as soon as somebody works on it. What stands twice is decoded once."""
    running: dict[str, Future[Part]] = {}
    for block in found:
        if isinstance(block, Fault):
            yield block
            continue
        key = wanted.key(block)
        running = {name: future for name, future in running.items() if not future.done()}
        future = running.get(key)
        if future is None:
            part = wanted.kept(key)
            if part is not None:
                future = _finished(part)
            else:
                future = pool.submit(_decode, block, wanted.folder, key, wanted.second_reader)
            running[key] = future
        yield _placed(block), future


def _in_order(begun: Iterator[tuple[Placed, Future[Part]] | Fault], most: int, folder: Path) -> Iterator[Decoded]:
    waiting: deque[tuple[Placed, Future[Part]] | Fault] = deque()
    try:
        for item in begun:
            waiting.append(item)
            while len(waiting) > most:
                yield _result(waiting.popleft())
        while waiting:
            yield _result(waiting.popleft())
    except BrokenProcessPool as error:
        raise HoarlineError(
            "a decoding process was ended from outside, perhaps for want of memory. What was decoded stays in "
            f"{folder}: run the same command once more, perhaps with fewer processes"
        ) from error


def _result(item: tuple[Placed, Future[Part]] | Fault) -> Decoded:
    return item if isinstance(item, Fault) else (item[0], item[1].result())


def _finished(part: Part) -> Future[Part]:
    future: Future[Part] = Future()
    future.set_result(part)
    return future


def _placed(block: Block) -> Placed:
    return Placed(block.source, block.first_line, block.offset, block.packed_bytes)


@contextmanager
def _pool(processes: int) -> Iterator[ProcessPoolExecutor]:
    """A fresh interpreter for each process: a fork would copy the threads of the library that writes the columns."""
    before = os.environ.get(_THREADS)
    os.environ[_THREADS] = "1"
    pool = ProcessPoolExecutor(processes, multiprocessing.get_context("spawn"), begin_worker)
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        if before is None:
            del os.environ[_THREADS]
        else:
            os.environ[_THREADS] = before


def _decode(block: Block, folder: Path, key: str, second_reader: bool) -> Part:
    """Decode without looking for cycles: there are none among reports, and the look takes a fifth of the time."""
    looked = gc.isenabled()
    gc.disable()
    try:
        return decode_block(block, folder, key, second_reader=second_reader)
    finally:
        if looked:
            gc.enable()

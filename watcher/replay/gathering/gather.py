"""From archives to partitions: whole stations, sorted, each report once, and a count of all that was not taken."""

from __future__ import annotations

import fcntl
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from watcher.errors import HoarlineError
from watcher.replay.archives.blocks import BLOCK_BYTES, Block, blocks
from watcher.replay.archives.dates import Dated
from watcher.replay.archives.sources import Fault, Form, Source, sources
from watcher.replay.archives.standard_input import received
from watcher.replay.decoding.parts import Part
from watcher.replay.decoding.pool import Placed, decoded_parts
from watcher.replay.gathering.model import Counts, Gathered, Partition, Progress
from watcher.replay.gathering.partitions import Made, partitions_of

KEPT_FAULTS = 1000
ROWS_EACH = 1_500_000


def gather(
    paths: Sequence[Path],
    work: Path,
    *,
    dated: Dated | None = None,
    form: Form | None = None,
    processes: int = 1,
    second_reader: bool = False,
    rows_each: int = ROWS_EACH,
    block_bytes: int = BLOCK_BYTES,
    fresh: bool = False,
    progress: Callable[[Progress], None] | None = None,
) -> Gathered:
    """Return the partitions of archives; what a run before has left in `work` is used again.

    Parameters
    ----------
    paths
        Files and folders; PIPED: what comes on standard input.
    work
        Where parts and partitions are kept, named by what they rest on. May lie inside an archive's folder.
    dated
        Month and year of reports where neither the file nor its name says them; without it those are counted as faults.
    form
        The form that all files have; None: told from the content of each.
    processes
        How many decode at once.
    second_reader
        Compare every report with an independent decoder, as the live path does, at about a seventh of the speed.
        Without it, only where a difference changes what rules see; rules on the fact `doubtful` need all.
    rows_each
        The most observations in a partition; a station that has more stands alone.
    block_bytes
        About how much of a file is decoded together.
    fresh
        Make again what `work` has already.
    progress
        Is told how far it has come.

    Raises
    ------
    UsageError
        A path does not exist, or nothing is piped in where that is asked for.
    HoarlineError
        The work folder does not take what is made, or another run works in it.
    """
    with _alone_in(work), received(paths, work) as piped:
        found, amiss = sources(paths, leaving_out=work, piped=piped)
        tally = _Tally(sum(source.size_bytes for source in found), progress)
        for fault in amiss:
            tally.fault(fault)
        read = _blocks(found, dated or Dated(), form, block_bytes)
        folder = work / "parts"
        for item in decoded_parts(read, folder, processes=processes, second_reader=second_reader, fresh=fresh):
            if isinstance(item, Fault):
                tally.fault(item)
            else:
                tally.part(*item)
        made = []
        for partition, count in partitions_of(tally.parts, work, rows_each, fresh=fresh):
            made.append(partition)
            tally.partitioned(len(made), count)
        return tally.gathered(made)


def _blocks(found: Sequence[Source], dated: Dated, form: Form | None, block_bytes: int) -> Iterator[Block | Fault]:
    offset = 0
    for source in found:
        for item in blocks(source, offset=offset, otherwise=dated, form=form, block_bytes=block_bytes):
            if isinstance(item, Block):
                offset = max(offset, item.offset + item.span)
            yield item


@dataclass(slots=True)
class _Tally:
    """What has been read so far."""

    bytes_total: int
    progress: Callable[[Progress], None] | None
    parts: list[tuple[Placed, Part]] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    fault_counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    _bytes_before: int = 0
    _source: Source | None = None
    _bytes_done: int = 0
    _reports: int = 0

    def fault(self, fault: Fault) -> None:
        self.fault_counts[fault.file, fault.kind] += 1
        if len(self.faults) < KEPT_FAULTS:
            self.faults.append(fault)

    def part(self, placed: Placed, part: Part) -> None:
        name = placed.source.name
        self.parts.append((placed, part))
        for kind, count in part.fault_counts.items():
            self.fault_counts[name, kind] += count
        for line, kind, what in part.faults[: KEPT_FAULTS - len(self.faults)]:
            self.faults.append(Fault(name, None if line is None else placed.first_line + line, kind, what))
        if placed.source is not self._source:
            self._bytes_before += self._source.size_bytes if self._source is not None else 0
            self._source = placed.source
        self._bytes_done = min(self.bytes_total, self._bytes_before + placed.packed_bytes)
        self._reports += part.observed + part.forecasts
        self._tell()

    def partitioned(self, done: int, count: int) -> None:
        self._bytes_done = self.bytes_total
        self._tell(done, count)

    def _tell(self, done: int = 0, count: int = 0) -> None:
        if self.progress is not None:
            faults = sum(self.fault_counts.values())
            self.progress(Progress(self._bytes_done, self.bytes_total, self._reports, faults, done, count))

    def gathered(self, made: Sequence[Made]) -> Gathered:
        totals: Counter[str] = Counter()
        for _, part in self.parts:
            totals.update(part.tally)
        for partition in made:
            totals.update(partition.tally)
        begins = [partition.begins_at for partition in made if partition.begins_at is not None]
        ends = [partition.ends_at for partition in made if partition.ends_at is not None]
        return Gathered(
            partitions=tuple(item.partition for item in made),
            counts=Counts(**totals),
            faults=tuple(self.faults),
            fault_counts=dict(self.fault_counts),
            begins_at=min(begins, default=None),
            ends_at=max(ends, default=None),
        )


@contextmanager
def _alone_in(work: Path) -> Iterator[None]:
    """Keep a second run out of the folder for as long as this one works in it."""
    try:
        work.mkdir(parents=True, exist_ok=True)
        lock = (work / "in-use").open("w")
    except OSError as error:
        raise HoarlineError(f"{work}: cannot be written: {error.strerror}; name another folder") from error
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise HoarlineError(
                f"{work}: another run works in this folder; wait for its end or name another"
            ) from error
        yield


__all__ = ["Counts", "Dated", "Gathered", "Partition", "Progress", "gather"]

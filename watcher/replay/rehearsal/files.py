"""Where a rehearsal's results lie in the work folder: two files of JSON lines for some stations, written whole or not.

One has the stations with their episodes, the other their events by time. Their name is a digest of all that they rest
on, so that what a file holds never has to be asked twice, and never is out of date.
"""

from __future__ import annotations

import gzip
import hashlib
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from pydantic import TypeAdapter

from watcher.alerts.model import Event, Policy
from watcher.errors import HoarlineError
from watcher.replay.rehearsal.model import Span, StationRun
from watcher.replay.work.files import not_written, note_use
from watcher.replay.work.program import program_of
from watcher.reports.station import Station

# What rehearses: when any of the code changes that it rests on, what was rehearsed before is rehearsed again.
_REHEARSES = "watcher.replay.rehearsal.pool"

T = TypeVar("T")
_DEAD_S = 3600

_RUN: TypeAdapter[StationRun] = TypeAdapter(StationRun)
_EVENT: TypeAdapter[Event] = TypeAdapter(Event)


@dataclass(frozen=True, slots=True)
class Kept:
    """The results of some stations. `runs`: stations and episodes. `events`: by time."""

    runs: Path
    events: Path

    def taken(self) -> bool:
        """Return whether both are there; they are then noted as used."""
        # The events are written first, so that the runs are there only when all is.
        if not (self.runs.exists() and self.events.exists()):
            return False
        note_use(self.runs)
        return True


def kept_in(folder: Path, key: str) -> Kept:
    """Return the files of a key."""
    return Kept(folder / f"{key}.stations.jsonl.gz", folder / f"{key}.events.jsonl.gz")


def key_of(content: str, stations: Sequence[Station], fingerprint: str, policy: Policy, span: Span) -> str:
    """Return the digest of all that a result rests on; `content`: of the partition's files."""
    parts = [program(), content, fingerprint, policy, span, *stations]
    return hashlib.sha256("\n".join(map(repr, parts)).encode()).hexdigest()[:24]


def program() -> str:
    """Return the digest of the code that judges, so that no result of an older one is taken for its own."""
    return program_of(_REHEARSES)


def content_of(paths: Iterable[Path]) -> str:
    """Return the digest of some files' content."""
    whole = hashlib.blake2b(digest_size=16)
    for path in paths:
        with path.open("rb") as file:
            whole.update(hashlib.file_digest(file, "blake2b").digest())
    return whole.hexdigest()


def keep(kept: Kept, runs: Sequence[StationRun]) -> None:
    """Write results; a file is there whole, or not at all.

    Raises
    ------
    DiskFull
        When there is no room.
    HoarlineError
        When the folder does not take them.
    """
    events = sorted((event for run in runs for event in run.events), key=lambda event: event.at)
    _write(kept.events, (_EVENT.dump_json(event) for event in events))
    _write(kept.runs, (_RUN.dump_json(replace(run, events=())) for run in runs))


def clear_drafts(folder: Path) -> None:
    """Remove what killed runs have left half written: a draft lives for seconds, so one of an hour is nobody's."""
    for draft in folder.glob("*.part"):
        with suppress(OSError):
            if time.time() - draft.stat().st_mtime > _DEAD_S:
                draft.unlink()


def read_runs(kept: Kept) -> Iterator[StationRun]:
    """Yield the stations of a result with their episodes, without events."""
    return _read(kept.runs, _RUN.validate_json)


def read_events(kept: Kept) -> Iterator[Event]:
    """Yield the events of a result by time."""
    return _read(kept.events, _EVENT.validate_json)


def _write(path: Path, lines: Iterable[bytes]) -> None:
    draft = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # Without the time in its head a file of the same content is the same file.
        with draft.open("wb") as raw, gzip.GzipFile("", "wb", 3, raw, mtime=0) as packed:
            for line in lines:
                packed.write(line)
                packed.write(b"\n")
        draft.replace(path)
    except OSError as error:
        draft.unlink(missing_ok=True)
        reason = error.strerror or str(error)
        raise not_written(
            error, f"{path.parent}: cannot be written: {reason}; what is finished stays, run it again"
        ) from error


def _read(path: Path, of: Callable[[bytes], T]) -> Iterator[T]:
    try:
        with gzip.open(path, "rb") as packed:
            for line in packed:
                yield of(line)
    except (OSError, EOFError, ValueError) as error:
        raise HoarlineError(f"{path}: a result in the work folder is damaged; run again with --fresh") from error

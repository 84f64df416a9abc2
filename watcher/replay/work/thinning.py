"""What stays in a work folder: all that this run used, and of earlier runs the latest used, up to some gigabytes.

Parts, partitions, facts and results are named by what they rest on, so that none is ever out of date; but whoever tries
rules and archives for a winter would fill the disk with what nobody asks for again.
"""

from __future__ import annotations

import fcntl
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from watcher.errors import DiskFull, HoarlineError

# So much of earlier runs stays where nobody says otherwise. Common practice, no source.
KEEP_GB = 20.0

# Nothing else in the folder is ours to remove: it may be one that a person uses for other things too.
_ROOMS = ("parts", "partitions", "facts", "narrowed", "rehearsals")
_OURS = re.compile(r"([0-9a-f]{24,64})\.[a-z0-9.]+")
# Clocks of this machine, of workers and of a file server may differ; what is so young counts as used by this run.
_CLOCKS_DIFFER_S = 600
_GB = 1e9


@dataclass(frozen=True, slots=True)
class Thinned:
    """What was removed: how many files, and how many bytes they took."""

    files: int = 0
    size_bytes: int = 0

    def __str__(self) -> str:
        return f"{self.size_bytes / _GB:.1f} GB" if self.size_bytes >= _GB / 10 else f"{self.size_bytes / 1e6:.1f} MB"


@dataclass(slots=True)
class InUse:
    """A work folder that a run works in: nobody else thins it meanwhile."""

    work: Path
    begun_s: float
    _lock: IO[str]

    def thin(self, keep_gb: float = KEEP_GB) -> Thinned:
        """Remove what this run did not use and what is beyond the bound, the longest unused first.

        Where another run works in the folder, nothing is removed: it knows better what it needs.

        Parameters
        ----------
        keep_gb
            How much of earlier runs stays, in 10^9 bytes.
        """
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return Thinned()
        earlier = [item for item in _kept(self.work) if item.used_s < self.begun_s - _CLOCKS_DIFFER_S]
        earlier.sort(key=lambda item: item.used_s)
        beyond = sum(item.size_bytes for item in earlier) - keep_gb * _GB
        files = size_bytes = 0
        for item in earlier:
            if size_bytes >= beyond:
                break
            for path, size in item.files.items():
                with suppress(OSError):  # somebody else's, or gone already
                    path.unlink()
                    files, size_bytes = files + 1, size_bytes + size
        return Thinned(files, size_bytes)

    @contextmanager
    def making_room(self, keep_gb: float = 0.0) -> Iterator[None]:
        """Thin where the disk fills meanwhile, so that the next run has room; it goes on from what this one used.

        Parameters
        ----------
        keep_gb
            How much of earlier runs stays even then.

        Raises
        ------
        DiskFull
            It filled. The message also says how much was removed, where anything was.
        """
        try:
            yield
        except DiskFull as error:
            removed = self.thin(keep_gb)
            if not removed.files:
                raise
            raise DiskFull(
                f"{error}. {removed} of earlier runs were removed just now, nothing that this run used: the same "
                "command goes on from there"
            ) from error


@contextmanager
def in_use(work: Path) -> Iterator[InUse]:
    """Work in a folder for a whole run.

    Raises
    ------
    HoarlineError
        The folder cannot be written.
    """
    try:
        work.mkdir(parents=True, exist_ok=True)
        lock = (work / "runs").open("w")
        fcntl.flock(lock, fcntl.LOCK_SH)
    except OSError as error:
        raise HoarlineError(f"{work}: cannot be written: {error.strerror}; name another folder") from error
    with lock:
        yield InUse(work, time.time(), lock)


@dataclass(slots=True)
class _Item:
    """The files of one name with their sizes: they are used together, and of no use without each other."""

    files: dict[Path, int] = field(default_factory=dict)
    used_s: float = 0.0

    @property
    def size_bytes(self) -> int:
        return sum(self.files.values())


def _kept(work: Path) -> list[_Item]:
    found: dict[tuple[str, str], _Item] = {}
    for room in _ROOMS:
        folder = work / room
        for path in folder.iterdir() if folder.is_dir() else ():
            named = _OURS.fullmatch(path.name)
            if named is None or path.is_symlink():
                continue
            with suppress(FileNotFoundError):
                held = path.stat()
                item = found.setdefault((room, named[1]), _Item())
                item.files[path] = held.st_size
                item.used_s = max(item.used_s, held.st_atime, held.st_mtime)
    return list(found.values())

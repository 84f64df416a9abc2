"""Files that are there whole or not at all, also when the disk fills or the machine stops in the middle."""

from __future__ import annotations

import errno
import os
import time
from contextlib import suppress
from io import BytesIO
from pathlib import Path

import polars as pl

from watcher.errors import DiskFull, HoarlineError

UNFINISHED = ".unfinished"

# The disk has no room left, or this user may have no more of it: either way removing something helps.
_NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT})


def not_written(error: OSError, said: str) -> HoarlineError:
    """Return what to raise where the work folder did not take a file: DiskFull where there was no room.

    Parameters
    ----------
    error
        Why not.
    said
        What the message says.
    """
    return DiskFull(said) if error.errno in _NO_ROOM else HoarlineError(said)


def write_frame(
    path: Path,
    frame: pl.DataFrame,
    *,
    row_group_size: int | None = None,
    statistics: bool = True,
    metadata: dict[str, str] | None = None,
) -> int:
    """Write a table as Parquet, with some texts of the file's own; return how many bytes it takes.

    Without `statistics` it is written faster, and readers cannot pass over parts by the values that are in them.

    Raises
    ------
    DiskFull
        There is no room.
    HoarlineError
        The folder does not take it.
    """
    # Packed in memory first: what writes Parquet tells a full disk in words that say nothing.
    packed = BytesIO()
    frame.write_parquet(
        packed, compression="lz4", row_group_size=row_group_size, statistics=statistics, metadata=metadata
    )
    return _write(path, packed.getbuffer())


def write_text(path: Path, text: str) -> int:
    """Write a text; return how many bytes it takes.

    Raises
    ------
    DiskFull
        There is no room.
    HoarlineError
        The folder does not take it.
    """
    return _write(path, text.encode())


def _write(path: Path, content: bytes | memoryview) -> int:
    """Write beside the place, make sure that it is on the disk, then let the file take its name."""
    unfinished = path.with_name(f"{path.name}.{os.getpid()}{UNFINISHED}")
    try:
        with unfinished.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(path)
    except OSError as error:
        unfinished.unlink(missing_ok=True)
        raise not_written(
            error,
            f"{path}: cannot be written: {error.strerror or error}. What was finished before it stays in the folder "
            "and is used again: make room, or name another folder, and run the same command once more",
        ) from error
    return len(content)


def note_use(path: Path) -> None:
    """Remember that a file was used now, without touching when it was made; where that is not allowed it is nothing."""
    with suppress(OSError):
        os.utime(path, ns=(time.time_ns(), path.stat().st_mtime_ns))


def sweep(folder: Path) -> None:
    """Remove what a run that was broken off had begun to write in a folder."""
    for path in folder.glob(f"*{UNFINISHED}"):
        path.unlink(missing_ok=True)

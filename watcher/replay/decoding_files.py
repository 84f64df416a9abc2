"""Files that are there whole or not at all, also when the disk fills or the machine stops in the middle."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

import polars as pl
from polars.exceptions import PolarsError

from watcher.errors import HoarlineError

UNFINISHED = ".unfinished"


def write_frame(
    path: Path, frame: pl.DataFrame, *, row_group_size: int | None = None, metadata: dict[str, str] | None = None
) -> int:
    """Write a table as Parquet, with some texts of the file's own; return how many bytes it takes.

    Raises
    ------
    HoarlineError
        The folder does not take it.
    """
    return _write(
        path,
        lambda file: frame.write_parquet(file, compression="lz4", row_group_size=row_group_size, metadata=metadata),
    )


def write_text(path: Path, text: str) -> int:
    """Write a text; return how many bytes it takes.

    Raises
    ------
    HoarlineError
        The folder does not take it.
    """
    return _write(path, lambda file: file.write(text.encode()))


def _write(path: Path, fill: Callable[[BinaryIO], object]) -> int:
    """Fill a file beside the place, make sure that it is on the disk, then let it take its name."""
    unfinished = path.with_name(f"{path.name}.{os.getpid()}{UNFINISHED}")
    try:
        with unfinished.open("wb") as file:
            fill(file)
            file.flush()
            os.fsync(file.fileno())
            size = file.tell()
        unfinished.replace(path)
    except (OSError, PolarsError) as error:
        unfinished.unlink(missing_ok=True)
        raise HoarlineError(_told(path, error)) from error
    return size


def _told(path: Path, error: Exception) -> str:
    what = error.strerror if isinstance(error, OSError) and error.strerror else str(error).splitlines()[0][:200]
    return (
        f"{path}: cannot be written: {what}. What was finished before it stays in {path.parent} and is used again: "
        "make room, or name another folder, and run the same command once more"
    )


def sweep(folder: Path) -> None:
    """Remove what a run that was broken off had begun to write in a folder."""
    for path in folder.glob(f"*{UNFINISHED}"):
        path.unlink(missing_ok=True)

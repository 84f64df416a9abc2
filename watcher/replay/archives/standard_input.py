"""An archive that is piped in: kept as a file for as long as it is read, so that it may have any form, Parquet too."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from watcher.errors import HoarlineError, Problem, UsageError
from watcher.replay.archives.sources import PIPED, STANDARD_INPUT, Source

_NAME = "standard-input.unfinished"
_READ_BYTES = 1 << 20


@contextmanager
def received(paths: Sequence[Path], work: Path) -> Iterator[Source | None]:
    """Take what comes on standard input where the paths ask for it, and remove it again at the end.

    Parameters
    ----------
    paths
        What is asked for.
    work
        The work folder, which holds it meanwhile, as it came: packed or not.

    Raises
    ------
    UsageError
        Standard input is a terminal, or closed.
    HoarlineError
        The folder does not take it.
    """
    path = work / _NAME
    path.unlink(missing_ok=True)  # of a run that was killed
    if PIPED not in paths:
        yield None
        return
    try:
        yield Source(path, STANDARD_INPUT, _copied(path))
    finally:
        path.unlink(missing_ok=True)


def _copied(path: Path) -> int:
    if sys.stdin is None or sys.stdin.isatty():
        what = "is a terminal, or closed: nothing comes from there"
        raise UsageError([Problem(STANDARD_INPUT, what, "pipe an archive in: zcat winter.gz | hoarline replay -")])
    try:
        with path.open("wb") as file:
            shutil.copyfileobj(sys.stdin.buffer, file, _READ_BYTES)
            file.flush()
            return os.fstat(file.fileno()).st_size
    except OSError as error:
        raise HoarlineError(
            f"{path}: {STANDARD_INPUT} cannot be kept there: {error.strerror or error}; make room, or name another "
            "folder"
        ) from error

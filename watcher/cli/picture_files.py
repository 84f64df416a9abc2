"""Pictures as files: whole or not at all, and `-` for standard output."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from tempfile import NamedTemporaryFile

from watcher.errors import Problem, UsageError

_STANDARD_OUTPUT = Path("-")
_READABLE = 0o666


def goes_to_output(path: Path | None) -> bool:
    """Return whether a picture is for standard output."""
    return path == _STANDARD_OUTPUT


def write_picture(path: Path, content: bytes) -> None:
    """Write a picture. A reader of the file sees the old one or the new one, never half of one.

    Raises
    ------
    UsageError
        It cannot be written there.
    """
    if goes_to_output(path):
        sys.stdout.flush()
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()
        return
    try:
        _replace(path, content)
    except OSError as error:
        what = f"cannot be written: {error.strerror}"
        raise UsageError([Problem(str(path), what, "a file in a folder that is there, or -")]) from error


def _replace(path: Path, content: bytes) -> None:
    with NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as beside:
        try:
            beside.write(content)
            beside.flush()
            os.fchmod(beside.fileno(), _READABLE & ~_umask())
            Path(beside.name).replace(path)
        except BaseException:
            Path(beside.name).unlink(missing_ok=True)
            raise


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask

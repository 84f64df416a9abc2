"""Work for partitions that is done in other processes, and sometimes fails there."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from watcher.replay.work.files import UNFINISHED, write_text


def doubled(number: int) -> int:
    return 2 * number


def failing(number: int) -> int:
    return 60 // (number - 3)


def dying_once(number: int, *, folder: Path) -> int:
    """Die at the first attempt of number 2."""
    mark = folder / f"begun-{number}"
    if number == 2 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def dying(number: int) -> int:
    if number == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def full_from_now_on(path: Path) -> Path:
    """Lead what this process will write first for a file to the device that is always full."""
    draft = path.with_name(f"{path.name}.{os.getpid()}{UNFINISHED}")
    draft.symlink_to("/dev/full")
    return draft


def filling(number: int, *, folder: Path) -> int:
    """Find no room for what belongs to number 2."""
    path = folder / f"{number}.json"
    if number == 2:
        full_from_now_on(path)
    write_text(path, "{}" * 10_000)
    return 2 * number


def staying(number: int, *, folder: Path) -> int:
    """Work for longer than anybody should wait."""
    (folder / f"begun-{number}").touch()
    time.sleep(60)
    return number

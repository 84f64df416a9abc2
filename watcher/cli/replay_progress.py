"""The bar that shows how far a replay has come, on standard error and only where a person looks at it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from watcher.replay.gathering.model import Progress as Read

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID


class _Unwatched:
    """Nobody looks."""

    def gathering(self, progress: Read) -> None:
        pass

    def rehearsing(self, name: str, done: int, of: int) -> None:
        pass

    def telling(self, name: str) -> None:
        pass

    def judging(self, done: int, of: int) -> None:
        pass


@dataclass(slots=True)
class _Bar:
    """One line that tells what is done now, and how much of it."""

    progress: Progress
    task: TaskID
    phase: str = ""

    def gathering(self, progress: Read) -> None:
        if progress.partitions:
            self._show("sorting by station", progress.partitions_done, progress.partitions)
            return
        faults = f", {progress.faults:,} faults" if progress.faults else ""
        self._show(f"reading: {progress.reports:,} reports{faults}", progress.bytes_done, progress.bytes_total)

    def rehearsing(self, name: str, done: int, of: int) -> None:
        self._show(f"judging by {name}: {done:,} of {of:,} stations", done, of)

    def judging(self, done: int, of: int) -> None:
        self._show(f"judging columns: {done:,} of {of:,} partitions", done, of)

    def telling(self, name: str) -> None:
        self._show(f"counting messages by {name}", None, None)

    def _show(self, what: str, done: float | None, of: float | None) -> None:
        phase = what.partition(":")[0]
        if phase != self.phase:
            # What is left to do is reckoned from the pace of this phase alone.
            self.phase = phase
            self.progress.reset(self.task)
        # An archive of nothing is read at once.
        self.progress.update(self.task, description=what, completed=done or 0, total=of or None)


@contextmanager
def watching(*, shown: bool) -> Iterator[_Bar | _Unwatched]:
    """Show how far a run has come while it goes on; nothing where standard error is no terminal."""
    if not shown or not sys.stderr.isatty():
        yield _Unwatched()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    columns = (
        BarColumn(), TextColumn("{task.description}", markup=False), TimeElapsedColumn(), TimeRemainingColumn(),
    )  # fmt: skip
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        yield _Bar(progress, progress.add_task("", total=None))

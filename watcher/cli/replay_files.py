"""What a replay writes into files when it is asked to: a report as a page, and its episodes as JSON lines."""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path

from watcher.clock import utc_now
from watcher.errors import HoarlineError
from watcher.replay.report_page import page
from watcher.replay.report_page_facts import facts_of
from watcher.replay.run import Replayed
from watcher.replay.run_contract import episode_as_contract
from watcher.replay.scores_model import Scores


def write_page(path: Path, replayed: Replayed, scores: tuple[Scores, ...]) -> None:
    """Write the report of a replay; `scores`: of the rules in force, then of the other ones, where there are any.

    Raises
    ------
    HoarlineError
        The file cannot be written.
    """
    command = shlex.join(["hoarline", *sys.argv[1:]])
    text = page(facts_of(replayed, command=command, made_at=utc_now()), *(*scores, None, None)[:2])
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise HoarlineError(f"{path}: cannot be written: {error.strerror}") from error


def write_lines(path: Path, replayed: Replayed) -> None:
    """Write every episode of a rehearsal as one JSON line; HoarlineError where the file cannot be written."""
    try:
        with path.open("w", encoding="utf-8") as file:
            for station in replayed.rehearsal.runs():
                for episode in station.episodes:
                    file.write(json.dumps(episode_as_contract(episode), separators=(",", ":")) + "\n")
    except OSError as error:
        raise HoarlineError(f"{path}: cannot be written: {error.strerror}") from error

"""What a replay writes into files when it is asked to: a report as a page, and its episodes as JSON lines."""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path

from watcher.alerts.habit_words import habits_file
from watcher.clock import utc_now
from watcher.errors import HoarlineError
from watcher.replay.archives.sources import name_of
from watcher.replay.gathering.share import share_of
from watcher.replay.learning import learned_from
from watcher.replay.report_page.facts import facts_of
from watcher.replay.report_page.page import page
from watcher.replay.run.contract import episode_as_contract
from watcher.replay.run.whole import Replayed
from watcher.replay.scores.model import Scores


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


def write_habits(path: Path, replayed: Replayed) -> None:
    """Write what the archive teaches of its stations.

    Raises
    ------
    HoarlineError
        The file cannot be written, or a part of the archive is missing: its hours would seem silent.
    """
    lost = share_of(replayed.gathered).lost
    if lost:
        raise HoarlineError(f"{path}: not written, since a part of {lost[0]} is missing: its hours would seem silent")
    gathered = replayed.gathered
    assert gathered.ends_at is not None
    learned = learned_from([partition.reports for partition in gathered.partitions], gathered.ends_at)
    made_from = ", ".join(map(name_of, replayed.asked.paths))
    try:
        path.write_text(habits_file(learned, made_from), encoding="utf-8")
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

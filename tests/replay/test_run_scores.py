"""Scores of the exact path are taken partition by partition: the same, and never with all episodes in memory."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest

from tests.replay.winters import Winter, lines
from tests.replay.written import written
from watcher.alerts.model import Policy
from watcher.cli.replay_progress import watching
from watcher.replay.gathering.gather import gather
from watcher.replay.messages import AT_ONE_DESK, ONE_DESK
from watcher.replay.rehearsal.model import StationRun
from watcher.replay.run import scores as run_scores
from watcher.replay.run.rules import rules_at
from watcher.replay.run.whole import Asked, Replayed, run
from watcher.replay.scores.contract import to_json
from watcher.stations import StationTable

WINTER = Winter(stations=5, days=6, seed=4)


def replayed(archive: Path, work: Path, rows_each: int, monkeypatch: pytest.MonkeyPatch) -> Replayed:
    monkeypatch.setattr("watcher.replay.run.whole.gather", partial(gather, rows_each=rows_each))
    asked = Asked((archive,), work, rules_at(None), StationTable.load(), (ONE_DESK,), (AT_ONE_DESK,), Policy())
    with watching(shown=False) as nobody:
        return run(asked, nobody)


def test_scores_by_partitions_are_those_of_one_and_hold_one_at_a_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = written(tmp_path / "winter.txt", "\n".join(lines(WINTER)))
    one = replayed(archive, tmp_path / "one", 1_000_000, monkeypatch)
    several = replayed(archive, tmp_path / "several", 600, monkeypatch)
    assert [len(part.stations) for part in one.gathered.partitions] == [5]
    sizes = [len(part.stations) for part in several.gathered.partitions]
    assert len(sizes) >= 3
    whole = to_json(run_scores.scored(one))
    assert whole["onsets"]

    held: list[int] = []
    taken = run_scores.alerts_of_runs

    def counted(runs: list[StationRun]) -> object:
        held.append(len(runs))
        return taken(runs)

    monkeypatch.setattr(run_scores, "alerts_of_runs", counted)
    assert to_json(run_scores.scored(several)) == whole
    assert held == sizes

"""What is kept is named by the code that it comes from: a change of any of it makes it anew, and nothing is passed over."""

from __future__ import annotations

from pathlib import Path

import pytest

import watcher
from watcher.replay.columns import stored
from watcher.replay.decoding import parts
from watcher.replay.rehearsal import files

HOME = Path(watcher.__file__).parent

DECODES = [
    "reports/metar.py", "reports/iwxxm.py", "replay/archives/lines.py", "replay/archives/month_edges.py",
    "replay/decoding/frames.py", "replay/work/files.py", "replay/standing.py", "replay/table.py",
]  # fmt: skip
JUDGES = [
    "reports/metar.py", "rulebook/condition.py", "outlook/night/ensemble.py", "alerts/judge.py",
    "replay/rehearsal/station.py", "replay/gathering/stored.py",
]  # fmt: skip
MAKES_FACTS = ["reports/weather.py", "rulebook/observed.py", "replay/columns/facts.py"]


@pytest.mark.parametrize(
    ("program", "rests_on"),
    [(parts.program, DECODES), (files.program, JUDGES), (stored._program, MAKES_FACTS)],
    ids=["decoded", "rehearsed", "facts"],
)
def test_every_file_that_it_rests_on_is_read(program, rests_on, monkeypatch: pytest.MonkeyPatch):
    read: set[Path] = set()
    whole, opened = Path.read_bytes, Path.open

    def reading(path: Path) -> bytes:
        read.add(path.resolve())
        return whole(path)

    def opening(path: Path, *args: object, **more: object) -> object:
        read.add(path.resolve())
        return opened(path, *args, **more)

    monkeypatch.setattr(Path, "read_bytes", reading)
    monkeypatch.setattr(Path, "open", opening)
    program.__wrapped__()
    assert all((HOME / name).exists() for name in rests_on)
    assert {HOME / name for name in rests_on} <= read

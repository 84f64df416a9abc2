"""The processes of a run that is killed end with it: nobody is left who judges for nobody, and holds memory."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import psutil
import pytest

from tests.replay.winters import Winter
from tests.replay.written import written

WINTER = Winter(stations=12, days=60, seed=11)

DECODING = """
import sys
from pathlib import Path
from tests.replay.test_work_worker import WINTER
from tests.replay.winters import lines
from watcher.replay.gathering.gather import gather
if __name__ == "__main__":
    folder = Path(sys.argv[1])
    archive = folder / "winter.txt"
    archive.write_text("\\n".join(lines(WINTER)) * 10, encoding="utf-8")
    gather([archive], folder / "kept", block_bytes=15_000, processes=2)
"""
PARTITIONS = """
import sys
from functools import partial
from pathlib import Path
from tests.replay.works import staying
from watcher.replay.cluster import over_partitions
if __name__ == "__main__":
    list(over_partitions(partial(staying, folder=Path(sys.argv[1])), (1, 2, 3, 4), processes=2))
"""
REHEARSAL = """
import sys
from pathlib import Path
from tests.replay.test_work_worker import WINTER
from tests.replay.winters import partitions
from watcher.alerts.model import Policy
from watcher.replay.rehearsal.model import Span
from watcher.replay.rehearsal.pool import rehearse
from watcher.service.rules_folder import load_rulebook
from watcher.stations import StationTable
from datetime import UTC, datetime
if __name__ == "__main__":
    folder = Path(sys.argv[1])
    rehearse(partitions(WINTER, folder / "winter"), folder / "kept", station_of=StationTable.load({}).get,
             rulebook=load_rulebook(), policy=Policy(), span=Span(datetime(2026, 1, 1, tzinfo=UTC)), processes=2)
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("script", "begun"),
    [
        pytest.param(DECODING, lambda folder: any((folder / "kept" / "parts").glob("*.json")), id="decoding"),
        pytest.param(PARTITIONS, lambda folder: len(list(folder.glob("begun-*"))) == 2, id="partitions"),
        pytest.param(REHEARSAL, lambda folder: any((folder / "kept").glob("*.stations.jsonl.gz")), id="rehearsal"),
    ],
)
def test_the_workers_of_a_run_that_is_killed_end_with_it(
    script: str, begun: Callable[[Path], bool], tmp_path: Path
) -> None:
    command = [sys.executable, str(written(tmp_path / "run.py", script)), str(tmp_path)]
    with subprocess.Popen(command, env={**os.environ, "PYTHONPATH": str(Path.cwd())}) as run:
        deadline = time.monotonic() + 100
        while not begun(tmp_path):
            assert run.poll() is None, "it ended before it could be killed"
            assert time.monotonic() < deadline
            time.sleep(0.01)
        workers = psutil.Process(run.pid).children()
        assert len(workers) >= 2
        run.kill()
    _, left = psutil.wait_procs(workers, timeout=20)
    for worker in left:
        worker.kill()
    assert not left

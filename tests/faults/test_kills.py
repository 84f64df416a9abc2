"""Two hundred processes killed with SIGKILL, at whatever they were doing: nothing lost, doubled, invented.

`python -m tests.faults.kills --kills 2000` does it two thousand times.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.kills import On, run

pytestmark = [pytest.mark.anyio, pytest.mark.slow, pytest.mark.timeout(900)]


@pytest.mark.parametrize(("url", "kills"), [("sqlite", 60), ("postgresql", 140)], indirect=["url"])
async def test_nothing_is_lost_doubled_or_invented_however_often_processes_are_killed(
    url: str, kills: int, tmp_path: Path
) -> None:
    on: On = "sqlite" if url.startswith("sqlite") else "postgresql"
    outcome = await run(on, url, tmp_path, kills, seed=20260112)
    assert outcome.findings == []
    told = outcome.counts
    assert told["told as opened"] >= 20, "there was something to tell"
    # Whether one dies between sending and writing it down is chance here; tests/store/test_processes.py makes it so.
    print(told)

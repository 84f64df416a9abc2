"""Decoding is kept part by part: a run that is killed or has no room loses nothing that was finished."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.replay.winters import Winter, lines
from tests.replay.written import gathered, table, written
from watcher.errors import HoarlineError
from watcher.replay.decoding import parts as decoding_parts
from watcher.replay.gathering.gather import gather
from watcher.replay.work.files import UNFINISHED

WINTER = Winter(stations=6, days=12, seed=21)
BLOCK = 15_000
RUN = """
import sys
from pathlib import Path
from watcher.replay.gathering.gather import gather
if __name__ == "__main__":
    gather([Path(sys.argv[1])], Path(sys.argv[2]), block_bytes=int(sys.argv[3]), processes=int(sys.argv[4]))
"""


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("winter") / "winter.txt", "\n".join(lines(WINTER)))


def _seals(work: Path) -> set[str]:
    return {path.stem for path in (work / "parts").glob("*.json")}


@pytest.mark.parametrize("processes", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_a_run_that_is_killed_goes_on_from_there(
    archive: Path, tmp_path: Path, processes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    work = tmp_path / "work"
    script = written(tmp_path / "run.py", RUN)
    command = [sys.executable, script, archive, work, str(BLOCK), str(processes)]
    with subprocess.Popen(command, env={**os.environ, "PYTHONPATH": str(Path.cwd())}, start_new_session=True) as run:
        deadline = time.monotonic() + 60
        while len(_seals(work)) < 6:
            assert run.poll() is None, "it was too quick to be killed"
            assert time.monotonic() < deadline
            time.sleep(0.002)
        os.killpg(run.pid, signal.SIGKILL)
    finished = _seals(work)
    made: list[str] = []
    decode = decoding_parts.decode_block

    def counted(block: object, folder: Path, key: str, **more: bool) -> object:
        made.append(key)
        return decode(block, folder, key, **more)  # type: ignore[arg-type]

    monkeypatch.setattr("watcher.replay.decoding.pool.decode_block", counted)
    after = gathered(archive, work, block_bytes=BLOCK)
    assert finished.isdisjoint(made)
    assert len(made) + len(finished) == len(_seals(work))
    assert not list(work.rglob(f"*{UNFINISHED}"))
    monkeypatch.undo()
    assert table(after).equals(table(gathered(archive, tmp_path / "other", block_bytes=BLOCK)))


@contextmanager
def _no_file_larger_than(size: int) -> Iterator[None]:
    """A limit on the size of files refuses a write as a full disk does, and needs neither a mount nor rights."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("processes", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_a_full_disk_is_said_with_the_file_and_what_is_kept(archive: Path, tmp_path: Path, processes: int) -> None:
    work = tmp_path / "work"
    # Twenty small blocks fit; the partition that holds them all does not.
    with _no_file_larger_than(60_000), pytest.raises(HoarlineError) as caught:
        gather([archive], work, block_bytes=BLOCK, processes=processes)
    told = str(caught.value)
    assert str(work / "partitions") in told
    assert "File too large" in told
    assert "stays in the folder" in told
    assert "run the same command once more" in told
    assert not list(work.rglob(f"*{UNFINISHED}"))
    kept = _seals(work)
    assert len(kept) > 10
    found = gathered(archive, work, block_bytes=BLOCK)
    assert _seals(work) == kept
    assert not found.faults


def test_a_full_disk_while_decoding_names_the_part(archive: Path, tmp_path: Path) -> None:
    with _no_file_larger_than(9_000), pytest.raises(HoarlineError, match=r"parts/\w+\.reports\.parquet: cannot be"):
        gather([archive], tmp_path / "work", block_bytes=BLOCK)
    assert not _seals(tmp_path / "work")


@pytest.mark.parametrize("damage", ["cut", "gone", "seal"])
def test_a_part_that_is_not_whole_is_made_again(archive: Path, tmp_path: Path, damage: str) -> None:
    first = gathered(archive, tmp_path / "work", block_bytes=BLOCK)
    for partition in first.partitions:
        partition.reports.unlink()
    part = sorted((tmp_path / "work" / "parts").glob("*.reports.parquet"))[3]
    seal = part.with_name(part.name.replace(".reports.parquet", ".json"))
    if damage == "cut":
        part.write_bytes(part.read_bytes()[:-100])
    elif damage == "gone":
        part.unlink()
    else:
        seal.write_text(seal.read_text()[:-20])
    assert table(gathered(archive, tmp_path / "work", block_bytes=BLOCK)).height == first.counts.reports


def test_parts_are_named_by_all_that_they_rest_on(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    work = tmp_path / "work"
    gathered(archive, work, block_bytes=BLOCK)
    before = _seals(work)
    gathered(archive, work, block_bytes=BLOCK, second_reader=True)
    compared = _seals(work)
    assert len(compared) == 2 * len(before)
    monkeypatch.setattr("watcher.replay.decoding.pool.program", lambda: "another decoder")
    gathered(archive, work, block_bytes=BLOCK)
    assert len(_seals(work)) == 3 * len(before)


def test_what_stands_twice_is_made_anew_once(archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    twice = tmp_path / "twice"
    twice.mkdir()
    for name in ("a.txt", "b.txt"):
        written(twice / name, archive.read_text())
    work = tmp_path / "work"
    first = gathered(twice, work, block_bytes=BLOCK)
    made: list[str] = []
    decode = decoding_parts.decode_block

    def counted(block: object, folder: Path, key: str, **more: bool) -> object:
        made.append(key)
        return decode(block, folder, key, **more)  # type: ignore[arg-type]

    monkeypatch.setattr("watcher.replay.decoding.pool.decode_block", counted)
    assert gathered(twice, work, block_bytes=BLOCK) == first
    assert made == []
    assert gathered(twice, work, block_bytes=BLOCK, fresh=True) == first
    assert sorted(made) == sorted(_seals(work))


def test_more_at_the_end_of_an_archive_is_all_that_is_decoded(archive: Path, tmp_path: Path) -> None:
    work = tmp_path / "work"
    path = written(tmp_path / "a.txt", archive.read_text())
    gathered(path, work, block_bytes=BLOCK)
    before = _seals(work)
    written(path, archive.read_text() + "\n2023-11-30T00:20:00Z\tMETAR XA00 300020Z 24010KT CAVOK M01/M02 Q1003\n")
    found = gathered(path, work, block_bytes=BLOCK)
    assert len(_seals(work) - before) == 1
    assert table(found)["observed_at"].max() == found.ends_at


def test_faults_of_a_block_are_kept_with_it(tmp_path: Path) -> None:
    text = "".join(f"2026-01-12T05:50:00Z\tMETAR XNOR 99{n % 100:02d}50Z\n" for n in range(3000))
    path = written(tmp_path / "bad.txt", text)
    first = gathered(path, tmp_path / "work", block_bytes=40_000)
    again = gathered(path, tmp_path / "work", block_bytes=40_000)
    assert again == first
    assert first.counts.unreadable == 3000
    assert [fault.line for fault in first.faults] == list(range(1, 1001))
    assert first.fault_counts == {("bad.txt", "unreadable"): 3000}
    seal = json.loads(next((tmp_path / "work" / "parts").glob("*.json")).read_text())
    assert seal["tally"]["unreadable"] > 0


MEASURED = """
import resource
import sys
from pathlib import Path
from watcher.replay.gathering.gather import gather
gather([Path(sys.argv[1])], Path(sys.argv[2]), block_bytes=500_000, rows_each=20_000)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_an_archive_of_any_size_takes_the_same_memory(tmp_path: Path) -> None:
    """Four times the stations, in files read one after another; held whole they would take 300 MiB more."""
    script = written(tmp_path / "run.py", MEASURED)
    peaks = []
    for count in (10, 40):
        path = written(tmp_path / f"{count}.txt", "\n".join(lines(Winter(stations=count, days=120, seed=3))))
        command = [sys.executable, script, path, tmp_path / f"work-{count}"]
        env = {**os.environ, "PYTHONPATH": str(Path.cwd()), "POLARS_MAX_THREADS": "2"}
        peaks.append(int(subprocess.run(command, env=env, check=True, capture_output=True, text=True).stdout))
    assert peaks[1] - peaks[0] < 100, peaks

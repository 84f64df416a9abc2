"""A work folder keeps what the run used, and of earlier runs the latest used, up to a bound."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from tests.replay.winters import Winter, lines
from tests.replay.works import full_from_now_on
from tests.replay.written import gathered, written
from watcher.errors import DiskFull, HoarlineError
from watcher.replay.rehearsal.files import keep, kept_in
from watcher.replay.work.files import note_use, write_text
from watcher.replay.work.thinning import InUse, Thinned, in_use

NOW = time.time()
DAY = 86_400
KEYS = {name: f"{place:032x}" for place, name in enumerate(("oldest", "older", "old", "young", "other"))}


def kept(work: Path, name: str, *, days: float, room: str = "parts", size: int = 1000) -> list[Path]:
    """A part of two files that was used some days ago."""
    (work / room).mkdir(parents=True, exist_ok=True)
    paths = [work / room / f"{KEYS[name]}.{end}" for end in ("reports.parquet", "json")]
    for path in paths:
        path.write_bytes(bytes(size // 2))
        os.utime(path, (NOW - days * DAY, NOW - days * DAY))
    return paths


def thinned(work: Path, keep_bytes: int) -> Thinned:
    with in_use(work) as folder:
        return folder.thin(keep_bytes / 1e9)


def there(work: Path) -> set[str]:
    return {name for name, key in KEYS.items() if any(work.rglob(f"{key}.*"))}


@pytest.mark.parametrize(
    ("keep_bytes", "stay"),
    [
        (3000, {"oldest", "older", "old", "young"}),
        (2999, {"older", "old", "young"}),
        (1000, {"old", "young"}),
        (0, {"young"}),
    ],
)
def test_of_earlier_runs_the_longest_unused_goes_first(tmp_path: Path, keep_bytes: int, stay: set[str]) -> None:
    kept(tmp_path, "older", days=20, room="facts")
    kept(tmp_path, "oldest", days=30)
    kept(tmp_path, "old", days=10, room="rehearsals")
    kept(tmp_path, "young", days=0)
    removed = thinned(tmp_path, keep_bytes)
    assert there(tmp_path) == stay
    assert removed == Thinned(2 * (4 - len(stay)), 1000 * (4 - len(stay)))


def test_what_was_used_lately_stays_however_long_ago_it_was_made(tmp_path: Path) -> None:
    kept(tmp_path, "oldest", days=5)
    seal = kept(tmp_path, "older", days=30)[1]
    note_use(seal)
    assert seal.stat().st_mtime == pytest.approx(NOW - 30 * DAY, abs=1)  # facts are named by when a partition was made
    thinned(tmp_path, 0)
    assert there(tmp_path) == {"older"}


def test_nothing_goes_while_another_run_works_in_the_folder(tmp_path: Path) -> None:
    kept(tmp_path, "oldest", days=30)
    with in_use(tmp_path):
        assert thinned(tmp_path, 0) == Thinned()
    assert thinned(tmp_path, 0).files == 2


def test_what_is_not_of_a_replay_is_let_be(tmp_path: Path) -> None:
    """A person may name a folder that has other things in it, some in folders of the same names."""
    (tmp_path / "parts").mkdir()
    (tmp_path / "winters").mkdir()
    others = [
        written(tmp_path / "parts" / "wing.json", "{}"),
        written(tmp_path / "winters" / f"{KEYS['oldest']}.json", "{}"),
        written(tmp_path / f"{KEYS['oldest']}.json", "{}"),
    ]
    target = written(tmp_path / "elsewhere.json", "{}")
    link = tmp_path / "parts" / f"{KEYS['older']}.json"
    link.symlink_to(target)
    for path in (*others, target):
        os.utime(path, (NOW - 90 * DAY, NOW - 90 * DAY))
    assert thinned(tmp_path, 0) == Thinned()
    assert all(path.exists() for path in (*others, target, link))


def test_all_that_a_run_needs_stays_though_it_was_made_long_ago(tmp_path: Path) -> None:
    winter, summer = (written(tmp_path / f"{name}.txt", "\n".join(lines(Winter(stations=2, days=3, seed=seed))))
                      for name, seed in (("winter", 1), ("summer", 2)))  # fmt: skip
    work = tmp_path / "work"
    first = gathered(winter, work, block_bytes=30_000)
    gathered(summer, work, block_bytes=30_000)
    for path in work.rglob("*.*"):
        os.utime(path, (NOW - 40 * DAY, NOW - 40 * DAY))
    before = {path for path in work.rglob("*.*") if path.is_file()}
    with in_use(work) as folder:
        assert gathered(winter, work, block_bytes=30_000) == first
        removed = folder.thin(0)
    left = {path for path in work.rglob("*.*") if path.is_file()}
    assert removed.files == len(before) - len(left) > 0
    assert removed.size_bytes > 0
    with in_use(work):
        assert gathered(winter, work, block_bytes=30_000) == first
    assert {path for path in work.rglob("*.*") if path.is_file()} == left, "nothing of it was made again"


def test_where_the_disk_fills_what_earlier_runs_left_makes_room(tmp_path: Path) -> None:
    kept(tmp_path, "oldest", days=30, size=2_000_000)
    kept(tmp_path, "old", days=10, room="rehearsals", size=1_000_000)
    kept(tmp_path, "young", days=0)
    full_from_now_on(tmp_path / "parts" / "new.json")
    with in_use(tmp_path) as folder, pytest.raises(DiskFull) as caught, folder.making_room():
        write_text(tmp_path / "parts" / "new.json", "{}")
    told = str(caught.value)
    assert told.startswith(f"{tmp_path}/parts/new.json: cannot be written: No space left on device. What was finished")
    assert told.endswith(
        ". 3.0 MB of earlier runs were removed just now, nothing that this run used: the same command goes on from there"
    )
    assert there(tmp_path) == {"young"}


def test_where_the_disk_fills_may_stay_what_somebody_says(tmp_path: Path) -> None:
    kept(tmp_path, "oldest", days=30)
    kept(tmp_path, "old", days=10)
    full_from_now_on(tmp_path / "parts" / "new.json")
    with in_use(tmp_path) as folder, pytest.raises(DiskFull, match="were removed"), folder.making_room(1e-6):
        write_text(tmp_path / "parts" / "new.json", "{}")
    assert there(tmp_path) == {"old"}


def test_nothing_is_removed_for_another_fault_or_beside_another_run_and_nothing_is_said_of_it(tmp_path: Path) -> None:
    kept(tmp_path, "oldest", days=30)
    with in_use(tmp_path) as folder, pytest.raises(HoarlineError) as caught, folder.making_room():
        write_text(tmp_path / "no folder" / "new.json", "{}")
    assert type(caught.value) is HoarlineError
    full_from_now_on(tmp_path / "parts" / "new.json")
    with in_use(tmp_path), in_use(tmp_path) as folder, pytest.raises(DiskFull) as full, folder.making_room():
        write_text(tmp_path / "parts" / "new.json", "{}")
    assert "removed just now" not in str(full.value)
    assert there(tmp_path) == {"oldest"}


def test_results_that_find_no_room_say_so_too(tmp_path: Path) -> None:
    place = kept_in(tmp_path, KEYS["other"])
    place.events.with_name(f"{place.events.name}.{os.getpid()}.part").symlink_to("/dev/full")
    with pytest.raises(DiskFull, match="cannot be written: No space left on device; what is finished stays"):
        keep(place, [])
    assert not list(tmp_path.iterdir())


def test_a_part_that_cannot_be_removed_is_not_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = kept(tmp_path, "oldest", days=30)

    def refused(path: Path, *_: object) -> None:
        raise PermissionError(13, "not yours", str(path))

    with in_use(tmp_path) as folder:
        assert isinstance(folder, InUse)
        monkeypatch.setattr(Path, "unlink", refused)
        assert folder.thin(0) == Thinned()
    assert all(path.exists() for path in paths)

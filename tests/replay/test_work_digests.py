"""What is kept is named by the code that it comes from: a change of any of it makes it anew, and nothing is passed over."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import watcher
from watcher.replay.columns import stored
from watcher.replay.decoding import parts
from watcher.replay.gathering import partitions
from watcher.replay.rehearsal import files
from watcher.replay.work import program

DECODES = [
    "units.py", "reports/metar.py", "reports/iwxxm.py", "reports/second_reader.py", "rulebook/derive.py",
    "alerts/hearing.py", "feeds/cache_xml.py", "feeds/rows.py", "replay/__init__.py", "replay/archives/lines.py",
    "replay/archives/month_edges.py", "replay/decoding/frames.py", "replay/decoding/parts.py", "replay/work/files.py",
    "replay/standing.py", "replay/table.py",
]  # fmt: skip
SORTS = [*DECODES, "replay/gathering/partitions.py"]
JUDGES = [
    "units.py", "reports/metar.py", "reports/second_reader.py", "rulebook/leaves.py", "rulebook/observed.py",
    "outlook/expectations.py", "outlook/path.py", "alerts/judge.py", "alerts/hearing.py", "treatment/protection.py",
    "replay/rehearsal/station.py", "replay/rehearsal/ticks.py", "replay/gathering/stored.py",
]  # fmt: skip
MAKES_FACTS = [
    "units.py", "physics/sun.py", "reports/weather.py", "rulebook/observed.py", "rulebook/derive.py",
    "alerts/hearing.py", "replay/columns/facts.py", "replay/columns/light.py", "replay/table.py",
]  # fmt: skip
NOTHING_OF_IT = ["web/pages.py", "notify/smtp.py", "replay/report_page/page.py", "replay/scores/score.py"]
PROGRAMS = {
    "decoded": (parts.program, DECODES),
    "sorted": (partitions.program, SORTS),
    "rehearsed": (files.program, JUDGES),
    "facts": (stored.program, MAKES_FACTS),
}


@pytest.fixture(scope="module")
def copied(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("program") / "watcher"
    shutil.copytree(
        Path(watcher.__file__).parent, home, ignore=shutil.ignore_patterns("__pycache__", "static", "fonts")
    )
    return home


@pytest.fixture
def home(copied: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The program's source where it may be changed."""
    monkeypatch.setattr(program, "HOME", copied)
    program.program_of.cache_clear()
    yield copied
    program.program_of.cache_clear()


def changed(path: Path, what: str, *names: str) -> dict[str, set[str]]:
    """Return for each kind of result which files change its digest, when something is written at their end."""
    before = {kind: digest() for kind, (digest, _) in PROGRAMS.items()}
    found: dict[str, set[str]] = {kind: set() for kind in PROGRAMS}
    for name in names:
        held = (path / name).read_text()
        (path / name).write_text(f"{held}\n{what}\n")
        program.program_of.cache_clear()
        for kind, (digest, _) in PROGRAMS.items():
            if digest() != before[kind]:
                found[kind].add(name)
        (path / name).write_text(held)
    program.program_of.cache_clear()
    assert {kind: digest() for kind, (digest, _) in PROGRAMS.items()} == before
    return found


def test_a_change_of_any_file_that_it_rests_on_is_another_digest_and_of_any_other_is_none(home: Path):
    names = {name for _, rests_on in PROGRAMS.values() for name in rests_on}
    found = changed(home, "# changed", *sorted(names), *NOTHING_OF_IT)
    for kind, (_, rests_on) in PROGRAMS.items():
        assert set(rests_on) <= found[kind], kind
        assert found[kind].isdisjoint(NOTHING_OF_IT), kind


@pytest.mark.parametrize(
    "written",
    [
        "from watcher.replay.fresh_room import something",
        "from watcher.replay import fresh_room",
        "import watcher.replay.fresh_room as room",
        "def later():\n    from . import fresh_room",
    ],
)
def test_a_room_that_is_imported_from_today_on_belongs_to_it(written: str, home: Path):
    (home / "replay" / "fresh_room.py").write_text("import watcher.clock\n")
    assert "watcher.replay.fresh_room" not in program.modules_of("watcher.replay.table")
    table = home / "replay" / "table.py"
    held = table.read_text()
    table.write_text(f"{held}\n{written}\n")
    assert {"watcher.replay.fresh_room", "watcher.clock"} <= set(program.modules_of("watcher.replay.table"))
    table.write_text(held)


LOADED = """
import importlib
import sys
importlib.import_module(sys.argv[1])
print(*(name for name in sys.modules if name.partition(".")[0] == "watcher"))
"""


@pytest.mark.parametrize("module", ["watcher.replay.gathering.gather", "watcher.replay.rehearsal.pool"])
def test_all_that_the_interpreter_loads_for_a_module_is_found_in_the_source(module: str):
    told = subprocess.run([sys.executable, "-c", LOADED, module], capture_output=True, text=True, check=True)
    loaded = set(told.stdout.split())
    assert len(loaded) > 50
    assert loaded <= set(program.modules_of(module))

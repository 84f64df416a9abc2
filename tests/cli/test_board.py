"""`hoarline board export` writes a file that a shift is handed over with: whole in itself, harmless, readable on paper."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest
from lxml import html

from tests.cli.spoken import hoarline
from tests.web.board_scenes import CODES, SETTINGS, judged
from tests.web.browsing import DESK, browser, window
from tests.web.scenes import NOW, settings_of
from watcher.rulebook.words import Level
from watcher.service.cycle import Cycle
from watcher.service.watched import build_watch
from watcher.store.store import Store


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the invented morning in it."""
    path = tmp_path_factory.mktemp("handover") / "hoarline.db"
    store = Store.open(f"sqlite:///{path}")
    try:
        judged(store)
        alert = next(
            item for item in store.episodes(open_only=True) if item.station == "XFEL" and item.level is Level.NO_TIME
        )
        store.acknowledge(alert.id, by="Ada <b>ramp</b>", note="two trucks out", now=NOW)
        cycle = Cycle(store, build_watch(settings_of(SETTINGS)))
        cycle.load(NOW)
        cycle.turn((), NOW)
    finally:
        store.close()
    return path


@pytest.fixture
def morning(tmp_path: Path, kept: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copyfile(kept, tmp_path / "hoarline.db")
    (tmp_path / "hoarline.toml").write_text(f'[store]\nurl = "sqlite:///{tmp_path}/hoarline.db"\n{SETTINGS}')
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("watcher.clock.utc_now", lambda: NOW)
    return tmp_path


def test_the_file_has_time_stations_strips_alerts_and_room_for_remarks(morning: Path) -> None:
    said = hoarline("board", "export", "handover.html")
    assert said.code == 0, said.err
    assert said.lines[0].startswith("handover.html: 6 stations, ")
    shown = html.fromstring((morning / "handover.html").read_text())
    text = " ".join(shown.text_content().split())
    assert "As of 12 Jan 0600Z" in text
    assert "newest report 10 min old" in text
    rows = shown.xpath("//li[@data-code]/@data-code")
    assert sorted(rows) == sorted(CODES)
    assert rows[0] == "XFEL"
    assert len(shown.xpath("//li[@data-code]//*[name()='svg'][@role='img']")) == len(CODES)
    assert "Remarks" in text
    assert "Handed over by" in text
    assert "chance of frost" in shown.xpath("//li[@data-code='XBAY']//*[name()='svg'][@role='img']/@aria-label")[0]
    assert "In hand: Ada <b>ramp</b> two trucks out" in text or "In hand: Ada <b>ramp</b>two trucks out" in text
    assert "Planning aid." in text


def test_the_file_needs_nothing_else_and_runs_nothing(morning: Path) -> None:
    assert hoarline("board", "export", "handover.html").code == 0
    text = (morning / "handover.html").read_text()
    assert "<script" not in text
    assert not re.search(r'(?:src|href)="(?!#)', text)
    assert "url(" not in re.sub(r"url\(#[a-z0-9-]+\)", "", text)
    assert "@import" not in text
    assert "default-src 'none'" in text
    assert not re.search(r"<[^>]*\s(?:on[a-z]+|style)=", text)


def test_json_tells_what_was_written(morning: Path) -> None:
    said = hoarline("board", "export", "handover.html", "--json")
    told = json.loads(said.out)
    assert told["at"] == "2026-01-12T06:00:00Z"
    assert told["file"] == "handover.html"
    assert told["bytes"] == (morning / "handover.html").stat().st_size
    assert told["stations"] == 6
    assert told["counts"]["no-time"] == 3
    assert told["newest_report_at"] == "2026-01-12T05:50:00Z"
    assert told["stale"] == []
    assert {item["episode"].partition("-")[0] for item in told["alerts"]} >= {"XFEL", "XNOR", "XBAY"}


def test_a_line_takes_the_page_and_json_then_has_no_place(morning: Path) -> None:
    said = subprocess.run(
        [sys.executable, "-m", "watcher.cli", "board", "export", "-"], capture_output=True, check=False, cwd=morning
    )
    assert said.returncode == 0, said.stderr
    assert said.stdout.startswith(b"<!doctype html>")
    assert said.stdout.rstrip().endswith(b"</html>")
    both = hoarline("board", "export", "-", "--json")
    assert both.code == 2
    assert "--json: does not go with -" in both.err


def test_old_data_is_told_on_the_page_and_beside_it(morning: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("watcher.clock.utc_now", lambda: datetime.fromisoformat("2026-01-12T09:00:00+00:00"))
    said = hoarline("board", "export", "handover.html")
    assert said.code == 0
    assert "No station has reported since 0550Z" in said.err
    assert "No station has reported since 0550Z" in (morning / "handover.html").read_text()


def test_without_a_store_nothing_is_made_up_and_nothing_is_made(morning: Path) -> None:
    (morning / "hoarline.db").unlink()
    said = hoarline("board", "export", "handover.html")
    assert said.code == 1
    assert not (morning / "handover.html").exists()
    assert not (morning / "hoarline.db").exists()


def test_a_folder_that_is_not_there_is_named(morning: Path) -> None:
    said = hoarline("board", "export", "nowhere/handover.html")
    assert said.code == 2
    assert "nowhere/handover.html" in said.err


@pytest.mark.slow
@pytest.mark.anyio
@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_a_browser_shows_the_file_well_and_prints_it(morning: Path, scheme: str) -> None:
    assert hoarline("board", "export", "handover.html").code == 0
    async with browser() as opened, window(opened, "", DESK, scheme=scheme) as (_, seen):
        await seen.page.goto((morning / "handover.html").as_uri())
        seen.strangers.clear()  # the file itself
        await seen.is_well()
        await seen.keep(f"handover-{scheme}")
        assert (await seen.page.pdf(format="A4", landscape=True)).startswith(b"%PDF-")

"""`hoarline replay --habits` writes what an archive teaches, in the form that the settings take."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.cli.spoken import hoarline
from watcher.service.watched import build_watch
from watcher.settings import load_settings

BEGIN = datetime(2026, 1, 5, tzinfo=UTC)


def nine_days() -> str:
    times = [
        BEGIN + timedelta(days=day, hours=hour, minutes=minute)
        for day in range(9)
        for hour in range(5, 22)
        for minute in (20, 50)
    ]
    return "".join(f"METAR XNOR {at:%d%H%M}Z 24008KT 9999 FEW020 M02/M03 Q1004=\n" for at in times)


def test_an_archive_teaches_the_hours_of_a_station_and_the_settings_take_the_file(tmp_path: Path) -> None:
    (tmp_path / "archive.txt").write_text(nine_days())
    habits = tmp_path / "habits.json"
    options = ("--month", "2026-01", "--work", str(tmp_path / "work"), "--processes", "1", "--habits", str(habits))
    said = hoarline("replay", str(tmp_path / "archive.txt"), *options)
    assert said.code == 0, said
    (tmp_path / "hoarline.toml").write_text('[watch]\nstations = ["XNOR"]\nhabits = "habits.json"\n')
    learned = build_watch(load_settings(tmp_path / "hoarline.toml", {})).policy.habits["XNOR"]
    assert (learned.days, learned.silent_spans(), learned.late_p50_min) == (9, ((22, 5),), None)
    assert "archive.txt" in habits.read_text()


def test_an_archive_of_which_a_part_is_missing_teaches_nothing(tmp_path: Path) -> None:
    (tmp_path / "archive.txt.gz").write_bytes(gzip.compress(nine_days().encode())[:-40])
    habits = tmp_path / "habits.json"
    options = ("--month", "2026-01", "--work", str(tmp_path / "work"), "--processes", "1", "--habits", str(habits))
    said = hoarline("replay", str(tmp_path / "archive.txt.gz"), *options)
    assert said.code != 0
    assert not habits.exists()

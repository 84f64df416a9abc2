"""The running service learns what its stations usually do from the reports that it keeps, and a restart remembers it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.chosen import database_at
from watcher.alerts.habit_words import habits_file
from watcher.alerts.habits import Habits, Hour
from watcher.alerts.model import Policy
from watcher.errors import SettingsError
from watcher.feeds.model import RawReport
from watcher.reports.model import Report
from watcher.reports.station import Station
from watcher.service.cycle import Cycle, Watch
from watcher.service.learning import Learning, merged
from watcher.service.receiving import report_of
from watcher.service.rules_folder import load_rulebook
from watcher.service.watched import build_watch
from watcher.settings import load_settings
from watcher.stations import StationTable
from watcher.store import kept
from watcher.store.store import Store

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 1, 19, 12, 40, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def archived(days: int = 60) -> Habits:
    return Habits(
        days, days * 24, NOW - timedelta(days=days), NOW, 3.0, 5.0, 9.0, tuple(Hour(days, 60.0, 1.0) for _ in range(24))
    )


def report(at: datetime, text: str = "24008KT 9999 FEW020 M02/M03 Q1004", late_min: float = 6.0) -> Report:
    auto = "AUTO " if at.hour < 8 else ""
    return report_of(RawReport(f"METAR XNOR {at:%d%H%M}Z {auto}{text}"), "world", at + late_min * MINUTE)


def week(days: int) -> list[list[Report]]:
    """Return the reports of days: half-hourly from 05Z to 22Z, every report 6 minutes late."""
    begin = NOW.replace(hour=0, minute=0) - timedelta(days=days)
    return [
        [
            report(begin + timedelta(days=day, hours=hour, minutes=minute))
            for hour in range(5, 22)
            for minute in (20, 50)
            if begin + timedelta(days=day, hours=hour, minutes=minute) < NOW
        ]
        for day in range(days + 1)
    ]


def filled(folder: Path, days: int) -> Store:
    store = Store.open(database_at(folder / "hoarline.db"))
    stations = StationTable({"XNOR": Station("XNOR", "Northby", "NO", 60.2, 11.1, 210.0, "Europe/Oslo")})
    cycle = Cycle(store, Watch(frozenset({"XNOR"}), stations, load_rulebook(), Policy()))
    cycle.load(NOW - timedelta(days=days))
    for reports in week(days):
        for item in reports:
            cycle.turn([item], item.received_at)
    return store


def test_the_kept_reports_of_a_week_teach_hours_lateness_and_automatic_times(tmp_path: Path) -> None:
    store = filled(tmp_path, 7)
    learning = Learning(store, {}, lambda: NOW, lambda: True)
    habits = learning.learn()["XNOR"]
    assert (habits.days, habits.known) == (8, True)
    assert habits.silent_spans() == ((22, 5),)
    assert habits.automatic_spans() == ((5, 8),)
    assert (habits.late_p50_min, habits.late_p99_min) == (6.0, 6.0)
    assert habits.hours[12].gap_min == 30.0
    assert store.habits()["XNOR"].silent_spans() == ((22, 5),)
    store.close()


def test_corrected_empty_and_late_reports_are_taken_for_what_they_are(tmp_path: Path) -> None:
    store = filled(tmp_path, 1)
    stations = StationTable({"XNOR": Station("XNOR", None, None, None, None, None, None)})
    cycle = Cycle(store, Watch(frozenset({"XNOR"}), stations, load_rulebook(), Policy()))
    cycle.load(NOW)
    since = NOW.replace(hour=0, minute=0)
    before = len(store.heard(["XNOR"], since)["XNOR"])
    last = NOW.replace(hour=12, minute=20)
    cycle.turn(
        [report_of(RawReport(f"METAR COR XNOR {last:%d%H%M}Z 24008KT 0800 FZFG M02/M03 Q1004"), "world", NOW)], NOW
    )
    cycle.turn([report_of(RawReport(f"METAR XNOR {NOW - 5 * MINUTE:%d%H%M}Z NIL"), "world", NOW)], NOW)
    cycle.turn([report(NOW.replace(hour=7, minute=5), late_min=330)], NOW)
    rows = store.heard(["XNOR", "XBAY"], since)
    assert set(rows) == {"XNOR"}
    assert len(rows["XNOR"]) == before + 1, "the late one; neither the one that was corrected nor the empty one"
    assert [row.auto for row in rows["XNOR"] if row.observed_at.hour == 7] == [True, True, True]
    assert all(row.routine for row in rows["XNOR"])
    store.close()


async def test_who_does_not_lead_reads_what_was_learned_and_a_restart_begins_with_it(tmp_path: Path) -> None:
    store = filled(tmp_path, 7)
    leader = Learning(store, {}, lambda: NOW, lambda: True)
    await leader.look()
    assert leader.habits["XNOR"].known
    follower = Learning(store, {}, lambda: NOW, lambda: False)
    await follower.look()
    assert follower.habits["XNOR"].silent_spans() == leader.habits["XNOR"].silent_spans()
    with store._database.write() as connection:
        kept.keep_habits(connection, "something else")
    again = Learning(store, {"XBAY": archived()}, lambda: NOW, lambda: False)
    await again.recall()
    assert set(again.habits) == {"XBAY"}, "what cannot be read keeps nobody from judging"
    store.close()


def test_an_archive_counts_until_a_whole_week_was_heard() -> None:
    young = Habits(6, 200, NOW, NOW, None, None, None, tuple(Hour() for _ in range(24)))
    week_old = Habits(7, 200, NOW, NOW, None, None, None, tuple(Hour() for _ in range(24)))
    assert merged({"XNOR": archived()}, {"XNOR": young, "XBAY": young}) == {"XNOR": archived(), "XBAY": young}
    assert merged({"XNOR": archived()}, {"XNOR": week_old}) == {"XNOR": week_old}


def test_the_file_of_the_settings_is_in_force_from_the_start_and_a_wrong_one_is_refused_in_words(
    tmp_path: Path,
) -> None:
    (tmp_path / "habits.json").write_text(habits_file({"XNOR": archived()}, "an invented winter"))
    (tmp_path / "hoarline.toml").write_text('[watch]\nstations = ["XNOR"]\nhabits = "habits.json"\n')
    settings = load_settings(tmp_path / "hoarline.toml", {})
    assert build_watch(settings).policy.habits["XNOR"].days == 60
    for text, why in (("{}", "holds no habits"), (json.dumps({"habits": 1, "stations": {"XNOR": 3}}), "station XNOR")):
        (tmp_path / "habits.json").write_text(text)
        with pytest.raises(SettingsError, match=why):
            build_watch(settings)
    (tmp_path / "habits.json").unlink()
    with pytest.raises(SettingsError, match="cannot be used"):
        build_watch(settings)

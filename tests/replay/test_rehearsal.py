"""A rehearsal tells what a watcher that looks every minute would have told, from the minutes that matter alone."""

from __future__ import annotations

import gzip
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.alerts.scenes import report, small_book
from tests.replay.winters import Winter, partitions, positions
from watcher.alerts.model import EventType, Policy
from watcher.errors import HoarlineError
from watcher.replay.gathering.stored import stored_reports
from watcher.replay.rehearsal.model import Span, StationRun
from watcher.replay.rehearsal.pool import rehearse
from watcher.replay.rehearsal.station import rehearse_station
from watcher.reports.model import Report
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Kind, Level
from watcher.service.cycle import Cycle, Watch
from watcher.service.rules_folder import load_rulebook
from watcher.stations import StationTable
from watcher.store.store import Store

BOOK, POLICY = load_rulebook(), Policy()
XNOR = Station("XNOR", "Northby", "NO", 60.20, 11.10, 210.0, "Europe/Oslo")
NIGHT = datetime(2026, 1, 12, tzinfo=UTC)
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


def heard(winter: Winter, folder: Path, *, seed: int) -> dict[str, list[Report]]:
    """The reports of a winter by station, with silences, repeats, and some that are hours late."""
    random = Random(seed)
    found = {}
    for part in partitions(winter, folder):
        for code in part.stations:
            kept, silent_until = [], None
            for item in stored_reports(part, [code], second_reader=False):
                if silent_until is not None and item.received_at < silent_until:
                    continue
                if random.random() < 0.02:
                    silent_until = item.received_at + random.choice((1, 3, 9)) * HOUR
                lag = timedelta(seconds=random.choice((0, 31, 240, 5400)) if random.random() < 0.1 else 0)
                kept.append(replace(item, received_at=item.received_at + lag))
                if random.random() < 0.02:
                    kept.append(replace(item, received_at=item.received_at + lag + random.randint(1, 90) * MINUTE))
            found[code] = sorted(kept, key=lambda item: item.received_at)
    return found


def play(station: Station, reports: list[Report], **more) -> StationRun:
    args = {"rulebook": BOOK, "policy": POLICY, "until": reports[-1].received_at + 6 * HOUR}
    run = rehearse_station(station, reports, **(args | more))
    assert run is not None
    return run


@settings(max_examples=6)
@given(seed=st.integers(0, 10_000))
def test_judging_the_minutes_that_matter_gives_what_judging_every_minute_gives(seed, tmp_path_factory):
    winter = Winter(stations=1, days=3, seed=seed)
    places = positions(winter)
    for code, reports in heard(winter, tmp_path_factory.mktemp("winter"), seed=seed).items():
        policy = replace(POLICY, lead=timedelta(hours=Random(seed).choice((3, 18))))
        quick = play(places[code], reports, policy=policy)
        slow = play(places[code], reports, policy=policy, every_minute=True)
        assert quick.events == slow.events
        assert quick.episodes == slow.episodes
        assert (quick.blind, quick.blind_spells, quick.unconfirmed) == (slow.blind, slow.blind_spells, slow.unconfirmed)
        assert quick.turns < slow.turns / 5


def test_it_tells_what_the_service_itself_writes_down_turn_by_turn(tmp_path):
    winter = Winter(stations=1, days=3, seed=15)
    station = positions(winter)["XA00"]
    reports = heard(winter, tmp_path / "winter", seed=15)["XA00"]
    store = Store.open(f"sqlite:///{tmp_path / 'lived.db'}")
    table = StationTable({station.code: station})
    cycle = Cycle(store, Watch(frozenset({station.code}), table, BOOK, POLICY))
    begin, until = reports[0].received_at, reports[-1].received_at + 6 * HOUR
    cycle.load(begin)
    minutes = [
        begin.replace(second=0, microsecond=0) + count * MINUTE for count in range(1, (until - begin) // MINUTE + 2)
    ]
    moments = sorted({*(item.received_at for item in reports), *(minute for minute in minutes if minute <= until)})
    lived = []
    for now in moments:
        changes = cycle.turn([item for item in reports if item.received_at == now], now)
        lived.extend(event for change in changes.stations for event in change.events)
    store.close()
    assert {event.type for event in lived} >= {
        EventType.OPENED,
        EventType.CONFIRMED,
        EventType.LOWERED,
        EventType.BLIND,
    }
    assert play(station, reports).events == tuple(lived)


def hear(*lines: tuple[str, str]) -> list[Report]:
    """Reports of the invented night, each with the time of day at which it was heard."""
    return [report(text, NIGHT + timedelta(hours=int(at[:2]), minutes=int(at[2:]))) for at, text in lines]


def metar(clock: str, weather: str = "", temperatures: str = "M02/M06") -> tuple[str, str]:
    return clock, f"METAR XNOR 12{clock}Z 00000KT 3000 {weather} OVC006 {temperatures} Q1010".replace("  ", " ")


def test_an_episode_is_told_with_its_levels_its_rules_and_its_end():
    reports = hear(
        metar("0020", "FZDZ"), metar("0050", "FZRA"), metar("0120", "FZDZ"), metar("0150"), metar("0220"), metar("0250")
    )  # fmt: skip
    run = play(XNOR, reports, rulebook=small_book())
    (episode,) = run.episodes
    assert (episode.flag, episode.kind, episode.level) == (Flag.FREEZING_PRECIPITATION, Kind.OBSERVED, Level.NO_TIME)
    assert [(f"{step.at:%H%M}", step.level.word) for step in episode.steps] == [
        ("0020", "treat"), ("0050", "no-time"), ("0120", "treat"),
    ]  # fmt: skip
    assert episode.rules == ("freezing", "heavy-freezing")
    assert episode.ended_at == NIGHT + 2 * HOUR + 20 * MINUTE
    assert (run.reports, run.forecasts, run.late) == (6, 0, 0)


TAF = "TAF XNOR 112300Z 1200/1224 00000KT 9999 OVC020 TEMPO 1202/1206 3000 FZDZ"


def test_what_a_taf_expected_and_reports_confirm_has_a_lead():
    reports = hear(("0000", TAF), metar("0020"), metar("0250", "FZDZ"), metar("0320", "FZDZ"))
    (episode,) = play(XNOR, reports, rulebook=small_book(), until=NIGHT + 4 * HOUR).episodes
    assert (episode.kind, episode.came_true, episode.ended_at) == (Kind.EXPECTED, True, None)
    assert episode.opened_at == NIGHT
    assert episode.lead == 2 * HOUR + 50 * MINUTE


def test_what_a_taf_expected_and_nobody_reports_ends_untrue_when_its_time_has_passed():
    reports = hear(("0000", TAF), *(metar(f"{hour:02}20") for hour in range(9)))
    (episode,) = play(XNOR, reports, rulebook=small_book()).episodes
    assert (episode.kind, episode.came_true, episode.lead) == (Kind.EXPECTED, False, None)
    assert episode.ended_at == NIGHT + 6 * HOUR


def test_a_silent_station_is_blind_from_its_cadence_and_margin_to_the_end_of_the_archive():
    reports = hear(metar("0020"), metar("0050"))
    run = play(XNOR, reports, until=NIGHT + 4 * HOUR)
    # No cadence is learned from two reports: 60 min, 25 min more, and the minute after.
    assert run.blind == timedelta(hours=4) - timedelta(hours=2, minutes=16)
    assert (run.blind_spells, run.seeing) == (1, run.watched - run.blind)


def test_reports_that_were_heard_stale_are_counted_and_open_nothing():
    run = play(XNOR, [report(metar("0020", "FZDZ")[1], NIGHT + 2 * HOUR)], rulebook=small_book())
    assert (run.late, run.episodes) == (1, ())


def test_nothing_heard_is_nothing():
    assert rehearse_station(XNOR, [], rulebook=BOOK, policy=POLICY, until=NIGHT) is None


WINTER = Winter(stations=6, days=3, seed=9)


def kept(folder: Path, parts, **more):
    places = positions(WINTER)
    args = {"station_of": places.__getitem__, "rulebook": BOOK, "policy": POLICY}
    span = Span(WINTER.begins_at + timedelta(days=3))
    return rehearse(parts, folder, **({"span": span} | args | more))


def test_a_second_run_judges_nothing_again_and_tells_the_same(tmp_path):
    parts = partitions(WINTER, tmp_path / "table")
    first = kept(tmp_path / "kept", parts)
    again = kept(tmp_path / "kept", parts)
    assert (first.made, first.found, again.made, again.found) == (6, 0, 0, 6)
    assert list(first.runs(events=True)) == list(again.runs(events=True))
    assert [run.station for run in again.runs()] == list(WINTER.codes)
    times = [event.at for event in again.events()]
    assert times == sorted(times)
    assert len(times) == sum(len(run.events) for run in again.runs(events=True)) > 50


def test_a_run_that_was_broken_off_makes_only_what_is_missing(tmp_path):
    parts = partitions(WINTER, tmp_path / "table")
    whole = kept(tmp_path / "kept", parts)
    expected = list(whole.runs(events=True))
    # Killed between the two files of the last stations: the events are written first.
    whole.kept[-1].runs.unlink()
    resumed = kept(tmp_path / "kept", parts)
    assert (resumed.made, resumed.found) == (1, 5)
    assert list(resumed.runs(events=True)) == expected


def test_other_rules_settings_or_times_are_judged_anew(tmp_path):
    parts = partitions(WINTER, tmp_path / "table")
    kept(tmp_path / "kept", parts)
    assert kept(tmp_path / "kept", parts, rulebook=small_book()).made == 6
    assert kept(tmp_path / "kept", parts, policy=replace(POLICY, lead=HOUR)).made == 6
    assert kept(tmp_path / "kept", parts, fresh=True).made == 6
    alone = kept(tmp_path / "kept", parts, only=frozenset({"XA01"}))
    assert (alone.made, alone.found, [run.station for run in alone.runs()]) == (0, 1, ["XA01"])


def test_only_the_time_that_was_asked_for_is_heard(tmp_path):
    parts = partitions(WINTER, tmp_path / "table")
    begin, until = WINTER.begins_at + timedelta(days=1), WINTER.begins_at + timedelta(days=2)
    runs = list(kept(tmp_path / "kept", parts, span=Span(until, begin, until)).runs(events=True))
    assert {run.begins_at for run in runs} == {begin}
    assert all(begin <= event.at <= until for run in runs for event in run.events)
    made_at = pl.col("observed_at")
    inside = pl.concat([pl.scan_parquet(part.reports) for part in parts]).filter(made_at >= begin, made_at < until)
    assert sum(run.reports for run in runs) == inside.collect().height


def test_a_damaged_result_is_told_with_its_file(tmp_path):
    parts = partitions(WINTER, tmp_path / "table")
    made = kept(tmp_path / "kept", parts)
    path = made.kept[0].runs
    path.write_bytes(path.read_bytes()[:200])
    with pytest.raises(HoarlineError, match=rf"{path.name}.*--fresh"):
        list(made.runs())


def test_a_folder_that_takes_nothing_is_told_and_leaves_no_half_file(tmp_path, monkeypatch):
    def full(*_args: object, **_more: object) -> None:
        raise OSError(28, "No space left on device")

    parts = partitions(WINTER, tmp_path / "table")
    monkeypatch.setattr(gzip.GzipFile, "write", full)
    with pytest.raises(HoarlineError, match="No space left on device; what is finished stays"):
        kept(tmp_path / "kept", parts)
    assert list((tmp_path / "kept").iterdir()) == []


@pytest.mark.slow
def test_several_processes_make_what_one_makes(tmp_path):
    parts = partitions(WINTER, tmp_path / "table")
    alone, shared = kept(tmp_path / "alone", parts), kept(tmp_path / "shared", parts, processes=2)
    assert [path.runs.name for path in alone.kept] == [path.runs.name for path in shared.kept]
    for one, two in zip(alone.kept, shared.kept, strict=True):
        assert one.runs.read_bytes() == two.runs.read_bytes()
        assert one.events.read_bytes() == two.events.read_bytes()

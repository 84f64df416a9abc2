"""Partitions hold whole stations, each report once and by the live rule, and every line is accounted for."""

from __future__ import annotations

import gzip
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.replay.winters import Winter, lines, observed
from tests.replay.written import JANUARY, REPORTS, TAF, TIMES, ahead, gathered, table, written
from watcher.alerts.hearing import observations_in_order, take_observation
from watcher.alerts.model import StationState, StationView
from watcher.alerts.turn import Turn
from watcher.errors import HoarlineError
from watcher.replay.archives.sources import Form
from watcher.replay.decoding.frames import observed_frame
from watcher.replay.gathering.gather import Partition, Progress, gather
from watcher.replay.gathering.stored import stored_reports
from watcher.reports.decode import decode_report
from watcher.reports.model import Forecast, Observation, Report
from watcher.reports.station import Station

WINTER = Winter(stations=6, days=12, seed=11)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("winter") / "winter.txt", "\n".join(lines(WINTER)))


def test_a_winter_comes_back_as_it_was_drawn(archive: Path, tmp_path: Path) -> None:
    found = gathered(archive, tmp_path / "work", block_bytes=30_000, rows_each=1500)
    drawn = observed(WINTER)
    assert found.counts.reports == drawn.height
    assert not found.faults
    got = pl.concat([pl.read_parquet(partition.reports) for partition in found.partitions])
    assert got.drop("order").equals(drawn.drop("order"))
    assert got.sort("order")["raw"].to_list() == drawn.sort("order")["raw"].to_list()
    assert (found.begins_at, found.ends_at) == (drawn["observed_at"].min(), drawn["observed_at"].max())


def test_a_partition_holds_whole_stations_in_order(archive: Path, tmp_path: Path) -> None:
    found = gathered(archive, tmp_path / "work", block_bytes=30_000, rows_each=1500)
    assert len(found.partitions) == 3
    for partition in found.partitions:
        frame = pl.read_parquet(partition.reports)
        assert partition.rows == frame.height <= 1500
        assert frame.equals(frame.sort("station", "observed_at", "order"))
        assert tuple(frame["station"].unique().sort()) == partition.stations
        assert partition.forecasts is not None
        assert set(pl.read_parquet(partition.forecasts)["station"]) == set(partition.stations)
    assert [code for partition in found.partitions for code in partition.stations] == list(WINTER.codes)


def test_a_second_run_decodes_nothing_and_gives_the_same(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = gathered(archive, tmp_path / "work")

    def never(*_: object, **__: object) -> None:
        pytest.fail("it was decoded again")

    monkeypatch.setattr("watcher.replay.decoding.pool.decode_block", never)
    monkeypatch.setattr("watcher.replay.gathering.partitions._make", never)
    assert gathered(archive, tmp_path / "work") == first


def test_several_processes_give_what_one_gives(archive: Path, tmp_path: Path) -> None:
    one = gathered(archive, tmp_path / "one", block_bytes=60_000)
    two = gathered(archive, tmp_path / "two", block_bytes=60_000, processes=2)
    assert table(two).equals(table(one))
    assert two.counts == one.counts


def test_the_same_archive_twice_is_duplicates(archive: Path, tmp_path: Path) -> None:
    """A day of repeats among new ones: each text of a station's time counts once, whatever words and blanks it has."""
    folder = tmp_path / "archive"
    folder.mkdir()
    text = archive.read_text()
    written(folder / "a.txt", text)
    written(folder / "b.txt", text.replace("METAR ", "metar  ").replace("\n", "=\n"))
    found = gathered(folder, tmp_path / "work")
    once = gathered(archive, tmp_path / "other")
    assert found.counts.duplicates == once.counts.reports + once.counts.forecasts
    assert table(found)["raw"].to_list() == table(once)["raw"].to_list()
    assert found.counts.out_of_order > 0


def test_another_run_in_the_same_folder_is_refused(archive: Path, tmp_path: Path) -> None:
    def during(_: Progress) -> None:
        with pytest.raises(HoarlineError, match="another run works in this folder"):
            gather([archive], tmp_path / "work")
        told.append(1)

    told: list[int] = []
    gather([archive], tmp_path / "work", progress=during)
    assert told


def test_progress_goes_to_the_end_and_never_back(archive: Path, tmp_path: Path) -> None:
    told: list[Progress] = []
    found = gathered(archive, tmp_path / "work", block_bytes=30_000, progress=told.append)
    assert len(told) > 5
    assert [one.bytes_done for one in told] == sorted(one.bytes_done for one in told)
    assert told[-1].bytes_done == told[-1].bytes_total == archive.stat().st_size
    assert told[-1].reports == found.counts.reports + found.counts.forecasts
    assert told[-1].partitions_done == told[-1].partitions == len(found.partitions)


_GOOD = [f"{time}\t{text}" for time, text in zip(TIMES, REPORTS, strict=True)] + [f"{TIMES[0]}\t{TAF}"]
_LINES = st.sampled_from(
    [
        *_GOOD, "", "   ", "\t", "=", "METAR", "TAF AMD", "no report", "2026/01/12 05:50", "SANO31 XNOR 120550", "123",
        REPORTS[0], f"{TIMES[0]}\t", f"{TIMES[0]}\tMETAR XNOR 990550Z", f"{REPORTS[0]}= {REPORTS[1]}=", "  BKN012 01/M01",
        f"{TIMES[0]}\t{REPORTS[0]}={REPORTS[2]}", "\x01", "\x00\x00", "{}", "<a>", "\u2028", f"{TIMES[0]} {'X' * 5000}",
    ]
)  # fmt: skip


@settings(deadline=None, max_examples=60)
@given(chosen=st.lists(_LINES, max_size=25), ends=st.sampled_from(["\n", "\r\n", "\r\r\n"]), closed=st.booleans())
def test_every_line_is_accounted_for(chosen: list[str], ends: str, closed: bool) -> None:
    """Shuffled, repeated and broken lines: what was read is what it became, line by line (the check is in `gathered`)."""
    text = ends.join(chosen) + (ends if closed else "")
    with tempfile.TemporaryDirectory() as folder:
        small = gathered(
            written(Path(folder) / "a.txt", text), Path(folder) / "small", block_bytes=200, form=Form.LINES
        )
        whole = gathered(Path(folder) / "a.txt", Path(folder) / "whole", form=Form.LINES)
        assert small.counts.lines == whole.counts.lines == text.count("\n") + bool(text and not text.endswith("\n"))
        assert sum(small.fault_counts.values()) >= small.counts.unreadable + small.counts.undated


@settings(deadline=None, max_examples=40)
@given(order=st.permutations(range(12)), again=st.lists(st.integers(0, 11), max_size=6))
def test_the_order_and_repeats_of_lines_change_no_report(order: list[int], again: list[int]) -> None:
    every = list(lines(Winter(stations=2, days=1, seed=5)))[:12]
    with tempfile.TemporaryDirectory() as folder:
        base = gathered(written(Path(folder) / "a.txt", "\n".join(every)), Path(folder) / "a")
        other = gathered(
            written(Path(folder) / "b.txt", "\n".join(every[n] for n in [*order, *again])), Path(folder) / "b"
        )
        plain = table(base).drop("order", "in_force").sort("station", "observed_at", "raw")
        assert table(other).drop("order", "in_force").sort("station", "observed_at", "raw").equals(plain)
        assert other.counts.duplicates == len(again)


@settings(deadline=None, max_examples=80)
@given(
    body=st.binary(max_size=400) | st.lists(_LINES, max_size=5).map(lambda chosen: "\n".join(chosen).encode()),
    at=st.integers(0, 400),
    noise=st.binary(max_size=12),
    packed=st.booleans(),
)
def test_no_bytes_stop_a_run(body: bytes, at: int, noise: bytes, packed: bool) -> None:
    body = gzip.compress(body) if packed else body
    with tempfile.TemporaryDirectory() as folder:
        path = written(Path(folder) / "a", body[:at] + noise + body[at:])
        gathered(path, Path(folder) / "w", JANUARY)


@pytest.mark.parametrize("year", ["0001", "1904", "9999"])
def test_a_year_that_cannot_be_dates_nothing(year: str, tmp_path: Path) -> None:
    text = f"{year}-01-12T05:50:00Z\tMETAR XNOR 120550Z 24010KT 9999 NSC 01/M01 Q1003 RMK AO2 RAB55E10\n"
    found = gathered(written(tmp_path / "a.txt", text + text.replace("-12T", "-01T")), tmp_path / "work")
    assert found.counts.undated == 2


def _report(minute: int, temp: int, received: int, mark: str, end: str) -> tuple[Observation, datetime, str]:
    at = datetime(2026, 1, 12, 5, tzinfo=UTC) + timedelta(minutes=minute)
    raw = f"METAR XNOR {at:%d%H%M}Z {'NIL' if mark == 'NIL' else f'{mark}24010KT 9999 NSC {temp:02d}/00 Q1003'}{end}"
    seen = decode_report(raw, received_at=at)
    assert isinstance(seen, Observation)
    return seen, datetime(2026, 1, 12, 5, tzinfo=UTC) + timedelta(minutes=received), raw


_SENT = st.builds(
    _report,
    minute=st.integers(0, 5).map(lambda n: n * 20),
    temp=st.integers(1, 4),
    received=st.integers(-40, 160),
    mark=st.sampled_from(["", "", "", "COR ", "NIL"]),
    end=st.sampled_from(["", "", " RMK FROM IWXXM", " RMK FROM IWXXM ROUNDED"]),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(_SENT, max_size=14))
def test_what_is_in_force_is_what_the_live_path_judges_last(sent: list[tuple[Observation, datetime, str]]) -> None:
    """Late, corrected, repeated, NIL, ahead of time and made from XML, each heard alone: as `take_observation` has it."""
    # Of what is received in one moment the live path does not know what came first.
    sent = list({received: (seen, received, raw) for seen, received, raw in sent}.values())
    frame = observed_frame([(seen, received, n) for n, (seen, received, _) in enumerate(sent)])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "one.parquet"
        frame.write_parquet(path)
        heard = list(stored_reports(_one(path), second_reader=False))
    judged, replaced = _live(heard)
    stands = frame.filter(~pl.col("passed_over"))
    assert set(stands["raw"]) == judged | replaced
    assert set(stands.filter("in_force")["raw"]) == judged
    assert frame.filter("in_force").height == frame.n_unique("observed_at")


def _one(path: Path) -> Partition:
    return Partition(path, None, ("XNOR",), 1)


def _live(heard: list[Report]) -> tuple[set[str], set[str]]:
    """What became the station's latest word and stayed the last one of its time; and what was replaced."""
    view = StationView(Station("XNOR"), StationState("XNOR"))
    last: dict[datetime, str] = {}
    replaced: set[str] = set()
    for report in heard:
        turn = Turn(view, report.received_at, "rules")
        for one in observations_in_order([report]):
            seen = one.decoded
            assert isinstance(seen, Observation)
            if take_observation(turn, one):
                if seen.observed_at in last:
                    replaced.add(last[seen.observed_at])
                last[seen.observed_at] = seen.raw
            elif turn.superseded:
                replaced.add(seen.raw)
        view = turn.view
    return set(last.values()), replaced


def test_stored_reports_come_in_the_order_in_which_they_were_heard(tmp_path: Path) -> None:
    winter = Winter(stations=3, days=6, seed=2, received=True)
    rows = observed(winter)
    text = "time,received,raw\n" + "".join(
        f"{at:%Y-%m-%dT%H:%MZ},{received:%Y-%m-%dT%H:%MZ},{raw}\n"
        for at, received, raw in rows.select("observed_at", "received_at", "raw").iter_rows()
    )
    (partition,) = gathered(written(tmp_path / "rows.csv", text), tmp_path / "work").partitions
    heard = list(stored_reports(partition))
    assert [report.received_at for report in heard] == sorted(report.received_at for report in heard)
    assert len(heard) == rows.height
    for code in winter.codes:
        times = [report.received_at for report in heard if report.decoded.station == code]
        assert len(set(times)) == len(times)
    late = pl.read_parquet(partition.reports).filter(~pl.col("nil") & pl.col("passed_over"))
    assert late.height > 0
    only = list(stored_reports(partition, [winter.codes[1]]))
    assert only == [report for report in heard if report.decoded.station == winter.codes[1]]


def test_forecasts_are_heard_among_the_reports(archive: Path, tmp_path: Path) -> None:
    found = gathered(archive, tmp_path / "work")
    heard = list(stored_reports(found.partitions[0], second_reader=False))
    tafs = [report for report in heard if isinstance(report.decoded, Forecast)]
    assert len(tafs) == ahead(found).height == found.counts.forecasts > 200
    assert len(heard) == found.counts.reports + found.counts.forecasts


def test_a_folder_that_takes_nothing_is_named(archive: Path, tmp_path: Path) -> None:
    written(tmp_path / "work", "a file")
    with pytest.raises(HoarlineError, match=r"work: cannot be written: .*name another folder"):
        gather([archive], tmp_path / "work")


def test_nothing_at_all_is_nothing(tmp_path: Path) -> None:
    written(tmp_path / "empty.txt", "")
    found = gathered(tmp_path / "empty.txt", tmp_path / "work")
    assert (found.partitions, found.begins_at, found.counts.lines) == ((), None, 0)

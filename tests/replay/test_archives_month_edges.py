"""Where only a month is known, a report of the evening before it or of the morning after it is not moved by a month."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import chain
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.replay.written import gathered, table, written
from watcher.replay.archives.dates import month_of

DAY = timedelta(days=1)
STATIONS = ("XNOR", "XBAY", "XTAR")


def month(year: int, number: int) -> tuple[datetime, datetime]:
    begins = datetime(year, number, 1, tzinfo=UTC)
    return begins, (begins + 32 * DAY).replace(day=1)


def moments(first: datetime, last: datetime, hours: int) -> list[datetime]:
    return [first + timedelta(hours=number) for number in range(0, int((last - first) / timedelta(hours=1)) + 1, hours)]


def line(station: str, at: datetime) -> str:
    return f"METAR {station} {at:%d%H%M}Z 24010KT 9999 BKN012 M01/M02 Q1003"


def told(folder: Path, name: str, pairs: list[tuple[str, datetime]], **more) -> list[tuple[str, datetime]]:
    found = gathered(written(folder / name, "\n".join(line(*pair) for pair in pairs)), folder / "work", **more)
    assert not found.faults
    return sorted(table(found).select("station", "observed_at").iter_rows())


@pytest.mark.parametrize("number", [1, 2, 3, 5, 12])
@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("by_station", [False, True])
@pytest.mark.parametrize("block_bytes", [2_000, 4 << 20])
def test_the_evening_before_and_the_morning_after_keep_their_month(
    number: int, backwards: bool, by_station: bool, block_bytes: int, tmp_path: Path
) -> None:
    begins, ends = month(2024, number)
    times = moments(begins - timedelta(hours=3), ends + timedelta(hours=2), 1)[:: -1 if backwards else 1]
    pairs = (
        [(code, at) for code in STATIONS for at in times]
        if by_station
        else [(code, at) for at in times for code in STATIONS]
    )
    assert told(tmp_path, f"2024-{number:02}.txt", pairs, block_bytes=block_bytes) == sorted(pairs)


@settings(max_examples=25)
@given(
    number=st.integers(1, 12),
    early=st.integers(0, 24),
    late=st.integers(0, 23),
    silent=st.sets(st.integers(0, 800), max_size=300),
    backwards=st.booleans(),
)
def test_silences_do_not_matter(number, early, late, silent, backwards, tmp_path_factory):
    begins, ends = month(2023, number)
    every = moments(begins - timedelta(hours=early), ends + timedelta(hours=late), 1)
    times = [at for place, at in enumerate(every) if place not in silent][:: -1 if backwards else 1]
    pairs = [(code, at) for at in times for code in STATIONS]
    assert told(tmp_path_factory.mktemp("m"), f"2023{number:02}.txt", pairs) == sorted(pairs)


def test_a_day_that_the_month_lacks_is_the_evening_before_it(tmp_path: Path) -> None:
    pairs = [("XNOR", datetime(2024, 1, 31, 23, 50, tzinfo=UTC))]
    assert told(tmp_path, "2024-02.txt", pairs) == pairs
    assert month_of("2024-02").of("METAR XNOR 302350Z") is None


def test_a_day_alone_is_of_the_month_itself(tmp_path: Path) -> None:
    for day in (1, 31):
        pairs = [("XNOR", datetime(2024, 1, day, hour, tzinfo=UTC)) for hour in range(4)]
        assert told(tmp_path, f"2024-01-{day}-of-one-day/2024.01.txt".replace("/", "_"), pairs) == pairs


def test_it_is_the_same_for_rows_objects_and_forecasts(tmp_path: Path) -> None:
    begins, ends = month(2024, 1)
    times = moments(begins - timedelta(hours=2), ends + timedelta(hours=1), 1)
    texts = [line("XNOR", at) for at in times]
    rows = written(tmp_path / "rows-2024-01.csv", "\n".join(["station,raw", *(f"XNOR,{text}" for text in texts)]))
    objects = written(tmp_path / "objects-2024-01.jsonl", "\n".join(f'{{"raw": "{text}"}}' for text in texts))
    pl.DataFrame({"raw": texts}).write_parquet(tmp_path / "table-2024-01.parquet")
    for path in (rows, objects, tmp_path / "table-2024-01.parquet"):
        found = table(gathered(path, tmp_path / "work"))["observed_at"]
        assert found.to_list() == times, path.name
    tafs = [f"TAF XNOR {at:%d%H%M}Z {at:%d%H}/{at + DAY:%d%H} 24010KT 9999 BKN015" for at in times[::6]]
    mixed = "\n".join(chain(*zip(texts[::6], tafs, strict=True)))
    (partition,) = gathered(written(tmp_path / "tafs-2024-01.txt", mixed), tmp_path / "work").partitions
    assert partition.forecasts is not None
    assert pl.read_parquet(partition.forecasts)["issued_at"].to_list() == times[::6]


def test_a_report_with_a_time_beside_it_needs_no_neighbour(tmp_path: Path) -> None:
    at = datetime(2024, 1, 1, 0, 20, tzinfo=UTC)
    pairs = [at, at + 30 * DAY, at + 31 * DAY]
    text = "".join(f"{one:%Y-%m-%dT%H:%MZ}\t{line('XNOR', one)}\n" for one in pairs)
    assert table(gathered(written(tmp_path / "2024-01.txt", text), tmp_path / "work"))["observed_at"].to_list() == pairs

"""The METAR cache file in the forms of 2014 and 2026: real files, and every way a file can be wrong."""

from __future__ import annotations

import csv
import gzip
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.demo.feed_files import MetarRow, metar_csv
from watcher.errors import FeedError
from watcher.feeds.cache_csv import parse_metar_csv
from watcher.feeds.rows import Rows

DATA = Path(__file__).parent.parent / "data" / "reports"
# Files of the NOAA/NWS Aviation Weather Center, public domain: tests/data/SOURCES.md.
WORLD_2014 = gzip.decompress((DATA / "awc-metars-cache-20141218.csv.gz").read_bytes())
SAMPLE_2026 = (DATA / "awc-metars-cache-20260320-sample.csv").read_bytes()
NOON = datetime(2026, 1, 12, 12, 0, tzinfo=UTC)
HEADER = SAMPLE_2026.splitlines()[0]


def rows(count: int) -> list[MetarRow]:
    return [MetarRow.of(f"X{n:03d} 121150Z 00000KT CAVOK M01/M03 Q1024", NOON) for n in range(count)]


def test_all_4538_reports_of_the_world_of_2014_come_out() -> None:
    found = parse_metar_csv(WORLD_2014)
    assert found.row_count == 4538  # as the file's own line "4538 results" says
    assert len(found.reports) == 4538
    assert found.yield_ratio == 1.0
    assert sum(report.kind == "SPECI" for report in found.reports) == 905  # grep -c ',SPECI,' of the file
    assert found.newest_at(datetime(2014, 12, 18, 8, 0, tzinfo=UTC)) == datetime(2014, 12, 18, 7, 58, tzinfo=UTC)


def test_each_row_of_2014_is_what_pandas_reads_too() -> None:
    import pandas as pd  # slow to import

    table = pd.read_csv(BytesIO(WORLD_2014), skiprows=5, usecols=[0, 1, 2], dtype=str, keep_default_na=False)
    ours = [(r.text, r.station, r.observed_at) for r in parse_metar_csv(WORLD_2014).reports]
    theirs = [(a.strip(), b, datetime.fromisoformat(c)) for a, b, c in table.itertuples(index=False)]
    assert ours == theirs


def test_the_form_of_2026_has_the_type_in_the_text_and_fractions_in_the_time() -> None:
    found = parse_metar_csv(SAMPLE_2026)
    assert len(found.reports) == found.row_count == 21
    first = found.reports[0]
    assert first.text == "SPECI SKEJ 201520Z 23004KT 200V270 9999 FEW005 BKN015 26/24 Q1013"
    assert (first.kind, first.station) == ("SPECI", "SKEJ")
    assert first.observed_at == datetime(2026, 3, 20, 15, 20, tzinfo=UTC)


def test_a_text_with_commas_is_one_text() -> None:
    texts = {r.station: r.text for r in parse_metar_csv(WORLD_2014).reports}
    assert texts["VRMM"].endswith("Q1011 CB NE,S,WSW NOSIG")


@pytest.mark.parametrize("form", ["2014", "2026"])
def test_columns_may_stand_in_another_order(form: str) -> None:
    lines = metar_csv(rows(3), form).decode().splitlines()  # type: ignore[arg-type]
    head = next(i for i, line in enumerate(lines) if line.startswith("raw_text"))
    turned = [",".join(csv_line(r[0:1] + r[:0:-1])) for r in csv.reader(lines[head:])]
    found = parse_metar_csv("\n".join([*lines[:head], *turned]).encode() + b"\n")
    assert [r.station for r in found.reports] == ["X000", "X001", "X002"]


def csv_line(cells: list[str]) -> list[str]:
    return ['"' + cell + '"' if "," in cell else cell for cell in cells]


def test_windows_line_ends_and_a_byte_order_mark_are_taken() -> None:
    body = b"\xef\xbb\xbf" + metar_csv(rows(2), "2026").replace(b"\n", b"\r\n")
    assert len(parse_metar_csv(body).reports) == 2


@pytest.mark.parametrize("body", [
    b"", b"\n\n", b"<!DOCTYPE html><p>Maintenance</p>", b"error: no such table\n", b"\x00\xff\xfe", b"{}",
    b"No errors\nNo warnings\n",
])  # fmt: skip
def test_a_body_without_the_header_is_no_cache(body: bytes) -> None:
    with pytest.raises(FeedError, match="this is no METAR cache"):
        parse_metar_csv(body)


def test_a_missing_column_is_named() -> None:
    with pytest.raises(FeedError, match="the columns observation_time are missing"):
        parse_metar_csv(metar_csv(rows(2), "2026").replace(b"observation_time", b"valid_at", 1))


def test_a_file_cut_inside_a_row_ends_early() -> None:
    with pytest.raises(FeedError, match="ends early, inside row 21"):
        parse_metar_csv(SAMPLE_2026[:-50])


def test_a_file_of_the_old_form_cut_between_rows_ends_early_by_its_own_count() -> None:
    lines = WORLD_2014.splitlines(keepends=True)
    with pytest.raises(FeedError, match="ends early: 2994 rows of 4538"):
        parse_metar_csv(b"".join(lines[:3000]))


def test_a_file_with_a_header_and_nothing_else_has_no_rows() -> None:
    assert parse_metar_csv(HEADER + b"\n").row_count == 0


def test_a_few_damaged_rows_are_counted_and_the_others_used() -> None:
    lines = metar_csv(rows(10), "2026").splitlines()
    lines[3] = b"garbage"
    lines[5] = lines[5].replace(b",X004,", b",ZZZZZ,")
    lines[7] = lines[7].replace(b"2026-01-12T", b"yesterday at ")
    found = parse_metar_csv(b"\n".join(lines) + b"\n")
    assert (len(found.reports), found.row_count) == (7, 10)


def test_a_quote_that_never_closes_costs_one_row_not_the_rest_of_the_world() -> None:
    lines = metar_csv(rows(10), "2026").splitlines()
    lines[4] = lines[4].replace(b'Q1024"', b"Q1024", 1)
    found = parse_metar_csv(b"\n".join(lines) + b"\n")
    assert [r.station for r in found.reports] == [f"X{n:03d}" for n in range(10) if n != 3]


@pytest.mark.parametrize(
    ("time", "observed_at"),
    [
        ("2026-01-12T11:50:00Z", datetime(2026, 1, 12, 11, 50, tzinfo=UTC)),
        ("2026-01-12T12:50:00+01:00", datetime(2026, 1, 12, 11, 50, tzinfo=UTC)),
        ("2026-01-12T11:50:00", None),
        ("0001-01-01T00:00:00+12:00", None),
        ("", None),
        ("null", None),
    ],
)
def test_a_time_must_say_its_zone(time: str, observed_at: datetime | None) -> None:
    body = metar_csv(rows(2), "2026").replace(b"2026-01-12T11:50:00.000Z", time.encode(), 1)
    found = [r.observed_at for r in parse_metar_csv(body).reports]
    assert found == [at for at in (observed_at, datetime(2026, 1, 12, 11, 50, tzinfo=UTC)) if at is not None]


def test_a_field_larger_than_any_report_costs_its_row_only() -> None:
    lines = metar_csv(rows(4), "2026").splitlines()
    lines[2] = lines[2].replace(b"CAVOK", b"C" * 200_000)
    assert [r.station for r in parse_metar_csv(b"\n".join(lines) + b"\n").reports] == ["X000", "X002", "X003"]


def test_a_file_in_which_most_rows_are_no_reports_is_refused() -> None:
    lines = metar_csv(rows(4), "2026").splitlines()
    body = b"\n".join([lines[0], lines[1], *[b"?" * 9] * 3]) + b"\n"
    with pytest.raises(FeedError, match="only 1 of 4 rows are reports"):
        parse_metar_csv(body)


def test_a_time_after_now_does_not_make_an_old_file_new() -> None:
    late = MetarRow("XFEL 131150Z 00000KT", "XFEL", datetime(2027, 1, 1, tzinfo=UTC))
    found = parse_metar_csv(metar_csv([*rows(1), late], "2026"))
    assert found.newest_at(NOON) == datetime(2026, 1, 12, 11, 50, tzinfo=UTC)
    assert len(found.reports) == 2


@given(st.data())
def test_a_damaged_file_gives_reports_or_a_feed_error_and_nothing_else(data: st.DataObject) -> None:
    body = bytearray(SAMPLE_2026)
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(body)))
        end = min(len(body), at + data.draw(st.integers(0, 400)))
        body[at:end] = data.draw(st.binary(max_size=20))
    found = read_or_refused(bytes(body))
    assert all(report.station and report.station in report.text for report in found.reports)
    assert all(report.observed_at is not None and report.observed_at.tzinfo is UTC for report in found.reports)


def read_or_refused(body: bytes) -> Rows:
    try:
        return parse_metar_csv(body)
    except FeedError:
        return Rows((), 0)


@given(st.binary(max_size=200))
def test_noise_after_a_good_header_is_no_report(noise: bytes) -> None:
    assert read_or_refused(HEADER + b"\n" + noise).reports == ()

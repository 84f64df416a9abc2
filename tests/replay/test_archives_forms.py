"""Every form in which archives of reports lie about gives the same reports."""

from __future__ import annotations

import gzip
import json
from base64 import b64decode
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

from tests.replay.written import JANUARY, REPORTS, TAF, TIMES, ahead, gathered, packed, table, texts, written
from watcher.replay.archives.forms import form_of
from watcher.replay.archives.sources import Form
from watcher.replay.gathering.stored import stored_reports
from watcher.reports.contract import as_contract
from watcher.reports.decode import decode_report
from watcher.reports.iwxxm import read_document
from watcher.reports.model import Forecast, Observation, Unreadable

OPEN = Path(__file__).parent.parent / "data" / "reports"
XML = OPEN.parent / "iwxxm"
PAIRS = list(zip(TIMES, REPORTS, strict=True))


def _rows(separator: str, form: str) -> str:
    return "\n".join(form.format(time=time, text=text, sep=separator) for time, text in PAIRS) + "\n"


LINES = {
    "time, tab": _rows("\t", "{time}{sep}{text}"),
    "time, blank": _rows(" ", "{time}{sep}{text}"),
    "time, comma": _rows(",", "{time}{sep}{text}"),
    "time, semicolon, quotes": _rows(";", '"{time}"{sep}"{text}"'),
    "time, bar": _rows(" | ", "{time}{sep}{text}"),
    "source, tab, time": _rows("\t", "an-archive{sep}{time}{sep}{text}"),
    "station, comma, time": _rows(",", "XNOR{sep}{time}{sep}{text}"),
    "short times": "\n".join(f"{time[:16].replace('T', ' ')} {text}" for time, text in PAIRS),
    "times without marks": "\n".join(
        f"{time[:16].replace('-', '').replace('T', '').replace(':', '')} {text}" for time, text in PAIRS
    ),
    "end marks": "".join(f"{time}\t{text}=\r\n" for time, text in PAIRS),
    "a dated line before each": "".join(
        f"{time[:16].replace('-', '/').replace('T', ' ')}\n{text}\n\n" for time, text in PAIRS
    ),
}


@pytest.mark.parametrize("name", LINES)
def test_lines_with_a_time_beside_the_report_need_no_month(name: str, tmp_path: Path) -> None:
    found = gathered(written(tmp_path / "archive", LINES[name]), tmp_path / "work")
    assert [text.removesuffix("=") for text in texts(found)] == list(REPORTS)
    assert sorted(table(found)["observed_at"]) == [datetime.fromisoformat(time) for time in TIMES]
    assert found.counts.reports == 4
    assert not found.faults
    assert table(found)["received_at"].null_count() == 4


@pytest.mark.parametrize(
    "name", ["reports-202601.txt", "2026-01/reports.txt", "2026/01/12/0600.txt", "x_20260112_0600.txt"]
)
def test_bare_reports_get_month_and_year_from_the_name_of_their_file_or_folder(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    (folder / name).parent.mkdir(parents=True)
    written(folder / name, "\n".join(REPORTS))
    found = gathered(folder, tmp_path / "work")
    assert [seen.isoformat()[:10] for seen in table(found)["observed_at"]] == ["2026-01-12"] * 4


def test_bare_reports_without_any_date_are_counted_and_not_guessed(tmp_path: Path) -> None:
    path = written(tmp_path / "bare.txt", "\n".join([*REPORTS, TAF]))
    found = gathered(path, tmp_path / "work")
    assert found.counts.undated == 5
    assert found.counts.reports == found.counts.forecasts == 0
    assert str(found.faults[0]).startswith('bare.txt:1: month and year are not known: "METAR XNOR 120550Z')
    found = gathered(path, tmp_path / "work", JANUARY)
    assert (found.counts.reports, found.counts.forecasts, found.counts.undated) == (4, 1, 0)


def test_a_wrapped_forecast_between_reports_is_one_forecast(tmp_path: Path) -> None:
    wrapped = (
        f"{TIMES[0]} TAF XNOR 120500Z 1206/1306 24010KT 9999 BKN015\n      BECMG 1208/1210 3000 SN\n      OVC008\n"
    )
    found = gathered(written(tmp_path / "a.txt", wrapped + LINES["time, blank"]), tmp_path / "work")
    assert ahead(found)["raw"].to_list() == [TAF]
    assert (found.counts.continued, found.counts.reports) == (2, 4)


def test_bulletins_with_headings_and_several_reports_on_a_line(tmp_path: Path) -> None:
    body = "\x01\r\r\n123\r\r\nSANO31 XNOR 120550\r\r\nMETAR\r\r\n"
    body += (
        "XNOR 120550Z 24010KT 4000 -SN\r\r\nBKN012 M01/M02 Q1003= XBAY 120550Z 00000KT CAVOK M05/M07 Q1021=\r\r\n\x03"
    )
    found = gathered(written(tmp_path / "20260112.txt", body), tmp_path / "work")
    assert sorted(texts(found)) == [REPORTS[1].removeprefix("METAR "), REPORTS[0].removeprefix("METAR ")]
    assert (found.counts.headings, found.counts.blank, found.counts.lines) == (3, 2, 7)


def test_a_bulletin_longer_than_a_block_keeps_its_kind(tmp_path: Path) -> None:
    many = "".join(
        f"XN{n:02d} 12{n // 60:02d}{n % 60:02d}Z 24010KT 4000 -SN\n  BKN012 M01/M02 Q1003=\n" for n in range(100)
    )
    found = gathered(
        written(tmp_path / "20260112.txt", f"SPNO31 XNOR 120550\n{many}"), tmp_path / "work", block_bytes=600
    )
    assert found.counts.reports == found.counts.continued == 100
    assert set(table(found)["kind"]) == {"SPECI"}
    assert table(found).sort("order")["observed_at"].is_sorted()


def test_rows_under_a_header_by_the_names_of_their_columns(tmp_path: Path) -> None:
    text = "Station;Time;Received;Report\n"
    text += "".join(f'{t[6:10]};{time};{time[:14]}58:30Z;"{t}"\n' for time, t in PAIRS)
    found = gathered(packed(tmp_path / "rows.csv.gz", text), tmp_path / "work")
    assert texts(found) == list(REPORTS)
    assert table(found).sort("order")["received_at"][0] == datetime(2026, 1, 12, 5, 58, 30, tzinfo=UTC)


def test_rows_that_do_not_fit_their_header_are_named(tmp_path: Path) -> None:
    text = f"time,raw\n{TIMES[0]},{REPORTS[0]}\n{TIMES[1]}\n{TIMES[2]},\n\n{TIMES[3]},{REPORTS[3]}\n"
    found = gathered(written(tmp_path / "rows.csv", text), tmp_path / "work")
    assert [str(fault) for fault in found.faults] == [
        "rows.csv:3: 1 columns where the header has 2",
        "rows.csv:4: no report text in its column",
    ]
    assert (found.counts.rejected, found.counts.reports) == (2, 2)


def test_our_own_decoded_lines_are_read_back(tmp_path: Path) -> None:
    received = datetime(2026, 1, 12, 7, tzinfo=UTC)
    decoded = [as_contract(decode_report(text, received_at=received)) for text in (*REPORTS, TAF, "no report at all")]
    path = written(tmp_path / "decoded.jsonl", "\n".join(json.dumps(one) for one in decoded))
    found = gathered(path, tmp_path / "work", JANUARY)
    assert texts(found) == list(REPORTS)
    assert (found.counts.forecasts, found.counts.unreadable) == (1, 1)


def test_objects_with_times_of_receipt(tmp_path: Path) -> None:
    one = {"rawOb": REPORTS[0], "obsTime": 1768197000, "receiptTime": "2026-01-12T05:54:07.891Z", "metarType": "METAR"}
    other = {"raw_text": REPORTS[1], "observed_at": "2026-01-12 05:50:00"}
    lines = [json.dumps(one), "{broken", json.dumps(other), "[]", json.dumps({"temp": 3}), ""]
    found = gathered(written(tmp_path / "objects.json", "\n".join(lines)), tmp_path / "work")
    assert texts(found) == list(REPORTS[:2])
    assert table(found).sort("order")["received_at"].to_list()[0] == datetime(2026, 1, 12, 5, 54, 7, 891000, tzinfo=UTC)
    assert [fault.line for fault in found.faults] == [2, 4, 5]


def test_a_list_of_objects_is_read_up_to_its_damage(tmp_path: Path) -> None:
    entries = [{"raw": text, "time": time} for time, text in PAIRS]
    whole = json.dumps(entries, indent=1)
    assert texts(gathered(written(tmp_path / "a.json", whole), tmp_path / "work")) == list(REPORTS)
    found = gathered(written(tmp_path / "b.json", whole[:-60]), tmp_path / "work")
    assert texts(found) == list(REPORTS[:3])
    assert found.fault_counts == {("b.json", "form"): 1}
    assert found.faults[0].line == 4


def test_lists_and_objects_after_a_list_are_read(tmp_path: Path) -> None:
    first, second, third, fourth = ({"raw": text, "time": time} for time, text in PAIRS)
    for name, text in {
        "lists.json": "\n".join(map(json.dumps, ([first, second], [], [third, fourth], []))),
        "unbroken.json": json.dumps([first, second, third]) + json.dumps([fourth]),
        "objects.json": "\n".join(map(json.dumps, ([first, second], third, fourth))) + "\n",
        "empty-first.json": "[]\r\n" + json.dumps([first, second, third, fourth]),
    }.items():
        found = gathered(written(tmp_path / name, text), tmp_path / "work")
        assert texts(found) == list(REPORTS), name
        assert not found.faults, name


@pytest.mark.parametrize("after", ["]", ",", "null", "METAR XNOR 120550Z", "\x03"])
def test_what_stands_after_a_list_and_is_none_is_named(after: str, tmp_path: Path) -> None:
    one, other = (json.dumps([{"raw": text, "time": time}]) for time, text in PAIRS[:2])
    found = gathered(written(tmp_path / "a.json", f"{one}\n{after}\n{other}"), tmp_path / "work")
    assert texts(found) == [REPORTS[0]]
    assert found.fault_counts == {("a.json", "form"): 1}
    assert found.faults[0].line == 2
    assert "left out" in found.faults[0].what


def test_a_list_that_ends_early_after_another_is_named(tmp_path: Path) -> None:
    one, other = (json.dumps([{"raw": text, "time": time}]) for time, text in PAIRS[:2])
    for cut in ("[", other[:-1], other[:-9]):
        found = gathered(written(tmp_path / "a.json", one + cut), tmp_path / "work")
        assert found.fault_counts == {("a.json", "form"): 1}, cut


@pytest.mark.parametrize("whole", [False, True])
def test_half_pairs_in_a_json_text_are_blanks_and_are_named(whole: bool, tmp_path: Path) -> None:
    odd = [f"{REPORTS[0]} RMK \ud800", f"{REPORTS[1]}\x03", "\ud800", f"{REPORTS[2]} \udc00\x00RMK"]
    objects = [json.dumps({"raw": text, "time": time}) for text, time in zip(odd, TIMES, strict=True)]
    text = f"[{','.join(objects)}]" if whole else "\n".join(objects)
    found = gathered(written(tmp_path / "a.json", text), tmp_path / "work")
    assert texts(found) == [f"{REPORTS[0]} RMK", REPORTS[1], f"{REPORTS[2]} RMK"]
    assert [str(fault) for fault in found.faults if fault.kind == "letters"] == [
        "a.json:1: 1 sign that cannot be shown, read as blanks",
        "a.json:3: 1 sign that cannot be shown, read as blanks",
        "a.json:4: 2 signs that cannot be shown, read as blanks",
    ]
    assert found.counts.unreadable + found.counts.rejected == 1


def test_dates_in_numbers_of_objects_and_columns(tmp_path: Path) -> None:
    """A time of day as a number is no time since 1970, and does not hide the date beside it."""
    rows = [{"raw": text, "time": 550, "date": 20260112} for text in REPORTS]
    rows.append({"raw": REPORTS[0].replace("XNOR", "XFEL"), "time": 10**400, "date": 202601120550})
    written(tmp_path / "a.jsonl", "\n".join(map(json.dumps, rows)))
    pl.DataFrame(rows[:4]).drop("time").write_parquet(tmp_path / "a.parquet")
    for name, count in (("a.jsonl", 5), ("a.parquet", 4)):
        found = gathered(tmp_path / name, tmp_path / "work")
        assert {at.date() for at in table(found)["observed_at"]} == {date(2026, 1, 12)}
        assert found.counts.reports == count
        assert not found.faults


def test_the_kind_of_a_json_object_may_be_written_small(tmp_path: Path) -> None:
    one = {"raw": REPORTS[2].removeprefix("SPECI "), "time": TIMES[2], "type": "speci"}
    found = gathered(written(tmp_path / "a.json", json.dumps(one)), tmp_path / "work")
    assert table(found)["kind"].to_list() == ["SPECI"]


def test_parquet_with_a_column_of_texts_and_our_own_table(tmp_path: Path) -> None:
    frame = pl.DataFrame(
        {"Raw Report": REPORTS, "valid_time": [datetime.fromisoformat(time) for time in TIMES], "x": 1}
    )
    frame.write_parquet(tmp_path / "columns.parquet")
    found = gathered(tmp_path / "columns.parquet", tmp_path / "work")
    assert texts(found) == list(REPORTS)
    again = gathered(found.partitions[0].reports, tmp_path / "other")
    assert table(again).drop("order").equals(table(found).drop("order"))


def test_of_several_parquet_columns_the_first_with_a_time_or_a_kind_counts(tmp_path: Path) -> None:
    frame = {
        "raw": [text.removeprefix("METAR ").removeprefix("SPECI ") for text in REPORTS],
        "time": [None, TIMES[1], "", "06:20"],
        "Datetime": [TIMES[0], None, TIMES[2], None],
        "date": [None, None, None, 20260112],
        "received": [None, None, "", TIMES[3]],
        "receipt_time": [TIMES[0], None, None, None],
        "metar_type": ["routine", None, "speci", "Speci "],
        "type": ["metar", "METAR", None, "TAF"],
    }
    pl.DataFrame(frame).write_parquet(tmp_path / "a.parquet")
    found = gathered(tmp_path / "a.parquet", tmp_path / "work")
    assert not found.faults
    seen = table(found).sort("order")
    assert seen["observed_at"].to_list() == [datetime.fromisoformat(time) for time in TIMES]
    assert seen["kind"].to_list() == ["METAR", "METAR", "SPECI", "SPECI"]
    assert [at is None for at in seen["received_at"]] == [False, True, True, False]


def test_a_parquet_file_packed_with_gzip_is_named(tmp_path: Path) -> None:
    pl.DataFrame({"raw": REPORTS, "time": TIMES}).write_parquet(tmp_path / "a.parquet")
    path = written(tmp_path / "b.parquet.gz", gzip.compress((tmp_path / "a.parquet").read_bytes()))
    found = gathered(path, tmp_path / "work")
    assert [str(fault) for fault in found.faults] == [
        "b.parquet.gz: a Parquet file packed with gzip cannot be read; unpack it first"
    ]


# Two rows in one column, raw, as written by Polars.
PARQUET = b64decode(
    "UEFSMRUEFXgVigFMFQIVAAAAKLUv/SA84QEAOAAAAE1FVEFSIFhOT1IgMTIwNTUwWiAyNDAxMEtUIDQwMDAgLVNOIEJLTjAxMiBN"
    "MDEvTTAyIFExMDAzFQAVEBUiLBUEFRAVBhUGAAAotS/9IAhBAAACAAAABAEAAxUMGTUABhAZGANyYXcVDBYEFsYBFuoBJq4BJggA"
    "GRwWrgEVRBYAAAAVAhksSARyb290FQIAFQwlAhgDcmF3JQBMHAAAABYEGRwZHCaYAxwVDBk1AAYQGRgDcmF3FQwWBBbGARbqASau"
    "ASYIABasAhUWABbGARYEJggW6gEUAAAZHBgMQVJST1c6c2NoZW1hGJwBLy8vLy8yd0FBQUFFQUFBQTh2Ly8veFFBQUFBRUFBRUFB"
    "QUFLQUFzQUNBQUtBQVFBK1AvLy93d0FBQUFJQUFnQUFBQUVBQUVBQUFBRUFBQUE3UC8vL3l3QUFBQWdBQUFBR0FBQUFBRVVBQUFR"
    "QUJJQUJBQVFBQkVBQ0FBQUFBd0FBQUFBQVB6Ly8vOEVBQVFBQXdBQUFISmhkd0E9ABhOUG9sYXJzIChweXRob24pIHZlcnNpb24g"
    "Mi4xLjAgKGJ1aWxkIDdmOTAyYmQzZmZkMjdmZjgyZDE0Mjc4YTA5YTI5NWZmMmY3YWVkOTIpGRwcAAAAXQEAAFBBUjE="
)


@pytest.mark.parametrize("at", [119, 221, 227])
def test_a_parquet_file_that_makes_its_reader_panic_is_named(at: int, tmp_path: Path) -> None:
    """One bit of the rows or of the footer is wrong, and the reader panics instead of raising an error."""
    whole = gathered(written(tmp_path / "whole.parquet", PARQUET), tmp_path / "work", JANUARY)
    assert (whole.counts.lines, len(whole.faults)) == (2, 0)
    body = bytearray(PARQUET)
    body[at] ^= 1
    found = gathered(written(tmp_path / "a.parquet", bytes(body)), tmp_path / "work", JANUARY)
    assert found.fault_counts == {("a.parquet", "form"): 1}
    assert found.faults[0].what.startswith("the Parquet file cannot be read: ")


@pytest.mark.parametrize(("number", "kind"), [(10**18, pl.Datetime("us")), (10**8, pl.Date())])
def test_a_parquet_file_with_a_time_of_no_year_is_named(number: int, kind: pl.DataType, tmp_path: Path) -> None:
    pl.DataFrame({"raw": REPORTS, "time": pl.Series([number] * 4).cast(kind)}).write_parquet(tmp_path / "a.parquet")
    found = gathered(tmp_path / "a.parquet", tmp_path / "work", JANUARY)
    assert found.fault_counts == {("a.parquet", "form"): 1}
    assert "out" in found.faults[0].what


def test_a_damaged_parquet_file_is_named(tmp_path: Path) -> None:
    pl.DataFrame({"raw": REPORTS}).write_parquet(tmp_path / "cut.parquet")
    written(tmp_path / "cut.parquet", (tmp_path / "cut.parquet").read_bytes()[:-30])
    pl.DataFrame({"temp_c": [1.0]}).write_parquet(tmp_path / "none.parquet")
    found = gathered(tmp_path, tmp_path / "work")
    assert found.fault_counts == {
        (f"{tmp_path.name}/cut.parquet", "form"): 1,
        (f"{tmp_path.name}/none.parquet", "form"): 1,
    }
    assert "name it raw" in found.faults[1].what


@pytest.mark.parametrize(
    ("name", "reports", "forecasts"),
    [
        ("reports-common.txt.gz", 9899, 0),
        ("awc-metars-cache-20141218.csv.gz", 4536, 0),
        ("awc-metars-cache-20260320-sample.csv", 21, 0),
        ("awc-tafs-cache-20251015-excerpt.xml", 0, 2),
        ("awc-api-metar-2026-samples.json", 6, 0),
        ("awc-api-taf-2026-sample.json", 0, 1),
    ],
)
def test_the_open_sets_are_read_as_they_come(name: str, reports: int, forecasts: int, tmp_path: Path) -> None:
    """Counts of SOURCES.md, less the two texts of 2014 that have no time of observation."""
    found = gathered(OPEN / name, tmp_path / "work")
    assert (found.counts.reports, found.counts.forecasts) == (reports, forecasts)


def test_every_open_bulletin_is_read_when_its_month_is_told(tmp_path: Path) -> None:
    """28 real bulletin files (akrherz/pyIEM, MIT) of several years: their texts, if not their month, are all dated."""
    found = gathered(OPEN / "bulletins", tmp_path / "work", JANUARY)
    assert found.counts.undated == 0
    taken = found.counts.reports + found.counts.forecasts + found.counts.duplicates
    assert taken > 75
    assert {fault.kind for fault in found.faults} <= {"unreadable", "letters"}
    # Forecasts of an old form without a time of issue, marine stations of three letters, and two made to be wrong.
    assert found.counts.unreadable == 16


def test_a_file_that_is_no_text_is_passed_over_with_its_name(tmp_path: Path) -> None:
    written(tmp_path / "picture.png", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20)
    written(tmp_path / "a.txt", LINES["time, tab"])
    written(tmp_path / ".hidden", "x")
    found = gathered(tmp_path, tmp_path / "work")
    assert found.counts.reports == 4
    assert found.fault_counts == {(f"{tmp_path.name}/picture.png", "form"): 1}


def test_the_form_is_told_from_the_content_and_can_be_named(tmp_path: Path) -> None:
    assert form_of(b'  [\n {"raw": 1}]') is Form.LIST
    assert form_of(b"[REPORTS] of the day\nMETAR") is Form.LINES
    assert form_of(b"METAR\tsample\tMETAR XNOR 120550Z 24010KT\n") is Form.LINES
    path = written(tmp_path / "a", LINES["time, tab"])
    found = gathered(path, tmp_path / "work", form=Form.OBJECTS)
    assert found.counts.rejected == 4


@pytest.mark.parametrize("path", sorted(XML.glob("*.xml")), ids=lambda path: path.stem)
def test_iwxxm_gives_what_the_text_of_the_same_report_gives(path: Path, tmp_path: Path) -> None:
    """The project's own samples of four versions of the schema, each beside its text."""
    found = gathered(path, tmp_path / "work")
    assert found.counts.reports + found.counts.forecasts + found.counts.rejected == found.counts.lines > 0
    assert found.counts.reports + found.counts.forecasts > 0
    for partition in found.partitions:
        for report in stored_reports(partition):
            assert not isinstance(report.decoded, Unreadable)
            at = report.decoded.observed_at if isinstance(report.decoded, Observation) else report.decoded.issued_at
            assert at.year > 2000


@pytest.mark.parametrize("path", sorted(XML.glob("*.xml")), ids=lambda path: path.stem)
def test_iwxxm_is_heard_again_as_finely_as_it_was_told(path: Path, tmp_path: Path) -> None:
    """The judgement hears what the service would have heard: the minutes of a TAF's periods, the tenths of a degree."""
    found = gathered(path, tmp_path / "work")
    heard = {report.decoded for item in found.partitions for report in stored_reports(item)}
    told = read_document(path.read_bytes(), received_at=datetime(2026, 1, 20, tzinfo=UTC))
    assert heard == {report.decoded for report in told if report.usage is None}


def test_the_minutes_of_a_period_are_not_lost(tmp_path: Path) -> None:
    """A TEMPO of a text has whole hours only."""
    told = (XML / "taf-2025-2-changes.xml").read_text().replace("2026-01-31T08:00:00Z", "2026-01-31T08:20:00Z")
    found = gathered(written(tmp_path / "taf.xml", told), tmp_path / "work")
    (taf,) = [report.decoded for report in stored_reports(found.partitions[0])]
    assert isinstance(taf, Forecast)
    assert datetime(2026, 1, 31, 8, 20, tzinfo=UTC) in {period.begins_at for period in taf.periods}


def test_iwxxm_that_ends_early_is_read_to_there_and_named(tmp_path: Path) -> None:
    whole = (XML / "bulletin-2023-1.xml").read_bytes()
    every = gathered(written(tmp_path / "whole.xml", whole), tmp_path / "work").counts
    found = gathered(written(tmp_path / "cut.xml", whole[: len(whole) * 3 // 4]), tmp_path / "work")
    assert 0 < found.counts.lines < every.lines
    assert set(found.fault_counts) >= {("cut.xml", "form")}


def test_a_bulk_cache_that_ends_early_is_read_to_there_and_named(tmp_path: Path) -> None:
    whole = (OPEN / "awc-tafs-cache-20251015-excerpt.xml").read_bytes()
    found = gathered(written(tmp_path / "cut.xml", whole[: len(whole) * 3 // 4]), tmp_path / "work")
    assert found.counts.forecasts == 1
    assert found.fault_counts == {("cut.xml", "form"): 1}
    assert "the XML is damaged here" in found.faults[0].what


@pytest.mark.parametrize("forecast_at", [0, 1, 4])
def test_a_bulk_cache_may_have_reports_and_forecasts(forecast_at: int, tmp_path: Path) -> None:
    entries = [
        f"<METAR><raw_text>{text}</raw_text><station_id>{text[6:10]}</station_id><observation_time>{time}"
        f"</observation_time><metar_type>{text[:5]}</metar_type></METAR>"
        for time, text in PAIRS
    ]
    taf = f"<TAF><raw_text>{TAF}</raw_text><station_id>XNOR</station_id><issue_time>2026-01-12T05:00:00Z</issue_time></TAF>"
    entries.insert(forecast_at, taf)
    body = "<response><data>\n" + "\n".join(entries) + "\n</data></response>"
    found = gathered(written(tmp_path / "a.xml", body), tmp_path / "work")
    assert texts(found) == list(REPORTS)
    assert table(found).sort("order")["kind"].to_list() == [text[:5] for text in REPORTS]
    assert ahead(found)["issued_at"].to_list() == [datetime(2026, 1, 12, 5, tzinfo=UTC)]
    assert not found.faults


def test_xml_that_is_something_else_is_named(tmp_path: Path) -> None:
    found = gathered(written(tmp_path / "page.xml", "<html><body>Not today</body></html>"), tmp_path / "work")
    assert found.fault_counts == {("page.xml", "form"): 1}


def test_of_several_columns_with_a_time_the_one_with_a_whole_time_counts(tmp_path: Path) -> None:
    text = f"time,date,type,report\n05:50,2026-01-12,SPECI,{REPORTS[0].removeprefix('METAR ')}\n"
    found = gathered(written(tmp_path / "rows.csv", text), tmp_path / "work")
    assert table(found).row(0, named=True)["kind"] == "SPECI"
    objects = json.dumps({"time": "05:50", "date": "2026-01-12", "report": REPORTS[0]})
    assert gathered(written(tmp_path / "a.jsonl", objects), tmp_path / "work").counts.reports == 1

"""The TAF cache as XML: a real file, hostile files, damaged files."""

from __future__ import annotations

import resource
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.demo.feed_files import TafRow, taf_xml
from watcher.errors import FeedError
from watcher.feeds.cache_xml import parse_cache_xml
from watcher.feeds.rows import Rows

# NOAA/NWS Aviation Weather Center, public domain: tests/data/SOURCES.md.
EXCERPT = (Path(__file__).parent.parent / "data" / "reports" / "awc-tafs-cache-20251015-excerpt.xml").read_bytes()
NOW = datetime(2026, 1, 12, 12, 0, tzinfo=UTC)


def row(station: str) -> TafRow:
    return TafRow.of(f"TAF {station} 121100Z 1212/1312 00000KT CAVOK", NOW)


def test_the_real_file_gives_both_forecasts_as_text() -> None:
    found = parse_cache_xml(EXCERPT, "taf")
    assert [(r.station, r.kind) for r in found.reports] == [("KMUO", "TAF"), ("EGQS", "TAF")]
    assert found.reports[0].text.startswith("TAF AMD KMUO 152240Z 1522/1624 VRB06KT")
    assert found.reports[0].text.endswith("TX11/1522Z TN04/1614Z")
    assert found.reports[1].observed_at == datetime(2025, 10, 15, 22, 36, tzinfo=UTC)


def test_a_metar_cache_as_xml_is_read_by_the_same_rules() -> None:
    body = (
        b"<response><data><METAR><raw_text>XNOR 121150Z 00000KT</raw_text><station_id>XNOR</station_id>"
        b"<observation_time>2026-01-12T11:50:00Z</observation_time><metar_type>SPECI</metar_type></METAR></data></response>"
    )
    (report,) = parse_cache_xml(body, "metar").reports
    assert (report.text, report.kind, report.station) == ("XNOR 121150Z 00000KT", "SPECI", "XNOR")


def test_a_file_of_both_gives_both_in_its_order_each_with_the_time_of_its_own_element() -> None:
    body = (
        b"<response><data><METAR><raw_text>METAR XNOR 121150Z 00000KT</raw_text><station_id>XNOR</station_id>"
        b"<observation_time>2026-01-12T11:50:00Z</observation_time><metar_type>METAR</metar_type></METAR>"
        b"<TAF><raw_text>TAF XNOR 121100Z 1212/1312 00000KT</raw_text><station_id>XNOR</station_id>"
        b"<issue_time>2026-01-12T11:00:00Z</issue_time></TAF>"
        b"<METAR><raw_text>SPECI XBAY 121155Z 00000KT</raw_text><station_id>XBAY</station_id>"
        b"<observation_time>2026-01-12T11:55:00Z</observation_time><metar_type>SPECI</metar_type></METAR></data></response>"
    )
    found = parse_cache_xml(body)
    assert found.row_count == 3
    assert [(r.station, r.kind, r.observed_at) for r in found.reports] == [
        ("XNOR", "METAR", NOW.replace(hour=11, minute=50)),
        ("XNOR", "TAF", NOW.replace(hour=11)),
        ("XBAY", "SPECI", NOW.replace(hour=11, minute=55)),
    ]
    assert [r.kind for r in parse_cache_xml(body, "taf").reports] == ["TAF"]
    assert [r.kind for r in parse_cache_xml(body, "metar").reports] == ["METAR", "SPECI"]


def test_a_doctype_is_refused_before_anything_in_it_is_used() -> None:
    body = (
        b'<!DOCTYPE response [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
        b"<response><data><TAF><raw_text>TAF XNOR &x;</raw_text></TAF></data></response>"
    )
    with pytest.raises(FeedError, match="DOCTYPE"):
        parse_cache_xml(body, "taf")


def test_entities_that_multiply_are_refused_without_growing() -> None:
    levels = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 30))
    body = f'<!DOCTYPE r [<!ENTITY a0 "ha">{levels}]><response><TAF><raw_text>&a29;</raw_text></TAF></response>'
    with pytest.raises(FeedError):
        parse_cache_xml(body.encode(), "taf")


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"<html><body>Maintenance</body></html>",
        b"<iwxxm/>",
        b"TAF XNOR 121100Z",
        b"{}",
        b"\x00\x01",
        b"<response>&undefined;</response>",
        b"<response><TAF></data></response>",
    ],
)
def test_what_is_no_cache_file_is_refused(body: bytes) -> None:
    with pytest.raises(FeedError):
        parse_cache_xml(body, "taf")


def test_the_root_of_another_document_is_named() -> None:
    with pytest.raises(FeedError, match="this is no TAF cache: the root element is feed"):
        parse_cache_xml(b"<feed/>", "taf")
    with pytest.raises(FeedError, match="this is no METAR or TAF cache: the root element is feed"):
        parse_cache_xml(b"<feed/>")


@given(st.integers(1, len(EXCERPT) - 60))
def test_a_file_cut_anywhere_ends_early(cut: int) -> None:
    with pytest.raises(FeedError, match=r"ends early|not well formed"):
        parse_cache_xml(EXCERPT[:cut], "taf")


def test_half_a_file_is_told_with_what_was_there() -> None:
    with pytest.raises(FeedError, match="the body ends early: the XML stops after 1 reports"):
        parse_cache_xml(EXCERPT[:-900], "taf")


def test_a_file_larger_than_the_real_one_is_read() -> None:
    """The real file has about 3,000 forecasts in 6 MB; the XML library has bounds of 10 MB that must not be met."""
    head, tail = EXCERPT.split(b"<TAF>", 1)
    entries, end = (b"<TAF>" + tail).rsplit(b"</data>", 1)
    body = head + entries * 3000 + b"</data>" + end
    assert len(body) > 11_000_000
    assert len(parse_cache_xml(body, "taf").reports) == 6000


def test_entries_that_are_no_reports_are_counted() -> None:
    body = taf_xml([row("XNOR"), row("XBAY"), row("XFEL")]).replace(b"<station_id>XBAY", b"<station_id>")
    found = parse_cache_xml(body, "taf")
    assert ([r.station for r in found.reports], found.row_count) == (["XNOR", "XFEL"], 3)


def test_a_file_of_mostly_something_else_is_refused() -> None:
    body = taf_xml([row("XNOR"), row("XBAY"), row("XFEL")]).replace(b"issue_time", b"sent_at")
    with pytest.raises(FeedError, match="only 0 of 3 rows are reports"):
        parse_cache_xml(body, "taf")


def test_an_empty_list_is_no_error() -> None:
    assert parse_cache_xml(taf_xml([]), "taf").row_count == 0


@given(st.data())
def test_a_damaged_file_gives_reports_or_a_feed_error_and_nothing_else(data: st.DataObject) -> None:
    body = bytearray(EXCERPT)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(body)))
        end = min(len(body), at + data.draw(st.integers(0, 300)))
        body[at:end] = data.draw(st.binary(max_size=20))
    found = read_or_refused(bytes(body))
    assert all(report.kind == "TAF" and report.station in report.text for report in found.reports)


def read_or_refused(body: bytes) -> Rows:
    try:
        return parse_cache_xml(body, "taf")
    except FeedError:
        return Rows((), 0)


@pytest.mark.parametrize("inside", ["", "<TAF>"])
def test_a_file_of_empty_elements_is_refused_before_it_fills_the_memory(inside: str) -> None:
    """Sixteen megabytes of `<a/>`, some kilobytes when packed, would be four million nodes: half a gigabyte."""
    body = f"<response>{inside}".encode() + b"<a/>" * 4_000_000
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(FeedError, match="bytes of it hold no whole report"):
        parse_cache_xml(body, "taf")
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100 << 10  # KiB

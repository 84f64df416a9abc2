"""Hostile IWXXM at its two doors, documents and single reports: read or refused in words, never a fault, never slow."""

from __future__ import annotations

import resource
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.iwxxm_writer import bulletin, observation_xml
from tests.security.test_fuzz import CANARY, LIMIT_S, PIECES, TEXTS, spoilt, within
from watcher.errors import FeedError, NotIwxxm
from watcher.feeds.folder import read_any
from watcher.feeds.iwxxm import read_iwxxm
from watcher.reports.contract import as_contract
from watcher.reports.decode import decode_report
from watcher.reports.iwxxm import XmlReport, read_document
from watcher.reports.iwxxm_document import report_elements
from watcher.reports.model import Forecast, Observation, Unreadable

NOW = datetime(2026, 1, 12, 12, 0, tzinfo=UTC)
SAMPLES = {
    path.stem: path.read_bytes() for path in sorted((Path(__file__).parents[1] / "data" / "iwxxm").glob("*.xml"))
}
BULLETIN = SAMPLES["bulletin-2023-1"]
REPORT = SAMPLES["metar-3.0-freezing-rain"].decode()
OWN = PIECES | st.sampled_from([
    b"xlink:href='#uuid.b1'", b"nilReason='x'", b" xsi:nil='true' ", b"cloudAndVisibilityOK='true'", b"permissibleUsage='NON-OPERATIONAL'",
    b"<iwxxm:METAR>", b"</iwxxm:METAR>", b"<collect:MeteorologicalBulletin>", b"1e400", b"-", b"T24:00:00Z", b"9999-12-31T24:00:00Z",
    b"translationFailedTAC='METAR XNOR 120550Z NIL='", b"translationFailedTAC='&lt;iwxxm:METAR/&gt;'",
])  # fmt: skip


def read(body: bytes) -> None:
    """Read a whole document within the time, and look at what came out of it, or at why it was refused."""

    def run() -> tuple[list[XmlReport], str]:
        try:
            return list(read_document(body, received_at=NOW)), ""
        except NotIwxxm as error:
            return [], str(error)

    reports, why = within(LIMIT_S, run)
    assert reports or why or b"MeteorologicalBulletin" in body
    assert why.isprintable()
    for report in reports:
        settled(report)


def settled(report: XmlReport) -> None:
    """What came out can be shown, and what is kept of it reads as itself."""
    decoded = report.decoded
    assert all(doubt.isprintable() for doubt in getattr(decoded, "doubts", ()))
    assert as_contract(decoded)["raw"] == decoded.raw
    if isinstance(decoded, Unreadable):
        assert decoded.error.isprintable()
    elif report.usage is None and not report.kept.startswith("<iwxxm:METAR/"):
        kept = decode_report(
            report.kept, received_at=NOW, kind=report.kind, observed_at=report.observed_at, second_reader=False
        )
        assert kept == decoded


@given(st.sampled_from(sorted(SAMPLES)).flatmap(lambda name: spoilt(SAMPLES[name], OWN)))
@settings(max_examples=400)
def test_a_spoilt_document_is_read_or_refused(body):
    read(body)


@given(spoilt(BULLETIN, OWN))
def test_a_spoilt_file_in_a_folder_is_read_or_refused(body):
    def run() -> str:
        try:
            return repr(read_any(body, NOW))
        except FeedError as error:
            return str(error)

    assert within(LIMIT_S, run).isprintable()


@given(spoilt(REPORT.encode(), OWN) | st.binary(max_size=200))
def test_a_spoilt_report_in_the_store_is_read_or_unreadable(body):
    decoded = within(LIMIT_S, lambda: decode_report("<" + body.decode("utf-8", "replace"), received_at=NOW))
    assert isinstance(decoded, Observation | Forecast | Unreadable)


@given(
    TEXTS, st.sampled_from(["-FZRA", "1800", "XNOR</aixm", "[kn_i]", "BKN", "09L", "2026-01-12T05:50:00Z", "NORMAL"])
)
@example("\r\nX-Injected: 1", "-FZRA")
@example("9" * 400, "1800")
def test_any_text_in_the_place_of_a_value_is_a_doubt_at_most(text, place):
    escaped = text.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")
    read(REPORT.replace(place, escaped, 1).encode())


LAUGHS = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))


@pytest.mark.parametrize(
    "inside",
    [
        '<!DOCTYPE r [<!ENTITY x SYSTEM "{file}">]>{report}',
        '<!DOCTYPE r [<!ENTITY % x SYSTEM "{file}">%x;]>{report}',
        '<!DOCTYPE r SYSTEM "{file}">{report}',
        '<!DocType r PUBLIC "-//X" "{file}">{report}',
        f'<!DOCTYPE r [<!ENTITY l0 "laugh">{LAUGHS}]>{{report}}',
        '<?xml-stylesheet type="text/xsl" href="{file}"?>{report}',
        '<r xmlns:xi="http://www.w3.org/2001/XInclude"><xi:include href="{file}" parse="text"/>{report}</r>',
        '<r xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:noNamespaceSchemaLocation="{file}">{report}</r>',
        '<r xmlns:xlink="http://www.w3.org/1999/xlink" xlink:href="{file}">{report}</r>',
    ],
)
def test_no_document_reaches_a_file_or_grows_by_itself(inside, tmp_path):
    """OWASP's list of ways in: external and parameter entities, external subsets, entity expansion, XInclude, schemas."""
    file = tmp_path / "secret"
    file.write_text(CANARY)
    report = REPORT.partition("?>")[2].replace("<iwxxm:designator>XNOR", "<iwxxm:designator>&x;&l9;")
    body = inside.replace("{file}", file.as_uri()).replace("{report}", report).encode()

    def run() -> str:
        try:
            return repr(list(read_document(body, received_at=NOW)))
        except NotIwxxm as error:
            return str(error)

    told = within(LIMIT_S, run)
    assert CANARY not in str(told)
    assert len(str(told)) < 20 * len(REPORT)
    if "<!" in inside:
        assert "it was not read" in str(told)


@pytest.mark.parametrize("codec", ["utf-16", "utf-16-be", "utf-16-le", "utf-32", "utf-7", "cp037"])
def test_a_doctype_cannot_hide_in_another_encoding(codec):
    body = f'<?xml version="1.0" encoding="{codec}"?><!DOCTYPE r [<!ENTITY x "{CANARY}">]><r>&x;</r>'.encode(codec)
    with pytest.raises(NotIwxxm, match=r"its encoding is not|it is no XML"):
        list(read_document(body, received_at=NOW))


def test_an_encoding_that_is_not_the_declared_one_is_refused_not_guessed():
    body = REPORT.replace("<iwxxm:METAR", "<!-- \xf8 --><iwxxm:METAR", 1).encode("latin-1")
    with pytest.raises(NotIwxxm, match="not well formed"):
        list(read_document(body, received_at=NOW))


@pytest.mark.parametrize(
    ("name", "body"),
    [
        ("deep", b"<a>" * 100_000),
        ("deep inside a report", REPORT.replace("<iwxxm:observation>", "<iwxxm:observation>" + "<a>" * 5000).encode()),
        ("one name of a megabyte", b"<" + b"a" * 1_000_000 + b"/>"),
        ("a hundred thousand attributes", b"<r " + b" ".join(b"a%d=''" % n for n in range(100_000)) + b"/>"),
        ("twelve megabytes of one text", REPORT.replace("<aixm:name>", "<aixm:name>" + "x" * 12_000_000).encode()),
        ("a comment that never ends", b"<!--" + b"-" * 2_000_000),
        ("half a million open tags", b"<r>" + b"<" * 500_000),
        ("only declarations", b"<?xml version='1.0'?>" * 100_000),
        ("only blanks", b" " * 2_000_000),
        ("web page comments", b"<!-- -->" * 500 + b"<html>"),
        ("names that refer to one another", REPORT.replace('"#uuid.northby-09L"', '"#uuid.northby-time"').encode()),
    ],
)
def test_what_is_too_large_too_deep_or_too_many_is_read_or_refused_at_once(name, body):
    assert name
    read(body)


def repeated(name: str, times: int) -> str:
    """A report in which one element stands many times."""
    start = REPORT.index(f"<iwxxm:{name}")
    end = REPORT.index(f"</iwxxm:{name}>", start) if f"</iwxxm:{name}>" in REPORT else REPORT.index("/>", start)
    end = REPORT.index(">", end) + 1
    return REPORT[:start] + REPORT[start:end] * times + REPORT[end:]


@pytest.mark.parametrize("name", ["presentWeather", "cloud", "runwayState", "trendForecast", "rvr", "recentWeather"])
def test_a_report_that_says_a_thing_a_thousand_times_is_no_report(name):
    def run() -> list[XmlReport]:
        return list(read_document(repeated(name, 1000).encode(), received_at=NOW))

    (report,) = within(LIMIT_S, run)
    assert isinstance(report.decoded, Unreadable)
    assert "longer than any report" in report.decoded.error


def test_a_bulletin_of_thousands_never_stands_in_memory_as_a_tree():
    seen = decode_report("METAR XNOR 120550Z 04007KT 0900 SN OVC006 M03/M04 Q1017", received_at=NOW)
    assert isinstance(seen, Observation)
    body = bulletin([observation_xml(seen)] * 5000)
    most = count = 0
    for node in report_elements(body):
        count += 1
        most = max(most, len(node.getroottree().getroot()))
    assert count == 5000
    assert most < 100  # of 5,000: as many as one portion of the parser holds


@pytest.mark.parametrize(
    "body",
    [
        b"<r>" + b"<a/>" * 4_000_000,
        REPORT.replace("<iwxxm:observation>", "<iwxxm:observation>" + "<a/>" * 4_000_000).encode(),
        bulletin([REPORT.partition("?>")[2], "<a/>" * 4_000_000]),
    ],
    ids=["before", "inside", "after"],
)
def test_a_document_of_empty_elements_is_refused_before_it_fills_the_memory(body):
    """Sixteen megabytes of `<a/>`, some kilobytes when packed, would be four million nodes: half a gigabyte."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(NotIwxxm, match="bytes of it hold no whole report"):
        list(read_document(body, received_at=NOW))
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100 << 10  # KiB


def test_a_document_of_more_reports_than_the_world_sends_is_refused():
    def run() -> None:
        with pytest.raises(FeedError, match="it holds more than 50000 reports"):
            read_iwxxm(b"<r>" + b"<METAR/>" * 60_000 + b"</r>", NOW)

    within(30.0, run)


def test_a_feed_never_raises_anything_but_its_own_error():
    for body in (
        b"",
        b"<",
        b"<a",
        b"\x1f\x8b",
        b"<a/>",
        b"&",
        b"<iwxxm:METAR/>",
        b"<METAR/>",
        b"<METAR><METAR/></METAR>",
    ):
        with pytest.raises(FeedError):
            read_iwxxm(body, NOW)

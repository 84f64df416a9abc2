"""The local feed server has the public feed's shape: compared with real files of it."""

from __future__ import annotations

import csv
import gzip
from datetime import UTC, datetime
from pathlib import Path

import pytest
from lxml import etree

from watcher.demo.feed_files import MetarRow, TafRow, metar_csv, taf_xml
from watcher.demo.feed_server import FeedServer
from watcher.demo.night import moments
from watcher.net import Guard, HttpClients

pytestmark = pytest.mark.anyio

# Files of the NOAA/NWS Aviation Weather Center, public domain: tests/data/SOURCES.md.
DATA = Path(__file__).parent.parent / "data" / "reports"
LINES_2014 = gzip.decompress((DATA / "awc-metars-cache-20141218.csv.gz").read_bytes()).decode().splitlines()
LINES_2026 = (DATA / "awc-metars-cache-20260320-sample.csv").read_text().splitlines()
NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
XNOR = MetarRow.of("SPECI XNOR 120550Z 04007KT 0900 SN M03/M04 Q1017 RMK A,B", NOW)


def test_the_file_of_2026_has_the_real_header_and_the_real_look_of_a_row() -> None:
    header, row = metar_csv([XNOR], "2026").decode().splitlines()
    assert header == LINES_2026[0]
    assert row.startswith('"SPECI XNOR 120550Z')
    cells, real = next(csv.reader([row])), next(csv.reader([LINES_2026[1]]))
    assert len(cells) == len(real)
    assert (cells[2], cells[-2]) == ("2026-01-12T05:50:00.000Z", "SPECI")
    assert len(cells[2]) == len(real[2])


def test_the_file_of_2014_has_the_real_leading_lines_and_no_type_in_the_text() -> None:
    lines = metar_csv([XNOR], "2014").decode().splitlines()
    assert lines[5] == LINES_2014[5]
    assert lines[:2] + lines[3:4] == LINES_2014[:2] + LINES_2014[3:4]
    assert lines[4] == "1 results"
    cells = next(csv.reader([lines[6]]))
    assert cells[:3] == [
        "XNOR 120550Z 04007KT 0900 SN M03/M04 Q1017 RMK A,B",
        "XNOR",
        "2026-01-12T05:50:00Z",
    ]


def test_the_taf_file_names_its_fields_as_the_real_one_does() -> None:
    real = etree.fromstring((DATA / "awc-tafs-cache-20251015-excerpt.xml").read_bytes())
    ours = etree.fromstring(taf_xml([TafRow.of("TAF AMD XNOR 120500Z 1206/1306 CAVOK", NOW)]))
    assert (ours.tag, ours.get("version")) == (real.tag, real.get("version"))
    assert {field.tag for field in ours.find("data/TAF")} <= {field.tag for field in real.find("data/TAF")}
    assert ours.findtext("data/TAF/issue_time") == "2026-01-12T05:00:00.000Z"
    assert len(ours.findtext("data/TAF/issue_time")) == len(real.findtext("data/TAF/issue_time"))


@pytest.mark.parametrize(
    ("text", "now", "observed_at"),
    [
        ("XNOR 312350Z 00000KT", datetime(2026, 1, 1, 0, 5, tzinfo=UTC), datetime(2025, 12, 31, 23, 50, tzinfo=UTC)),
        ("XNOR 010010Z 00000KT", datetime(2025, 12, 31, 23, 55, tzinfo=UTC), datetime(2026, 1, 1, 0, 10, tzinfo=UTC)),
        ("METAR COR XNOR 120550Z", NOW, datetime(2026, 1, 12, 5, 50, tzinfo=UTC)),
    ],
)
def test_a_text_is_dated_to_the_last_day_its_time_fits(text: str, now: datetime, observed_at: datetime) -> None:
    row = MetarRow.of(text, now)
    assert (row.station, row.kind, row.observed_at) == ("XNOR", "METAR", observed_at)


@pytest.mark.parametrize("text", ["", "XNOR", "XNOR 129950Z 00000KT", "TAF XNOR 120500Z"])
def test_a_text_that_is_no_report_is_not_published(text: str) -> None:
    with pytest.raises(ValueError, match=r"no METAR|hour must be"):
        MetarRow.of(text, NOW)


async def test_the_whole_invented_night_can_be_published() -> None:
    async with FeedServer() as server, HttpClients(Guard(["127.0.0.0/8"])) as http:
        for moment in moments():
            server.publish_texts(moment.metars, moment.tafs, moment.at)
            body = gzip.decompress((await http.get(server.metar_url)).body)
            assert body.count(b"\n") == 1 + len(moment.metars)


async def test_headers_are_those_of_the_public_feed_and_a_known_mark_is_answered_304() -> None:
    async with FeedServer() as server, HttpClients(Guard(["127.0.0.0/8"])) as http:
        server.publish([XNOR], [])
        first = await http.get(server.metar_url)
        assert first.headers["etag"].startswith('W/"')
        assert first.headers["cache-control"] == "max-age=60"
        assert "last-modified" not in first.headers
        again = await http.get(server.metar_url, headers={"If-None-Match": first.headers["etag"]})
        assert (again.status, again.body) == (304, b"")
        server.publish([], [])
        assert (await http.get(server.metar_url, headers={"If-None-Match": first.headers["etag"]})).status == 200
        assert [request.path for request in server.requests] == ["/data/metars.cache.csv.gz"] * 3
        assert (await http.get(server.metar_url + "x")).status == 404

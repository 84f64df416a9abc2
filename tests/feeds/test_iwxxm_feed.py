"""IWXXM as a feed: from a folder, from a host, from a station API; what is no alert's business is left out and counted."""

from __future__ import annotations

import asyncio
import gzip
import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import pytest

from tests.iwxxm_writer import bulletin, forecast_xml, observation_xml
from tests.net.loopback import loopback, ok
from watcher.clock import utc_now
from watcher.errors import FeedError, SettingsError
from watcher.feeds.answers import read_answer
from watcher.feeds.budget import Budgets
from watcher.feeds.bulk import BulkFeed, read_xml_document
from watcher.feeds.folder import FolderFeed
from watcher.feeds.iwxxm import read_iwxxm
from watcher.feeds.model import Outcome
from watcher.net import Guard, HttpClients
from watcher.reports.decode import decode_report
from watcher.reports.model import Forecast, Observation, Unreadable
from watcher.service.feeds import build_feeds
from watcher.service.receiving import report_of
from watcher.service.service import Service
from watcher.settings import Settings, load_settings

NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
SAMPLES = Path(__file__).parent.parent / "data" / "iwxxm"
SNOW = "METAR XNOR 120550Z 04007KT 0900 SN OVC006 M03/M04 Q1017"
DRIZZLE = "SPECI XBAY 120548Z 15006KT 3000 FZDZ BR OVC006 M01/M02 Q1011"
TAF = "TAF XNOR 120500Z 1206/1306 04007KT 4000 -SN OVC010"


def xml_of(text: str, now: datetime = NOW, **attributes: str) -> str:
    decoded = decode_report(text, received_at=now, second_reader=False)
    if isinstance(decoded, Observation):
        return observation_xml(decoded, **attributes)
    assert isinstance(decoded, Forecast)
    return forecast_xml(decoded, **attributes)


def put(folder: Path, name: str, content: bytes) -> None:
    (folder / name).write_bytes(content)
    at = (NOW - timedelta(minutes=1)).timestamp()
    os.utime(folder / name, (at, at))


def stations(reports: tuple) -> list[str | None]:
    return [report.station for report in reports]


class TestDocument:
    def test_each_report_comes_with_its_kind_station_time_and_the_text_made_from_it(self):
        rows = read_iwxxm(bulletin([xml_of(SNOW), xml_of(DRIZZLE), xml_of(TAF)]), NOW)
        assert [(r.kind, r.station) for r in rows.reports] == [("METAR", "XNOR"), ("SPECI", "XBAY"), ("TAF", "XNOR")]
        assert rows.reports[0].observed_at == datetime(2026, 1, 12, 5, 50, tzinfo=UTC)
        assert rows.reports[0].text == f"{SNOW} RMK FROM IWXXM"
        assert (rows.row_count, rows.yield_ratio, rows.left_out) == (3, 1.0, ())

    def test_tests_and_exercises_are_left_out_and_counted(self):
        test = {"permissibleUsage": "NON-OPERATIONAL", "permissibleUsageReason": "TEST"}
        body = bulletin([xml_of(SNOW), xml_of(DRIZZLE, **test), xml_of(TAF, **test)])
        rows = read_iwxxm(body, NOW)
        assert stations(rows.reports) == ["XNOR"]
        assert rows.left_out == ("2 reports are marked TEST and left out",)

    @pytest.mark.parametrize(
        ("now", "told"),
        [
            (NOW + timedelta(days=13), "1 report is long past and left out"),
            (NOW - timedelta(days=365), "1 report is dated far ahead of this machine's clock and left out"),
        ],
    )
    def test_a_report_of_another_year_is_left_out(self, now, told):
        rows = read_iwxxm(xml_of(SNOW).encode(), now)
        assert (rows.reports, rows.left_out) == ((), (told,))

    def test_one_report_that_cannot_be_read_is_among_them_to_be_shown_and_most_such_are_refused(self):
        spoilt = xml_of(DRIZZLE).replace("XBAY</aixm", "??</aixm")
        rows = read_iwxxm(bulletin([xml_of(SNOW), spoilt, xml_of(TAF)]), NOW)
        assert (len(rows.reports), rows.unread) == (3, 1)
        assert isinstance(report_of(rows.reports[1], "office", NOW).decoded, Unreadable)
        with pytest.raises(FeedError, match="only 1 of 3 rows are reports"):
            read_iwxxm(bulletin([xml_of(SNOW), spoilt, spoilt]), NOW)

    def test_a_document_that_ends_early_is_refused_as_a_whole(self):
        """Half a bulletin would be taken for all of it."""
        with pytest.raises(FeedError, match="it ends early"):
            read_iwxxm(bulletin([xml_of(SNOW), xml_of(DRIZZLE)])[:-200], NOW)

    def test_the_same_report_in_other_words_of_xml_is_one_report(self):
        """Two translation centres give everything names of their own."""
        one = xml_of(SNOW).replace(">4</", ">4.0</")
        other = one.replace('gml:id="', 'gml:id="other-').replace(
            'reportStatus="', 'translationTime="x" reportStatus="'
        )
        hashes = set()
        for wind in ("[kn_i]", "m/s"):  # as text, and as XML that the text would round
            for xml in (one, other):
                xml = xml.replace('"[kn_i]">7<', f'"{wind}">7.3<')  # noqa: PLW2901 - one word of it
                (raw,) = read_iwxxm(xml.encode(), NOW).reports
                hashes.add(report_of(raw, "office", NOW).text_hash)
        assert len(hashes) == 2


class TestFolder:
    pytestmark = pytest.mark.anyio

    async def test_bulletins_and_single_reports_packed_or_not_are_each_read_once(self, tmp_path):
        put(tmp_path, "a.xml", bulletin([xml_of(SNOW), xml_of(TAF)]))
        put(tmp_path, "b.xml.gz", gzip.compress(xml_of(DRIZZLE).encode()))
        feed = FolderFeed("office", tmp_path, read=read_iwxxm)
        fetched = await feed.fetch("metar", now=NOW)
        assert stations(fetched.reports) == ["XNOR", "XBAY"]
        assert (fetched.outcome, fetched.yield_ratio, fetched.problems) == (Outcome.CHANGED, 1.0, ())
        assert stations((await feed.fetch("taf", now=NOW)).reports) == ["XNOR"]
        assert (await feed.fetch("metar", now=NOW)).reports == ()

    async def test_what_was_left_out_is_told_once_and_is_no_unread_file(self, tmp_path):
        put(tmp_path, "a.xml", (SAMPLES / "bulletin-2023-1.xml").read_bytes())
        feed = FolderFeed("office", tmp_path, read=read_iwxxm)
        fetched = await feed.fetch("metar", now=NOW)
        assert stations(fetched.reports) == ["XNOR", "XMOR", "XTAR", "XFEL"]
        assert fetched.problems == ("a.xml: 1 report is marked TEST and left out",)
        assert fetched.yield_ratio == 1.0
        assert "marked TEST" in fetched.detail
        assert (await feed.fetch("metar", now=NOW)).problems == ()

    async def test_another_kind_of_file_is_told_and_the_others_are_read(self, tmp_path):
        put(tmp_path, "a.txt", f"{DRIZZLE}=\n".encode())
        put(tmp_path, "b.xml", xml_of(SNOW).encode())
        put(tmp_path, "c.xml", b"<!DOCTYPE x [<!ENTITY a 'aaaa'>]><x>&a;</x>")
        fetched = await FolderFeed("office", tmp_path, read=read_iwxxm).fetch("metar", now=NOW)
        assert stations(fetched.reports) == ["XNOR"]
        assert [problem.split(":")[0] for problem in fetched.problems] == [
            "a.txt could not be read", "c.xml could not be read",
        ]  # fmt: skip
        assert fetched.yield_ratio == pytest.approx(1 / 3)

    async def test_a_folder_of_any_files_takes_iwxxm_among_them(self, tmp_path):
        put(tmp_path, "a.txt", f"{DRIZZLE}=\n".encode())
        put(tmp_path, "b.xml", xml_of(SNOW).encode())
        fetched = await FolderFeed("office", tmp_path).fetch("metar", now=NOW)
        assert [report.text for report in fetched.reports] == [DRIZZLE, f"{SNOW} RMK FROM IWXXM"]


class TestAddress:
    pytestmark = pytest.mark.anyio

    async def test_a_document_is_asked_for_only_if_it_changed_and_only_what_is_new_comes_out(self):
        gone = b"HTTP/1.1 304 Not Modified\r\nContent-Length: 0\r\n\r\n"
        later = ok(gzip.compress(bulletin([xml_of(SNOW), xml_of(DRIZZLE)])))
        answer = bytearray(ok(bulletin([xml_of(SNOW)]), 'ETag: "a"'))
        found = []
        async with HttpClients(Guard(["127.0.0.0/8"])) as http, loopback(answer) as server:
            feed = BulkFeed("swim", http, Budgets(Random(1)), metar_url=server.url(), read=read_xml_document)
            for minute, following in enumerate((gone, later, b"")):
                found.append(await feed.fetch("metar", now=NOW + timedelta(minutes=minute)))
                answer[:] = following
        assert [stations(each.reports) for each in found] == [["XNOR"], [], ["XBAY"]]
        assert [each.outcome for each in found] == [Outcome.CHANGED, Outcome.UNCHANGED, Outcome.CHANGED]
        assert b'If-None-Match: "a"' in server.requests[1]
        assert found[0].newest_at == datetime(2026, 1, 12, 5, 50, tzinfo=UTC)
        assert set(feed.brings) == {"metar"}

    async def test_what_is_left_out_of_every_answer_is_told_once(self):
        test = xml_of(DRIZZLE, permissibleUsage="NON-OPERATIONAL")
        answer = bytearray(ok(bulletin([test, xml_of(SNOW)])))
        async with HttpClients(Guard(["127.0.0.0/8"])) as http, loopback(answer) as server:
            feed = BulkFeed("swim", http, Budgets(Random(1)), metar_url=server.url(), read=read_xml_document)
            first = await feed.fetch("metar", now=NOW)
            answer[:] = ok(bulletin([test, xml_of(SNOW), xml_of(TAF)]))
            second = await feed.fetch("metar", now=NOW + timedelta(minutes=1))
        assert first.problems == ("1 report is marked NON-OPERATIONAL and left out",)
        assert (stations(second.reports), second.problems) == (["XNOR"], ())

    async def test_a_bulletin_of_tests_alone_is_empty_and_says_why(self):
        body = bulletin([xml_of(SNOW, permissibleUsage="NON-OPERATIONAL", permissibleUsageReason="EXERCISE")])
        async with HttpClients(Guard(["127.0.0.0/8"])) as http, loopback(ok(body)) as server:
            feed = BulkFeed("swim", http, Budgets(Random(1)), metar_url=server.url(), read=read_xml_document)
            fetched = await feed.fetch("metar", now=NOW)
        assert (fetched.outcome, fetched.reports) == (Outcome.EMPTY, ())
        assert "1 report is marked EXERCISE and left out" in fetched.detail

    @pytest.mark.parametrize("body", [b"<response/>", b"METAR XNOR NIL=", bulletin([xml_of(SNOW)])[:700]])
    async def test_an_answer_that_is_no_iwxxm_is_a_failure_of_the_feed(self, body):
        async with HttpClients(Guard(["127.0.0.0/8"])) as http, loopback(ok(body)) as server:
            feed = BulkFeed("swim", http, Budgets(Random(1)), metar_url=server.url(), read=read_xml_document)
            with pytest.raises(FeedError, match="feed swim, metar: this is no IWXXM that can be read"):
                await feed.fetch("metar", now=NOW)

    def test_a_station_api_may_answer_with_iwxxm(self):
        answers = read_answer(bulletin([xml_of(SNOW), xml_of(DRIZZLE)]), "metar", ("XNOR", "XBAY"), NOW)
        assert stations(answers.reports) == ["XNOR", "XBAY"]
        assert answers.odd == ()


GOOD = """
[watch]
stations = ["XNOR", "XBAY"]
[[feed]]
name = "office"
kind = "iwxxm"
folder = "incoming"
[[feed]]
name = "swim"
kind = "iwxxm"
metar_url = "https://weather.example.org/metar.xml.gz"
"""


def load(folder: Path, text: str = GOOD) -> Settings:
    file = folder / "hoarline.toml"
    file.write_text(text)
    return load_settings(file, {})


@pytest.mark.anyio
async def test_the_settings_make_a_feed_of_a_folder_or_of_an_address(tmp_path):
    async with HttpClients(Guard()) as http:
        office, swim = build_feeds(load(tmp_path), http, Random(1))
    assert isinstance(office, FolderFeed)
    assert isinstance(swim, BulkFeed)
    assert (set(office.brings), office.over_network) == ({"metar", "taf"}, False)
    assert (set(swim.brings), swim.over_network) == ({"metar"}, True)


@pytest.mark.parametrize("both", ['folder = "incoming"\ntaf_url = "https://weather.example.org/"', ""])
def test_a_feed_has_either_a_folder_or_addresses(tmp_path, both):
    with pytest.raises(SettingsError, match="an iwxxm feed needs either folder, or metar_url, taf_url or both"):
        load(tmp_path, GOOD.replace('folder = "incoming"', both))


def test_check_notes_that_the_folder_is_not_here_and_lets_the_service_start(tmp_path):
    load(tmp_path, GOOD.partition('[[feed]]\nname = "swim"')[0])
    done = subprocess.run(
        [sys.executable, "-m", "watcher.cli", "check", "--json"], cwd=tmp_path, capture_output=True, check=True, timeout=60
    )  # fmt: skip
    (note,) = (note for note in json.loads(done.stdout)["notes"] if "feed" in note)
    assert note.startswith('feed "office": there is no folder ')
    assert note.endswith("incoming here; it brings nothing until there is")


async def until(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(20):
        while not condition():
            await asyncio.sleep(0.01)


@pytest.mark.anyio
async def test_xml_in_a_folder_opens_an_episode_and_a_test_beside_it_does_not(tmp_path):
    now = utc_now()
    at = f"{now - timedelta(minutes=5):%d%H%M}Z"
    rain = xml_of(f"METAR XNOR {at} 00000KT 3000 -FZRA OVC006 M02/M03 Q1010", now)
    test = xml_of(f"METAR XBAY {at} 00000KT 3000 +FZRA OVC006 M02/M03 Q1010", now, permissibleUsage="NON-OPERATIONAL")
    (tmp_path / "incoming").mkdir()
    (tmp_path / "incoming" / "a.xml").write_bytes(bulletin([test, rain]))
    settings = load(
        tmp_path,
        f"""
[store]
url = "sqlite:///{tmp_path / "hoarline.db"}"
[watch]
stations = ["XNOR", "XBAY"]
[[feed]]
name = "office"
kind = "iwxxm"
folder = "incoming"
metar_every = "200ms"
[health]
bind = "127.0.0.1:0"
""",
    )
    async with Service(settings, random=Random(1)) as service:
        await until(lambda: service.store.episodes(open_only=True))
        assert {item.station for item in service.store.episodes(open_only=False)} == {"XNOR"}
    async with Service(settings, random=Random(1)) as again:
        assert {item.station for item in again.store.episodes(open_only=True)} == {"XNOR"}

"""A watched folder: each file once, never half, nothing in it touched."""

from __future__ import annotations

import errno
import gzip
import os
import resource
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from watcher.demo.feed_files import MetarRow, TafRow, metar_csv, taf_xml
from watcher.errors import FeedError
from watcher.feeds.folder import FolderFeed, read_any
from watcher.feeds.model import Fetched, Outcome
from watcher.feeds.rows import Rows

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
XNOR = "METAR XNOR 120550Z 04007KT 0900 SN OVC006 M03/M04 Q1017="
XBAY = "SPECI XBAY 120548Z 15006KT 3000 FZDZ BR OVC006 M01/M02 Q1011="
TAF = "TAF XNOR 120500Z 1206/1306 04007KT 4000 -SN OVC010="
DATA = Path(__file__).parent.parent / "data" / "reports"


def put(folder: Path, name: str, content: str | bytes, *, age_s: float = 60, now: datetime = NOW) -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    at = (now - timedelta(seconds=age_s)).timestamp()
    os.utime(path, (at, at))
    return path


def stations(fetched: Fetched) -> list[str]:
    return sorted(report.text.removeprefix("METAR ").removeprefix("SPECI ").split()[0] for report in fetched.reports)


@pytest.fixture
def feed(tmp_path: Path) -> FolderFeed:
    return FolderFeed("office", tmp_path)


async def test_a_file_is_read_once(feed: FolderFeed, tmp_path: Path) -> None:
    put(tmp_path, "a.txt", f"{XNOR}\n{XBAY}\n")
    fetched = await feed.fetch("metar", now=NOW)
    assert (fetched.outcome, stations(fetched)) == (Outcome.CHANGED, ["XBAY", "XNOR"])
    assert (fetched.feed, fetched.yield_ratio, fetched.problems) == ("office", 1.0, ())
    again = await feed.fetch("metar", now=NOW)
    assert (again.outcome, again.reports, again.yield_ratio) == (Outcome.UNCHANGED, (), None)


async def test_metars_and_tafs_of_one_file_each_come_to_their_own_question(feed: FolderFeed, tmp_path: Path) -> None:
    put(tmp_path, "a.txt", f"{XNOR}\n{TAF}\n")
    assert stations(await feed.fetch("metar", now=NOW)) == ["XNOR"]
    (taf,) = (await feed.fetch("taf", now=NOW)).reports
    assert taf.kind == "TAF"
    assert (await feed.fetch("taf", now=NOW)).reports == ()


async def test_a_file_that_is_still_being_written_waits_until_two_looks_agree(feed: FolderFeed, tmp_path: Path) -> None:
    path = put(tmp_path, "a.txt", XNOR[:20], age_s=0)
    assert (await feed.fetch("metar", now=NOW)).reports == ()
    put(tmp_path, "a.txt", XNOR, age_s=0)
    assert (await feed.fetch("metar", now=NOW)).reports == ()
    assert stations(await feed.fetch("metar", now=NOW)) == ["XNOR"]
    assert path.read_text() == XNOR


async def test_a_file_that_nobody_touched_for_ten_seconds_is_read_at_the_first_look(
    feed: FolderFeed, tmp_path: Path
) -> None:
    put(tmp_path, "fresh.txt", XNOR, age_s=9)
    put(tmp_path, "settled.txt", XBAY, age_s=11)
    assert stations(await feed.fetch("metar", now=NOW)) == ["XBAY"]


@pytest.mark.parametrize("name", [".hidden.txt", "a.txt.part", "a.txt.tmp", "A.TMP", "a.PART"])
async def test_a_name_that_says_unfinished_is_left_alone_and_read_when_renamed(
    feed: FolderFeed, tmp_path: Path, name: str
) -> None:
    path = put(tmp_path, name, XNOR)
    assert (await feed.fetch("metar", now=NOW)).outcome is Outcome.EMPTY
    path.rename(tmp_path / "done.txt")
    assert stations(await feed.fetch("metar", now=NOW)) == ["XNOR"]


async def test_a_file_that_changed_is_read_again(feed: FolderFeed, tmp_path: Path) -> None:
    put(tmp_path, "a.txt", XNOR)
    await feed.fetch("metar", now=NOW)
    put(tmp_path, "a.txt", XBAY, age_s=30)
    assert stations(await feed.fetch("metar", now=NOW)) == ["XBAY"]


async def test_a_file_that_was_only_touched_brings_nothing(feed: FolderFeed, tmp_path: Path) -> None:
    put(tmp_path, "a.txt", XNOR)
    await feed.fetch("metar", now=NOW)
    put(tmp_path, "a.txt", XNOR, age_s=30)
    assert (await feed.fetch("metar", now=NOW)).outcome is Outcome.UNCHANGED


async def test_a_file_of_another_content_but_the_same_size_and_time_is_noticed(
    feed: FolderFeed, tmp_path: Path
) -> None:
    put(tmp_path, "a.txt", XNOR)
    await feed.fetch("metar", now=NOW)
    put(tmp_path, "new.tmp", XNOR.replace("0900", "0800")).rename(tmp_path / "a.txt")
    assert stations(await feed.fetch("metar", now=NOW)) == ["XNOR"]


async def test_every_form_is_told_by_its_content_whatever_its_name(feed: FolderFeed, tmp_path: Path) -> None:
    row = MetarRow.of("XFEL 120555Z 12004KT 2500 FZRA M01/M02 Q1005", NOW)
    put(tmp_path, "cache.dat", metar_csv([row], "2014"))
    put(tmp_path, "cache2.csv.gz", gzip.compress(metar_csv([MetarRow.of(XBAY[:-1], NOW)], "2026")))
    put(tmp_path, "reports.gz", gzip.compress(XNOR.encode()))
    put(tmp_path, "forecasts", taf_xml([TafRow.of(TAF[:-1], NOW)]))
    assert stations(await feed.fetch("metar", now=NOW)) == ["XBAY", "XFEL", "XNOR"]
    assert [r.text for r in (await feed.fetch("taf", now=NOW)).reports] == [TAF[:-1]]


async def test_real_cache_files_can_be_put_there(feed: FolderFeed, tmp_path: Path) -> None:
    for name in ("awc-metars-cache-20141218.csv.gz", "awc-tafs-cache-20251015-excerpt.xml"):
        put(tmp_path, name, (DATA / name).read_bytes())
    assert len((await feed.fetch("metar", now=NOW)).reports) == 4538
    assert len((await feed.fetch("taf", now=NOW)).reports) == 2


async def test_a_file_that_cannot_be_read_is_told_once_and_stays_where_it_is(feed: FolderFeed, tmp_path: Path) -> None:
    put(tmp_path, "good.txt", XNOR)
    bad = {
        "half.gz": gzip.compress(XBAY.encode())[:30],
        "note.txt": b"Good morning, no reports today.\n",
        "page.html": b"<html><p>Maintenance</p></html>",
        "picture.png": b"\x89PNG\r\n\x1a\n\x00\x00",
    }
    for name, content in bad.items():
        put(tmp_path, name, content)
    fetched = await feed.fetch("metar", now=NOW)
    assert stations(fetched) == ["XNOR"]
    assert [problem.split()[0] for problem in fetched.problems] == list(bad)
    assert fetched.problems[0] == "half.gz could not be read: the gzip data ends early"
    assert fetched.yield_ratio == pytest.approx(1 / 5)
    assert fetched.problems[1] == "note.txt could not be read: only 0 of the 1 texts in it look like reports"
    assert (await feed.fetch("metar", now=NOW)).problems == ()
    assert set(os.listdir(tmp_path)) == {"good.txt", *bad}  # noqa: PTH208 - as a user would look


async def test_a_file_that_breaks_its_reader_costs_no_other_and_is_told_with_its_name(tmp_path: Path) -> None:
    def read(body: bytes, now: datetime) -> Rows:
        return read_any(body, now) if body != b"odd" else Rows((), 1 // 0)

    feed = FolderFeed("office", tmp_path, read=read)
    put(tmp_path, "a.txt", XNOR)
    put(tmp_path, "b.txt", "odd")
    put(tmp_path, "c.txt", XBAY)
    fetched = await feed.fetch("metar", now=NOW)
    assert stations(fetched) == ["XBAY", "XNOR"]
    (problem,) = fetched.problems
    assert problem.startswith("b.txt could not be read: ZeroDivisionError")
    again = await feed.fetch("metar", now=NOW)
    assert (again.outcome, again.problems) == (Outcome.UNCHANGED, ())
    put(tmp_path, "b.txt", "odd", age_s=30)
    assert len((await feed.fetch("metar", now=NOW)).problems) == 1


async def test_a_version_of_iwxxm_that_is_no_number_costs_no_other_file(feed: FolderFeed, tmp_path: Path) -> None:
    put(tmp_path, "a.txt", XNOR)
    put(tmp_path, "b.xml", '<iwxxm:METAR xmlns:iwxxm="http://icao.int/iwxxm/\u00b2"/>')
    put(tmp_path, "c.xml", f'<iwxxm:METAR xmlns:iwxxm="http://icao.int/iwxxm/{"9" * 5000}"/>')
    fetched = await feed.fetch("metar", now=NOW)
    assert stations(fetched)[-1] == "XNOR"
    assert [problem.partition(" ")[0] for problem in fetched.problems] == ["b.xml", "c.xml"]


@pytest.mark.parametrize("number", [errno.EMFILE, errno.EIO, errno.ENOENT, errno.EACCES])
async def test_a_file_that_could_not_be_opened_for_a_while_is_told_once_and_read_when_it_can_be(
    feed: FolderFeed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    def hindered(path: Path, *given: Any, **more: Any) -> Any:
        if path.name == "b.txt":
            raise OSError(number, os.strerror(number), str(path))
        return whole(path, *given, **more)

    whole = Path.open
    put(tmp_path, "a.txt", XNOR)
    put(tmp_path, "b.txt", XBAY)
    with monkeypatch.context() as failing:
        failing.setattr(Path, "open", hindered)
        fetched = await feed.fetch("metar", now=NOW)
        assert stations(fetched) == ["XNOR"]
        (problem,) = fetched.problems
        assert problem.startswith(f"b.txt could not be read: [Errno {number}]")
        for _ in range(3):
            again = await feed.fetch("metar", now=NOW)
            assert (again.reports, again.problems) == ((), ())
    assert stations(await feed.fetch("metar", now=NOW)) == ["XBAY"]
    assert (await feed.fetch("metar", now=NOW)).outcome is Outcome.UNCHANGED


async def test_a_process_without_a_free_file_number_loses_no_file(
    feed: FolderFeed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)

    def listed() -> Iterator[Any]:
        found = list(FolderFeed._files(feed))
        resource.setrlimit(resource.RLIMIT_NOFILE, (0, hard))
        return iter(found)

    put(tmp_path, "a.txt", XNOR)
    with monkeypatch.context() as full:
        full.setattr(feed, "_files", listed)
        try:
            scan = feed._walk(NOW)
        finally:
            resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert scan.reports == ()
    (problem,) = scan.problems
    assert "Too many open files" in problem
    assert stations(await feed.fetch("metar", now=NOW)) == ["XNOR"]


@pytest.mark.skipif(not Path("/dev/shm").is_dir(), reason="no file system here keeps such times")
async def test_a_file_of_a_year_that_no_date_has_costs_no_other() -> None:
    """Disks of one kind cut such times, memory file systems keep them."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as name:
        folder = Path(name)
        put(folder, "a.txt", XNOR)
        for other, at in (("late.txt", 10**12), ("early.txt", -(10**12))):
            os.utime(put(folder, other, XBAY), (at, at))
        assert (folder / "late.txt").stat().st_mtime == 10**12
        feed = FolderFeed("office", folder)
        fetched = await feed.fetch("metar", now=NOW)
        assert (stations(fetched), fetched.newest_at) == (["XNOR"], NOW)
        assert stations(await feed.fetch("metar", now=NOW)) == ["XBAY"]  # two looks agree


async def test_a_cache_in_xml_with_both_gives_both(feed: FolderFeed, tmp_path: Path) -> None:
    metar = (
        f"<METAR><raw_text>{XNOR[:-1]}</raw_text><station_id>XNOR</station_id>"
        "<observation_time>2026-01-12T05:50:00Z</observation_time><metar_type>METAR</metar_type></METAR>"
    )
    both = taf_xml([TafRow.of(TAF[:-1], NOW)]).replace(b"<TAF>", metar.encode() + b"<TAF>", 1)
    put(tmp_path, "both.xml", both)
    assert stations(await feed.fetch("metar", now=NOW)) == ["XNOR"]
    assert [r.text for r in (await feed.fetch("taf", now=NOW)).reports] == [TAF[:-1]]


async def test_an_odd_line_among_reports_comes_along_to_be_shown_as_unreadable(
    feed: FolderFeed, tmp_path: Path
) -> None:
    put(tmp_path, "a.txt", f"{XNOR}\nXMOR STATION CLOSED=\n{XBAY}\n")
    fetched = await feed.fetch("metar", now=NOW)
    assert len(fetched.reports) == 3
    assert fetched.problems == ()


async def test_a_bulletin_gives_its_reports_with_the_type_of_its_heading(feed: FolderFeed, tmp_path: Path) -> None:
    put(
        tmp_path,
        "b.bul",
        "\x01\r\r\n123\r\r\nSPNO31 XNOR 120548\r\r\nXBAY 120548Z 15006KT\r\r\n     3000 FZDZ=\r\r\n\x03",
    )
    (report,) = (await feed.fetch("metar", now=NOW)).reports
    assert (report.text, report.kind) == ("XBAY 120548Z 15006KT 3000 FZDZ", "SPECI")


async def test_a_bad_file_that_was_put_right_is_read(feed: FolderFeed, tmp_path: Path) -> None:
    packed = gzip.compress(XNOR.encode())
    put(tmp_path, "a.gz", packed[:30])
    assert len((await feed.fetch("metar", now=NOW)).problems) == 1
    put(tmp_path, "a.gz", packed, age_s=20)
    assert stations(await feed.fetch("metar", now=NOW)) == ["XNOR"]


async def test_a_file_larger_than_the_bound_is_told_and_not_read(tmp_path: Path) -> None:
    put(tmp_path, "big.txt", XNOR * 100)
    put(tmp_path, "bomb.gz", gzip.compress(bytes(1 << 20)))
    fetched = await FolderFeed("office", tmp_path, limit_bytes=2000).fetch("metar", now=NOW)
    assert fetched.problems == (
        "big.txt could not be read: it is larger than 2000 bytes",
        "bomb.gz could not be read: unpacks to more than 2000 bytes",
    )


async def test_a_file_of_the_day_before_yesterday_is_left_alone(feed: FolderFeed, tmp_path: Path) -> None:
    """A report names no month: an old file would be read as this month's."""
    put(tmp_path, "old.txt", XNOR, age_s=25 * 3600)
    put(tmp_path, "new.txt", XBAY)
    assert stations(await feed.fetch("metar", now=NOW)) == ["XBAY"]


async def test_an_empty_file_is_no_problem(feed: FolderFeed, tmp_path: Path) -> None:
    put(tmp_path, "a.txt", "\n")
    fetched = await feed.fetch("metar", now=NOW)
    assert (fetched.outcome, fetched.problems) == (Outcome.UNCHANGED, ())


async def test_folders_pipes_and_dead_links_are_passed_over(feed: FolderFeed, tmp_path: Path) -> None:
    (tmp_path / "below").mkdir()
    put(tmp_path / "below", "a.txt", XNOR)
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "dead").symlink_to(tmp_path / "nowhere")
    assert (await feed.fetch("metar", now=NOW)).outcome is Outcome.EMPTY


async def test_a_folder_that_is_not_there_is_a_feed_error(tmp_path: Path) -> None:
    with pytest.raises(FeedError, match=r"feed office: the folder .*gone cannot be read: No such file"):
        await FolderFeed("office", tmp_path / "gone").fetch("metar", now=NOW)


async def test_everything_comes_again_when_it_could_not_be_kept(feed: FolderFeed, tmp_path: Path) -> None:
    put(tmp_path, "a.txt", XNOR)
    await feed.fetch("metar", now=NOW)
    assert stations(await feed.fetch("metar", now=NOW, everything=True)) == ["XNOR"]
    assert (await feed.fetch("metar", now=NOW)).reports == ()


async def test_a_file_that_was_taken_away_and_put_back_is_read_again(feed: FolderFeed, tmp_path: Path) -> None:
    path = put(tmp_path, "a.txt", XNOR)
    await feed.fetch("metar", now=NOW)
    path.unlink()
    assert (await feed.fetch("metar", now=NOW)).outcome is Outcome.EMPTY
    put(tmp_path, "a.txt", XNOR)
    assert stations(await feed.fetch("metar", now=NOW)) == ["XNOR"]


async def test_the_newest_file_tells_the_age_of_the_folder(feed: FolderFeed, tmp_path: Path) -> None:
    put(tmp_path, "a.txt", XNOR, age_s=600)
    put(tmp_path, "b.txt", XBAY, age_s=60)
    assert (await feed.fetch("metar", now=NOW)).newest_at == NOW - timedelta(seconds=60)

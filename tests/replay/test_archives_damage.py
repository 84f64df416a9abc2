"""Damaged and odd archives: the run tells file and line, goes on where it can, and takes no half report for a whole."""

from __future__ import annotations

import codecs
import gzip
import os
from pathlib import Path

import pytest

from tests.replay.written import JANUARY, REPORTS, TIMES, gathered, packed, table, texts, written
from watcher.errors import UsageError
from watcher.replay.archives.sources import sources
from watcher.replay.gathering.gather import gather

LINES = [f"{time}\t{text}" for time, text in zip(TIMES, REPORTS, strict=True)]


def _long(count: int) -> list[str]:
    """Lines that gzip cannot make very small."""
    return [
        f"2026-01-{1 + n // 1440:02d}T{n // 60 % 24:02d}:{n % 60:02d}:00Z\tMETAR X{chr(65 + n % 26)}{chr(65 + n // 26 % 26)}A "
        f"{1 + n // 1440:02d}{n // 60 % 24:02d}{n % 60:02d}Z {n * 7919 % 36:02d}0{n * 31 % 40:02d}KT {n * 7907 % 8999 + 1000:04d} "
        f"BKN{n * 13 % 99:03d} M{n * 17 % 20:02d}/M{20 + n % 5} Q{980 + n * 11 % 50:04d}"
        for n in range(count)
    ]


def test_gzip_that_is_cut_is_read_to_its_end_and_the_cut_line_is_left_out(tmp_path: Path) -> None:
    lines = _long(3000)
    whole = gzip.compress("\n".join(lines).encode())
    found = gathered(written(tmp_path / "cut.txt.gz", whole[: len(whole) // 2]), tmp_path / "work")
    kept = texts(found)
    assert 1200 < len(kept) < 1900
    assert kept == [line.split("\t")[1] for line in lines[: len(kept)]]
    assert found.fault_counts == {("cut.txt.gz", "packing"): 1, ("cut.txt.gz", "row"): 1}
    assert f"ends early, after byte {len(whole) // 2}" in str(found.faults)
    assert f"cut.txt.gz:{len(kept) + 1}: the line is cut by the damage after it" in str(found.faults[0])


def test_gzip_with_damage_in_the_middle_goes_on_with_the_next_member(tmp_path: Path) -> None:
    """RFC 1952, 2.2: files of several members, as from `cat day1.gz day2.gz`."""
    lines = _long(3000)
    days = [gzip.compress(("\n".join(lines[at : at + 1000]) + "\n").encode()) for at in (0, 1000, 2000)]
    middle = bytearray(days[1])
    middle[len(middle) // 2 : len(middle) // 2 + 40] = bytes(40)
    found = gathered(written(tmp_path / "days.gz", days[0] + bytes(middle) + days[2]), tmp_path / "work", JANUARY)
    kept = set(texts(found))
    sent = [line.split("\t")[1] for line in lines]
    assert kept.issuperset(sent[:1300])
    assert kept.issuperset(sent[2000:])
    assert not kept.issuperset(sent[1300:2000])
    assert found.fault_counts["days.gz", "packing"] >= 1
    at, end = len(days[0]) + len(middle) // 2, len(days[0]) + len(middle)
    told = next(fault.what for fault in found.faults if fault.kind == "packing")
    assert at <= int(told.split("noticed at byte ")[1].split()[0]) <= end


def test_a_wrong_checksum_costs_no_report(tmp_path: Path) -> None:
    whole = bytearray(gzip.compress("\n".join(_long(500)).encode()))
    whole[-8] ^= 0xFF
    found = gathered(written(tmp_path / "sum.gz", bytes(whole)), tmp_path / "work")
    assert found.counts.reports == 499  # nobody knows whether the last line, which has no end, is whole
    assert found.counts.rejected == 1
    assert found.fault_counts["sum.gz", "packing"] == 1


def test_a_file_that_only_claims_to_be_gzip(tmp_path: Path) -> None:
    found = gathered(written(tmp_path / "no.gz", b"\x1f\x8b\x08\x00 this is not packed at all"), tmp_path / "work")
    assert found.counts.lines == 0
    assert found.fault_counts == {("no.gz", "packing"): 1}


def test_a_gzip_bomb_takes_no_memory(tmp_path: Path) -> None:
    bomb = gzip.compress((b" " * 1023 + b"\n") * (16 << 10))
    found = gathered(written(tmp_path / "bomb.gz", bomb), tmp_path / "work")
    assert found.counts.lines == found.counts.blank == 16 << 10


@pytest.mark.parametrize("name", ["utf-16", "utf-16-le", "utf-16-be", "utf-8-sig", "utf-32-none"])
def test_other_encodings_of_unicode_are_read(name: str, tmp_path: Path) -> None:
    if name == "utf-32-none":
        assert not codecs.BOM_UTF32_LE.startswith(codecs.BOM_UTF16_BE)
        return
    found = gathered(written(tmp_path / "a.txt", ("\r\n".join(LINES) + "\r\n").encode(name)), tmp_path / "work")
    assert texts(found) == list(REPORTS)
    assert not found.faults


def test_a_line_in_another_encoding_is_read_and_named(tmp_path: Path) -> None:
    lines = [line.encode() for line in LINES]
    lines[1] += " RMK R\u00c5DE".encode("latin-1")
    lines[2] += " RMK R\u00c5DE".encode()
    found = gathered(written(tmp_path / "mixed.txt", b"\n".join(lines)), tmp_path / "work")
    assert found.counts.reports == 4
    assert [str(fault) for fault in found.faults] == [
        f"mixed.txt:2: no UTF-8 (byte {len(LINES[1]) + 7} of the line): read as Latin-1"
    ]


def test_zero_bytes_are_blanks_and_are_named(tmp_path: Path) -> None:
    text = "\n".join(LINES).replace("BKN012", "\0\0BKN012")
    found = gathered(written(tmp_path / "zeros.txt", text), tmp_path / "work")
    assert table(found)["ceiling_ft"].to_list()[1] == 1200
    assert str(found.faults[0]) == "zeros.txt:1: 2 zero bytes read as blanks"


def test_wrong_dates_are_named_and_not_taken(tmp_path: Path) -> None:
    lines = [
        LINES[0],
        LINES[1].replace("120550Z", "320550Z"),
        LINES[2].replace("120603Z", "252603Z"),
        LINES[3].replace("120620Z", "220620Z"),
    ]
    found = gathered(written(tmp_path / "dates.txt", "\n".join(lines)), tmp_path / "work")
    assert (found.counts.reports, found.counts.unreadable) == (1, 3)
    assert [fault.line for fault in found.faults] == [2, 3, 4]
    assert "there is no such time" in found.faults[0].what
    assert "more than a day after" in found.faults[2].what


def test_a_day_that_its_month_does_not_have_is_not_moved_to_another(tmp_path: Path) -> None:
    found = gathered(
        written(tmp_path / "202602.txt", "METAR XNOR 300550Z 24010KT 9999 NSC 01/M01 Q1003"), tmp_path / "work"
    )
    assert (found.counts.reports, found.counts.undated) == (0, 1)


def test_a_file_that_cannot_be_read_is_named_and_the_others_are_read(tmp_path: Path) -> None:
    written(tmp_path / "a" / "good.txt" if (tmp_path / "a").mkdir() is None else tmp_path, "\n".join(LINES))
    (tmp_path / "a" / "loop.txt").symlink_to(tmp_path / "nowhere")
    (tmp_path / "a" / "deep").mkdir()
    packed(tmp_path / "a" / "deep" / "more.gz", LINES[0].replace("XNOR", "XFEL"))
    found = gathered(tmp_path / "a", tmp_path / "work")
    assert found.counts.reports == 5
    assert [str(fault) for fault in found.faults] == [
        "a/loop.txt: a link that leads nowhere: No such file or directory"
    ]
    with pytest.raises(UsageError, match="there is no such file"):
        gather([tmp_path / "missing"], tmp_path / "work")


def test_links_in_circles_are_walked_once_and_what_is_no_file_is_named(tmp_path: Path) -> None:
    folder = tmp_path / "a"
    (folder / "deep").mkdir(parents=True)
    written(folder / "deep" / "good.txt", "\n".join(LINES))
    for name in ("l1", "l2", "deep/l3"):
        (folder / name).symlink_to(folder)
    (folder / "self").symlink_to("self")
    os.mkfifo(folder / "pipe")
    found, faults = sources([folder], leaving_out=tmp_path / "work")
    assert [source.name for source in found] == ["a/deep/good.txt"]
    assert [(fault.file, fault.kind) for fault in faults] == [("a/pipe", "file"), ("a/self", "file")]


def test_a_link_in_the_work_folder_is_no_part_of_an_archive(tmp_path: Path) -> None:
    (tmp_path / "work").mkdir()
    (tmp_path / "work" / "gone").symlink_to(tmp_path / "nowhere")
    assert sources([tmp_path], leaving_out=tmp_path / "work") == ([], [])


def test_the_work_folder_inside_an_archive_is_no_archive(tmp_path: Path) -> None:
    written(tmp_path / "a.txt", "\n".join(LINES))
    first = gathered(tmp_path, tmp_path / "work")
    assert gathered(tmp_path, tmp_path / "work").counts == first.counts


def test_one_line_without_end_is_read_in_bounded_blocks(tmp_path: Path) -> None:
    found = gathered(
        written(tmp_path / "20260112.txt", "X" * 300_000 + "\n" + REPORTS[0]), tmp_path / "work", block_bytes=1000
    )
    assert (found.counts.unreadable, found.counts.reports) == (1, 1)

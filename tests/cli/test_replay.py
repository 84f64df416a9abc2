"""`hoarline replay` says what rules would have done with an archive, what it rests on, and what it could not read."""

from __future__ import annotations

import gzip
import io
import json
import os
import re
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path

import polars as pl
import pytest

from tests.cli.spoken import Said, hoarline
from tests.replay.winters import Winter, lines
from tests.replay.works import full_from_now_on
from watcher.notify.message import CAUTION
from watcher.replay.run import whole as replay_run
from watcher.replay.work.thinning import KEEP_GB

PROJECT = Path(__file__).parents[2]
REAL = PROJECT / "tests" / "data" / "reports" / "reports-common.txt.gz"
WINTER = Winter(stations=3, days=6, seed=15)

COLD_ONLY = """
[[rule]]
name   = "cold-and-moist"
flag   = "deicing-likely"
level  = "prepare"
text   = "Near freezing with a small spread"
source = "common practice, no source"
when   = { all = [ { field = "temp_c",   op = "<=", value = 0.0 },
                   { field = "spread_c", op = "<=", value = 3.0 } ] }
"""
DOUBTS = """
[[rule]]
name   = "read-in-two-ways"
flag   = "freezing-fog"
level  = "note"
text   = "A report that can be read in two ways"
source = "common practice, no source"
kinds  = ["observed"]
when   = { field = "doubtful", op = "==", value = true }
"""
WRONG_EXAMPLE = """
[[rule.example]]
report = "METAR XNOR 120550Z 00000KT CAVOK 02/01 Q1021"
expect = true
"""


@pytest.fixture(scope="module")
def archive(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("archive") / "winter.txt.gz"
    path.write_bytes(gzip.compress("\n".join(lines(WINTER)).encode()))
    return path


@pytest.fixture(scope="module")
def work(tmp_path_factory) -> Path:
    """A work folder for all of this file: what one test has had judged, the next one finds."""
    return tmp_path_factory.mktemp("work")


@pytest.fixture(autouse=True)
def _a_folder_without_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def replay(archive: Path, work: Path, *words: str) -> Said:
    return hoarline("replay", str(archive), "--work", str(work), "--processes", "1", *words)


def answer(archive: Path, work: Path, *words: str) -> dict:
    said = replay(archive, work, "--json", *words)
    assert said.code == 0, said.err
    assert said.err == ""
    return json.loads(said.out)


def test_it_says_what_was_read_what_opened_what_was_sent_and_that_people_decide(archive, work):
    said = replay(archive, work)
    assert said.code == 0, said.err
    found = answer(archive, work)
    reports, forecasts = found["totals"]["reports"], found["totals"]["forecasts"]
    assert said.lines[0].startswith(f"Replayed   {reports} reports and {forecasts} forecasts of 3 stations, 2023-11-01")
    assert found["archive"]["lines"] == reports + forecasts == sum(1 for _ in lines(WINTER))
    assert found["archive"]["whole"] is True
    assert found["totals"]["episodes"] == sum(row["episodes"] for row in found["episodes"]) > 0
    assert sum(station["episodes"] for station in found["stations"]) == found["totals"]["episodes"]
    (desk,) = found["messages"]
    assert f"Messages   {desk['messages']} to one desk in {desk['days']} days" in said.out
    assert "messages are counted for one desk" in " ".join(said.out.split())
    assert CAUTION in " ".join(said.out.split())
    assert found["caution"] == CAUTION
    assert max(map(len, said.lines)) <= 100


def test_stations_and_times_narrow_it(archive, work):
    found = answer(archive, work, "--stations", "xa00,XA02", "--from", "2023-11-02", "--until", "2023-11-04T12:00Z")
    assert [station["station"] for station in found["stations"]] == ["XA00", "XA02"]
    assert (found["from"], found["until"]) == ("2023-11-02T00:20:00Z", "2023-11-04T12:00:00Z")


def test_the_subscriptions_of_the_settings_are_told(archive, work, tmp_path):
    (tmp_path / "hoarline.toml").write_text(
        """
[watch]
stations = ["XA00"]
[mail]
host = "127.0.0.1"
from = "Hoarline <hoarline@example.org>"
[[destination]]
name = "duty-desk"
kind = "email"
address = "duty@example.org"
[[subscription]]
name = "snow nights"
stations = ["XA00"]
flags = ["snow"]
min_level = "treat"
to = ["duty-desk"]
hours = "18:00-09:00"
zone = "Europe/Oslo"
"""
    )
    (desk,) = answer(archive, work)["messages"]
    assert (desk["destination"], desk["zone"]) == ("duty-desk", "Europe/Oslo")
    assert set(desk["by_station"]) <= {"XA00"}
    assert set(desk["by_flag"]) <= {"snow", "blind"}


def test_other_rules_are_held_against_those_in_force(archive, work, tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text(COLD_ONLY)
    comparison = answer(archive, work, "--against", str(mine))["comparison"]
    assert comparison["rules"] == {"added": [], "removed": [], "edited": ["cold-and-moist"]}
    assert comparison["other"]["name"] == str(mine)
    assert {item["flag"] for item in comparison["differences"]} == {"deicing-likely"}
    assert comparison["totals"]["gone"] > 0
    said = replay(archive, work, "--against", str(mine))
    assert f"The rules in force held against {mine}" in said.lines
    assert "Otherwise  cold-and-moist" in said.lines
    # The other way round it is the mirror.
    back = answer(archive, work, "--rules", str(mine), "--against", "shipped")["comparison"]
    assert back["totals"]["new"] == comparison["totals"]["gone"]
    assert back["totals"]["raised"] == comparison["totals"]["lowered"]


def test_the_same_rules_differ_in_nothing_and_it_says_so(archive, work):
    said = replay(archive, work, "--against", "shipped")
    assert "Rules      both say the same; nothing can differ" in said.lines
    assert "Nothing differs in this archive." in said.lines


def test_a_rule_whose_example_does_not_hold_is_tried_and_named(archive, work, tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text(COLD_ONLY + WRONG_EXAMPLE)
    said = replay(archive, work, "--against", str(mine))
    assert said.code == 0
    assert "the service would refuse this, an example does not hold: mine.toml" in " ".join(said.out.split())


def test_scores_say_first_what_they_rest_on_and_both_rulebooks_are_scored(archive, work, tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text(COLD_ONLY)
    said = replay(archive, work, "--score", "--against", str(mine))
    assert said.code == 0, said.err
    first = next(line for line in said.lines if line.startswith("Scores"))
    assert "reports of 3 stations; 100 % of what the archives" in first
    assert any(line.startswith("scores, in force > other") for line in said.lines)
    found = answer(archive, work, "--score", "--against", str(mine))
    assert found["scores"]["rests_on"]["stations"] == 3
    assert found["scores"] != found["scores_of_the_other_rules"]


def test_every_episode_is_written_as_a_line_of_json(archive, work, tmp_path):
    found = answer(archive, work, "--lines", "episodes.jsonl")
    told = [json.loads(line) for line in (tmp_path / "episodes.jsonl").read_text().splitlines()]
    assert len(told) == found["totals"]["episodes"]
    assert {item["station"] for item in told} <= {"XA00", "XA01", "XA02"}
    expected = [item for item in told if item["opened_as"] == "expected"]
    assert expected
    assert all(item["came_true"] in {True, False} for item in expected)
    assert all(item["levels"][0]["at"] == item["opened_at"] for item in told)


def test_a_damaged_file_is_told_and_never_taken_for_the_whole(archive, work, tmp_path):
    broken = tmp_path / "broken.txt.gz"
    broken.write_bytes(archive.read_bytes()[:-4000])
    said = replay(broken, work)
    assert said.code == 1
    assert "NOT WHOLE: a part of broken.txt.gz could not be read" in said.out
    assert "Replayed" in said.out
    in_json = replay(broken, work, "--json", "--score")
    assert in_json.code == 1
    found = json.loads(in_json.out)
    assert found["archive"]["whole"] is False
    assert found["archive"]["first_faults"][0]["file"] == "broken.txt.gz"


def test_lines_that_cannot_be_read_are_counted_named_and_left_out_of_the_share(work, tmp_path):
    path = tmp_path / "few.txt"
    good = [f"2026-01-12T{hour:02}:20:00Z\tMETAR XNOR 12{hour:02}20Z 00000KT CAVOK M01/M02 Q1010" for hour in range(9)]
    path.write_text("\n".join([*good, "2026-01-12T09:20:00Z\tMETAR XNOR 99zz nothing"]) + "\n")
    found = answer(path, work)
    assert (found["archive"]["reports"], found["archive"]["unreadable"], found["archive"]["read_share"]) == (9, 1, 0.9)
    assert found["archive"]["first_faults"][0]["line"] == 10
    said = replay(path, work)
    assert said.code == 0
    assert "few.txt:10:" in said.out
    assert "everything here rests on 90 % of what was found" in " ".join(said.out.split())


def test_lines_without_a_month_get_one_or_are_told(work, tmp_path):
    path = tmp_path / "undated.txt"
    path.write_text("METAR XNOR 120550Z 00000KT CAVOK M01/M02 Q1010\n")
    said = replay(path, work)
    assert said.code == 2
    assert said.err.startswith(f"hoarline: {path}: no report that counts was found\nhoarline: undated.txt:1: ")
    assert said.err.endswith("; give --month\n")
    assert answer(path, work, "--month", "2026-01")["from"] == "2026-01-12T05:50:00Z"


def heard_later(codes: list[str], minutes: int) -> str:
    """Snow at noon at some stations, each report heard some minutes after it was made."""
    return "".join(
        json.dumps(
            {
                "raw": f"METAR {code} 051200Z 24010KT 2000 +SN OVC005 M02/M03 Q1012",
                "time": "2024-01-05T12:00:00Z",
                "received_at": f"2024-01-05T12:{minutes:02}:00Z",
            }
        )
        + "\n"
        for code in codes
    )


def test_what_was_heard_after_the_last_report_was_made_is_told_too(tmp_path, work):
    codes = ["XBAY", "XNOR", "XSKI"]
    path = tmp_path / "noon.jsonl"
    path.write_text(heard_later(codes, 6))
    found = answer(path, work, "--against", "shipped")
    assert (found["from"], found["until"]) == ("2024-01-05T12:06:00Z", "2024-01-05T12:06:00Z")
    (desk,) = found["messages"]
    assert desk["by_station"] == dict.fromkeys(codes, 1)
    assert desk["alerts_told"] == found["totals"]["episodes"] == 3
    assert found["comparison"]["other"]["messages"] == found["comparison"]["now"]["messages"] != []
    assert "2024-01-05 1206Z to 2024-01-05 1206Z" in replay(path, work).out
    assert answer(path, work, "--columns")["until"] == found["until"]
    # Where somebody asks for less, what is heard after that is not there at all.
    path.write_text(heard_later(codes[:1], 6) + heard_later(codes[1:], 20))
    assert answer(path, work, "--until", "2024-01-05T12:10Z")["until"] == "2024-01-05T12:06:00Z"


def test_by_columns_is_found_what_is_found_report_by_report(tmp_path, work):
    path = tmp_path / "reports.txt"
    path.write_text("".join(f"{line}\n" for line in lines(WINTER) if "\tTAF" not in line))
    (tmp_path / "mine.toml").write_text(COLD_ONLY)
    words = "--against", "mine.toml", "--score", "--stations", "XA00,XA02", "--from", "2023-11-02"
    heard, judged = answer(path, work, *words), answer(path, work, *words, "--columns")
    assert (heard["by_columns"], judged["by_columns"]) == (False, True)
    assert judged["episodes"] == heard["episodes"]
    for key in ("totals", "by_flag", "by_station"):
        assert judged["comparison"][key] == heard["comparison"][key]
    for mine, theirs in zip(judged["stations"], heard["stations"], strict=True):
        assert mine["blind_h"] is None
        assert {**mine, "blind_h": 0, "blind_spells": 0} == {**theirs, "blind_h": 0, "blind_spells": 0}
    for whose in ("scores", "scores_of_the_other_rules"):
        assert judged[whose]["onsets"] == heard[whose]["onsets"]
        assert judged[whose]["hours"] == heard[whose]["hours"]
    assert judged["messages"] == []
    said = replay(path, work, *words, "--columns")
    assert "Messages" not in said.out
    assert "Forecasts, blind stations and messages are not in here" in " ".join(said.out.split())


@pytest.mark.slow
def test_the_whole_world_once_with_a_rule_about_doubts_is_the_same_by_columns(tmp_path, work):
    """The bulk METAR cache of 2014-12-18, NOAA/NWS Aviation Weather Center, public domain (tests/data/SOURCES.md)."""
    (tmp_path / "doubts.toml").write_text(DOUBTS)
    words = "--rules", "doubts.toml", "--until", "2015-01-01"
    heard, judged = answer(REAL, work, *words), answer(REAL, work, *words, "--columns")
    assert heard["totals"]["stations"] == 4536
    assert heard["totals"]["episodes"] > 700
    assert judged["episodes"] == heard["episodes"]
    assert [item["by_level"] for item in judged["stations"]] == [item["by_level"] for item in heard["stations"]]
    plain = answer(REAL, work, "--rules", "shipped", "--until", "2015-01-01", "--columns")
    assert plain["episodes"] != judged["episodes"], "some of these reports are read in two ways"


def test_where_the_disk_fills_earlier_runs_make_room_and_the_same_command_goes_on(archive, tmp_path):
    work = tmp_path / "work"
    first = answer(archive, work, "--columns")
    replay(archive, work)
    (facts,) = (work / "facts").iterdir()
    facts.unlink()
    used = sorted(path for room in ("parts", "partitions") for path in (work / room).iterdir())
    months_ago = time.time_ns() - 90 * 86_400 * 10**9
    for path in work.rglob("*.*"):
        # Facts are named by when what they are of was made.
        made = path.stat().st_mtime_ns if path.parent.name == "partitions" else months_ago
        os.utime(path, ns=(months_ago, made))
    full_from_now_on(facts)
    said = replay(archive, work, "--columns")
    assert (said.code, said.out) == (1, "")
    told = " ".join(said.err.split())
    assert "No space left on device. What was finished before it stays" in told
    assert re.search(r"\. 0\.\d MB of earlier runs were removed just now, nothing that this run used: the same", told)
    assert not list((work / "rehearsals").iterdir())
    assert sorted(path for room in ("parts", "partitions") for path in (work / room).iterdir()) == used
    assert answer(archive, work, "--columns") == first


@pytest.mark.parametrize(
    ("words", "rooms"),
    [
        (("--columns", "--against", "mine.toml", "--stations", "XA00"), ("parts", "partitions", "narrowed", "facts")),
        ((), ("parts", "partitions", "rehearsals")),
    ],
    ids=["columns", "heard"],
)
def test_all_is_made_anew_where_that_is_asked_for_and_once_only(archive, tmp_path, words, rooms, monkeypatch):
    (tmp_path / "mine.toml").write_text(COLD_ONLY)
    work = tmp_path / "work"

    def kept() -> dict[str, dict[str, int]]:
        return {
            room: {path.name: path.stat().st_mtime_ns for path in (work / room).iterdir() if path.is_file()}
            for room in rooms
        }

    written: list[str] = []
    put_in_place = Path.replace

    def counted(path: Path, target: Path) -> Path:
        written.append(target.name)
        return put_in_place(path, target)

    monkeypatch.setattr(Path, "replace", counted)
    first = answer(archive, work, *words)
    before, made = kept(), sorted(written)
    assert all(before.values())
    assert answer(archive, work, *words) == first
    assert (kept(), len(written)) == (before, len(made))
    written.clear()
    assert answer(archive, work, *words, "--fresh") == first
    after = kept()
    for room in rooms:
        # Facts are named by when what they are of was made, too: they have other names.
        names = after[room].keys() - before[room].keys() if room == "facts" else before[room].keys()
        assert names
        assert all(after[room][name] > max(before[room].values()) for name in names), room
    assert len(written) == len(made) == len(set(written))


def test_lines_of_episodes_are_not_for_columns(archive, work):
    said = replay(archive, work, "--columns", "--lines", "episodes.jsonl")
    assert (said.code, said.err) == (2, "hoarline: --lines: is not for --columns and --cluster\n")


def test_a_report_is_written_as_a_page(archive, work, tmp_path):
    said = replay(archive, work, "--score", "--against", "shipped", "--html", "report.html")
    assert said.code == 0, said.err
    text = (tmp_path / "report.html").read_text()
    assert text.startswith("<!doctype html>")
    assert CAUTION.replace("'", "&#39;") in " ".join(text.split())
    assert replay(archive, work, "--html", "no/folder/report.html").code == 1


def piped(monkeypatch: pytest.MonkeyPatch, content: bytes) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(content)))


@pytest.mark.parametrize("packed", [True, False])
def test_what_is_piped_in_is_replayed_like_a_file(packed, archive, work, monkeypatch):
    content = archive.read_bytes()
    piped(monkeypatch, content if packed else gzip.decompress(content))
    found, there = answer(Path("-"), work), answer(archive, work)
    assert found["archive"].pop("paths") == ["standard input"]
    del there["archive"]["paths"]
    assert found == there
    assert not [path for path in work.iterdir() if "standard" in path.name]


def test_a_table_of_columns_can_be_piped_in(work, tmp_path, monkeypatch):
    reports = [f"METAR XNOR 12{hour:02}20Z 00000KT CAVOK M01/M02 Q1010" for hour in range(9)]
    times = [f"2026-01-12T{hour:02}:20:00Z" for hour in range(9)]
    pl.DataFrame({"raw": reports, "time": times}).write_parquet(tmp_path / "table")
    piped(monkeypatch, (tmp_path / "table").read_bytes())
    assert answer(Path("-"), work)["archive"]["reports"] == 9


def test_faults_of_what_is_piped_in_name_its_lines(work, monkeypatch):
    good = "2026-01-12T05:50:00Z\tMETAR XNOR 120550Z 00000KT CAVOK M01/M02 Q1010\n"
    piped(monkeypatch, f"{good}\n2026-01-12T06:20:00Z\tMETAR XNOR 99zz nothing\n".encode())
    assert "standard input, line 3: " in replay(Path("-"), work).out
    piped(monkeypatch, good.partition("\t")[2].encode())
    assert "hoarline: standard input, line 1: month and year are not known" in replay(Path("-"), work).err
    piped(monkeypatch, b"")
    assert replay(Path("-"), work).err == "hoarline: standard input: no report that counts was found\n"


def test_a_terminal_is_no_archive(work, monkeypatch):
    piped(monkeypatch, b"")
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
    said = replay(Path("-"), work)
    assert (said.code, said.out) == (2, "")
    assert said.err.startswith("hoarline: standard input: is a terminal, or closed: nothing comes from there; pipe")


def test_what_earlier_runs_left_is_removed_and_it_says_how_to_keep_it(archive, tmp_path):
    work = tmp_path / "work"
    replay(archive, work, "--rules", "shipped")
    months_ago = time.time() - 90 * 86_400
    for path in work.rglob("*.gz"):
        os.utime(path, (months_ago, months_ago))
    (tmp_path / "mine.toml").write_text(COLD_ONLY)
    assert replay(archive, work, "--rules", "mine.toml").err == ""  # far from 20 GB
    said = replay(archive, work, "--rules", "mine.toml", "--keep-gb", "0.000001")
    assert re.fullmatch(
        rf"Removed 0\.\d MB of earlier runs, the longest unused, from {work}: 1e-06 GB of them may stay, "
        r"--keep-gb changes that\.\n",
        said.err,
    )
    assert said.code == 0
    assert replay(archive, work, "--rules", "mine.toml", "--keep-gb", "0").err == ""
    assert replay(archive, work, "--keep-gb", "-1").code == 2
    assert f"Left out: {KEEP_GB:g}, and none of it where the disk fills." in " ".join(
        re.sub(r"[│╭╰─]", " ", hoarline("replay", "--help").out).split()
    )


def test_whose_data_these_are_is_said_with_every_result(archive, work, tmp_path):
    words = "--credit", "Weather office <b>of Northby</b>,\x1b[2J CC BY 4.0"
    said = replay(archive, work, *words, "--html", "report.html")
    assert "Data       Weather office <b>of Northby</b>, [2J CC BY 4.0" in said.lines
    assert (
        "<dd>Weather office &lt;b&gt;of Northby&lt;/b&gt;, [2J CC BY 4.0</dd>" in (tmp_path / "report.html").read_text()
    )
    assert answer(archive, work, *words)["archive"]["credit"] == words[1]
    assert answer(archive, work)["archive"]["credit"] is None


@pytest.mark.slow
def test_the_readme_shows_what_the_command_prints(work, tmp_path):
    """Reports of The Norwegian Meteorological Institute, CC BY 4.0, see tests/data/SOURCES.md."""
    section = (PROJECT / "README.md").read_text().partition("## What rules would have done")[2].partition("\n## ")[0]
    blocks = re.findall(r"```(\w+)\n(.*?)```", section, re.DOTALL)
    assert [kind for kind, _ in blocks] == ["sh", "text", "toml", "sh", "text"]
    (tmp_path / "colder.toml").write_text(blocks[2][1])
    for (_, command), (_, shown) in (blocks[:2], blocks[3:]):
        words = [
            str(PROJECT / word) if word.startswith("tests/") else word
            for word in shlex.split(command.replace("\\\n", " "))
        ]
        said = hoarline(*words[1:], "--work", str(work), "--processes", "1")
        assert said.code == 0, said.err
        printed = iter(said.lines)
        for line in filter(None, shown.splitlines()):
            assert line in printed, f"the command does not print, or not there: {line}"
    assert "Twenty alerts less" in section
    assert re.search(r"^deicing-likely +99 +79 +12 +- +20 ", blocks[4][1], re.MULTILINE)


def test_all_that_is_wrong_with_the_words_is_said_at_once(archive, work):
    said = replay(
        archive, work, "--from", "soon", "--month", "2026-13", "--stations", "here", "--against", "nowhere"
    )  # fmt: skip
    assert said.code == 2
    for word in ('--from "soon"', "--month", "nowhere: is no folder and no file"):
        assert word in said.err
    assert replay(archive, work, "--stations", "XNORX").code == 2


def test_a_path_that_is_not_there_is_wrong_use(work):
    said = hoarline("replay", "nothing.txt", "--work", str(work))
    assert (said.code, said.out) == (2, "")
    assert said.err == "hoarline: nothing.txt: there is no such file or folder\n"


def test_without_the_package_it_says_in_one_sentence_what_to_install(archive, work, monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: None)
    said = replay(archive, work)
    assert said.code == 2
    assert said.err == 'hoarline: hoarline replay: needs one more package: pip install "hoarline[replay]"\n'


def test_stopped_by_hand_it_says_where_it_goes_on(archive, work, monkeypatch):
    def interrupted(*_args: object, **_more: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(replay_run, "rehearse", interrupted)
    said = replay(archive, work)
    assert said.code == 1
    assert said.err == f"Stopped. What is finished lies in {work}: the same command goes on from there.\n"


@pytest.mark.slow
def test_a_run_that_is_really_interrupted_goes_on_and_tells_the_same(tmp_path):
    winter = Winter(stations=12, days=8, seed=2)
    path, work = tmp_path / "winter.txt", tmp_path / "work"
    path.write_text("\n".join(lines(winter)) + "\n")
    command = [
        sys.executable,
        "-m",
        "watcher.cli",
        "replay",
        str(path),
        "--work",
        str(work),
        "--processes",
        "2",
        "--json",
    ]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    deadline = time.monotonic() + 60
    while not list(work.glob("rehearsals/*.stations.jsonl.gz")) and time.monotonic() < deadline:
        time.sleep(0.01)
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=30)
    kept = len(list(work.glob("rehearsals/*.stations.jsonl.gz")))
    assert (running.returncode, out) == (1, "")
    assert err == f"Stopped. What is finished lies in {work}: the same command goes on from there.\n"
    assert 0 < kept < 12
    resumed = subprocess.run(command, capture_output=True, text=True, check=True)
    elsewhere = [word if word != str(work) else str(tmp_path / "other") for word in command]
    whole = subprocess.run(elsewhere, capture_output=True, text=True, check=True)
    assert json.loads(resumed.stdout) | {"work": None} == json.loads(whole.stdout) | {"work": None}


def test_the_columns_are_loaded_only_when_a_replay_starts():
    program = "import sys, watcher.cli.app; print('polars' in sys.modules, 'watcher.replay.run.whole' in sys.modules)"
    told = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert told.stdout.split() == ["False", "False"]

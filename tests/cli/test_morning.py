from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime
from html.parser import HTMLParser

import pytest
import time_machine

from tests.cli.evening import keep_evening
from tests.cli.spoken import hoarline
from tests.cli.test_depart import BY_HAND
from watcher.treatment.morning_contract import CSV_COLUMNS

NOW = datetime(2026, 1, 12, 3, 25, tzinfo=UTC)
LIST = """Flight;Aircraft;TOBT;Slot;Parked;Report
HL101;medium-jet;0540Z;0615Z;2130Z;
HL102;large-jet;06:50 local;;;inspected clean 0310Z
HL103;small-propeller;0545Z;;;
HL104;small-jet;0550Z;;;treated 0320Z
=1+1;medium-jet;07:10 Europe/Oslo;;;
"""


@pytest.fixture(autouse=True)
def _morning(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "list.csv").write_text(LIST)
    with time_machine.travel(NOW, tick=False):
        yield


def test_the_list_says_who_what_where_when_and_how_full_the_sites_are():
    told = hoarline("morning", "list.csv", "--training", *BY_HAND)
    assert told.code == 0, told.err
    assert told.lines[0].startswith("4 of 5 departures may need treatment. First call")
    assert all(len(line) <= 100 for line in told.lines)
    for part in ("HL101", "0615Z", "treated", "load by half hour", "pad 19", "training, not in force", "Planning aid."):
        assert part in told.out
    first = next(line for line in told.lines if line.startswith("1 "))
    assert " T " in first, "a chance from old tables is marked"
    flowing = " ".join(told.out.split())
    assert "Table: Type IV, generic; 2003-04; Transport Canada; T: training, not in force." in flowing
    assert "Rests on: report of 0320Z, 5 min old; TAF of 0200Z, 1 h 25 min old. 0325Z is 04:25 Europe/Oslo." in flowing


def test_json_and_csv_carry_the_same_departures():
    made = json.loads(hoarline("morning", "list.csv", "--training", "--json", *BY_HAND).out)
    rows = list(csv.DictReader(io.StringIO(hoarline("morning", "list.csv", "--training", "--csv", *BY_HAND).out)))
    assert tuple(rows[0]) == CSV_COLUMNS
    assert [row["flight"].removeprefix("'") for row in rows] == [each["flight"] for each in made["departures"]]
    assert made["training"] is True
    assert {each["place"] for each in made["load"]} <= {"stand", "after-push", "pad"}
    assert made["caution"].startswith("Planning aid.")
    assert [each["report_age_min"] for each in made["stations"]] == [5]
    assert {each["in_season"] for each in made["departures"]} <= {False, None}


def test_no_cell_of_the_csv_is_a_formula():
    told = hoarline("morning", "list.csv", "--csv", *BY_HAND)
    assert "'=1+1" in told.out


class _Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.text = [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)

    def handle_data(self, data):
        self.text.append(data)


def test_the_page_for_paper_has_a_row_for_each_and_fetches_nothing(tmp_path):
    (tmp_path / "list.csv").write_text(LIST.replace("=1+1", "<script>alert(1)</script>"))
    told = hoarline("morning", "list.csv", "--training", "--html", "list.html", *BY_HAND)
    assert told.code == 0
    text = (tmp_path / "list.html").read_text()
    page = _Page()
    page.feed(text)
    assert not {"script", "img", "link", "iframe"} & set(page.tags)
    assert "http" not in text
    assert "<script>alert(1)</script>" in page.text
    assert page.tags.count("tr") >= 5 + 1
    assert "T: training. These figures are of tables that are not in force." in page.text
    assert any("Planning aid." in part for part in page.text)
    assert any("Rests on: report of 0320Z" in part for part in page.text)


def test_stations_of_the_running_service_are_listed_from_the_store(tmp_path):
    keep_evening(tmp_path)
    (tmp_path / "list.csv").write_text("flight,aircraft,off_block,from\nHL1,medium-jet,22:40 local,xnor\n")
    with time_machine.travel(datetime(2026, 1, 12, 20, 5, tzinfo=UTC), tick=False):
        told = hoarline("morning", "list.csv", "--training", "--json")
    assert told.code == 0, told.err
    (line,) = json.loads(told.out)["departures"]
    assert (line["station"], line["off_block"]) == ("XNOR", "2026-01-12T21:40:00Z")
    assert line["need"] is not None


def test_columns_are_explained_without_a_file():
    told = hoarline("morning", "--columns")
    assert told.code == 0
    assert "off_block     needed: off-block time" in told.out


def test_what_is_wrong_in_the_file_is_said_at_once(tmp_path):
    (tmp_path / "list.csv").write_text("flight,off_block\nHL1,0540\n")
    told = hoarline("morning", "list.csv", *BY_HAND)
    assert (told.code, 'the column "aircraft" is missing' in told.err) == (2, True)
    (tmp_path / "list.csv").write_text("flight,aircraft,off_block,station\nHL1,jet,0540,XNOR\nHL2,jet,0541Z,XQQQ\n")
    told = hoarline("morning", "list.csv", *BY_HAND)
    assert told.code == 2
    for part in ("line 2: off_block", 'line 3: station: "XQQQ" has no operations'):
        assert part in told.err
    assert hoarline("morning", "none.csv", *BY_HAND).code == 2
    assert hoarline("morning", "list.csv", "--position", "60,11,200").code == 2

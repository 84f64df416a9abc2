"""`hoarline protect`: several aircraft at once, kept in the store, said so that a crew reads the minutes first."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
import time_machine

from tests.alerts.scenes import small_book
from tests.cli.spoken import Said, hoarline
from tests.treatment.aircraft import XNOR, at, report, shipped
from watcher.alerts.model import Policy
from watcher.links import LinkMaker
from watcher.reports.identity import text_hash
from watcher.reports.model import Observation, Report
from watcher.service.cycle import Cycle, Watch
from watcher.stations import StationTable
from watcher.store.store import Store

SNOW = ("--fluid", "Type IV", "--mix", "100/0", "--started", "0512Z", "--training")
CAUTION = "Planning aid. The commander's check"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    (tmp_path / "reports").mkdir()
    (tmp_path / "hoarline.toml").write_text(f"""
[store]
url = "sqlite:///{tmp_path}/hoarline.db"
[watch]
stations = ["XNOR", "XBAY"]
[[station]]
code = "XNOR"
position = "60.20,11.10,210"
[[feed]]
name = "here"
kind = "folder"
folder = "{tmp_path}/reports"
""")
    monkeypatch.chdir(tmp_path)
    hear(-2, report(-22))
    with time_machine.travel(at(10), tick=False):
        yield tmp_path


def hear(minutes: float, *news: Observation) -> list[str]:
    """Let the service take a turn; return what it told."""
    store = Store.open(f"sqlite:///{Path.cwd() / 'hoarline.db'}")
    watch = Watch(frozenset({"XNOR"}), StationTable({"XNOR": XNOR}), small_book(), Policy(), shipped())
    cycle = Cycle(store, watch)
    cycle.load(at(minutes))
    made = cycle.turn([Report(each, text_hash(each.raw), "world", at(minutes)) for each in news], at(minutes))
    store.close()
    return [event.body.headline for event in made.protection_events]


def protect(*words: str) -> Said:
    return hoarline("protect", *words)


def start(*more: str, aircraft: str = "HL-101") -> Said:
    said = protect("start", "xnor", "--aircraft", aircraft, *SNOW, *more)
    assert said.code == 0, said.err
    return said


def status(name: str = "XNOR-P1", minutes: float = 10) -> dict[str, object]:
    with time_machine.travel(at(minutes), tick=False):
        found = json.loads(protect("status", name, "--json").out)
    assert isinstance(found, dict)
    return found


def z(moment: datetime) -> str:
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def test_the_minutes_to_the_lower_end_stand_first_and_say_that_they_are_for_training() -> None:
    said = start("--ended", "0518Z", "--profile", "medium-jet", "--place", "pad")
    assert said.lines[0] == "XNOR-P1  HL-101 at XNOR, Type IV 100/0, final application 0512Z"
    assert said.lines[1] == "  TRAINING  20 MIN to the lower end at 0542Z"
    assert said.lines[2] == "  45 min to the upper end at 0607Z"
    assert "engine bleed wait ends 0520Z, APU bleed wait ends 0524Z" in said.out
    assert "Not a permission." in " ".join(said.out.split())
    assert "Pre-take-off check inside the holdover time" in said.out
    assert "32 min old: METAR XNOR 120450Z" in said.out
    assert CAUTION in said.out
    assert max(len(line) for line in said.lines) <= 80


def test_json_has_every_clock_and_null_where_there_is_none() -> None:
    start()
    found = status()
    assert found["standing"] == "running"
    assert (found["minutes_left"], found["lower_min"], found["lower_ends_at"]) == (20, 30, z(at(30)))
    assert (found["engine_bleed_wait_ends"], found["apu_bleed_wait_ends"]) == (None, None)
    assert found["allowance_ends_at"] is None
    assert (found["training"], found["current"]) == (True, False)
    assert found["report_age_min"] == 32
    assert str(found["caution"]).startswith(CAUTION)


def test_without_training_the_old_tables_give_no_minutes() -> None:
    said = protect("start", "XNOR", "--aircraft", "HL-101", *SNOW[:-1])
    assert said.code == 0
    assert said.lines[1] == "  NO MINUTES  the tables are out of season"
    found = status()
    assert [found[name] for name in ("minutes_left", "lower_min", "upper_min", "lower_ends_at")] == [None] * 4


def test_reports_between_the_start_and_its_entry_count() -> None:
    hear(9, report(8, "FZRA"), report(9))
    assert start().lines[1] == "  LOST  no holdover time exists in this weather"


def test_the_waits_run_from_the_end_that_is_entered_later() -> None:
    assert "they run from the end of the treatment" in " ".join(start("--profile", "small-jet").out.split())
    said = protect("treated", "XNOR-P1", "--ended", "0518Z")
    assert "engine bleed wait ends 0520Z" in said.out, "0518Z may have been 05:18:59"
    early = protect("treated", "XNOR-P1", "--ended", "0500Z")
    assert early.code == 2
    assert "before its final application began" in early.err


def test_a_profile_without_waits_gets_no_time() -> None:
    said = start("--ended", "0518Z")
    assert "its manual says how long they are" in " ".join(said.out.split())


def test_a_profile_brings_its_wing_and_its_flaps() -> None:
    """0.76 of 30 minutes, rounded down."""
    start("--profile", "medium-jet-composite")
    found = status()
    assert (found["surface"], found["flaps_set"], found["lower_min"]) == ("composite", True, 22)


def test_below_the_lowest_temperature_of_the_fluid_there_is_no_time() -> None:
    """-2 as reported is -2.5 at the coldest."""
    assert start("--lout", "-2.5").lines[1].startswith("  TRAINING  20 MIN")
    said = start("--lout", "-2")
    assert said.lines[1] == "  LOST  no holdover time exists in this weather"
    assert "must not be used below -2" in " ".join(said.out.split())


def test_rain_counts_unless_the_wing_is_known_not_to_be_cold_soaked() -> None:
    hear(9, report(8, "-RA", temp="03/02"))
    hear(9, report(9, "-RA", temp="03/02"))
    words = ("--fluid", "IV", "--mix", "100/0", "--started", "0521Z", "--training")
    assert "MIN to the lower end" in protect("start", "XNOR", "--aircraft", "HL-1", *words).lines[1]
    said = protect("start", "XNOR", "--aircraft", "HL-1", *words, "--not-cold-soaked")
    assert said.lines[1] == "  NO LIMIT  nothing falls that a table answers for"


def test_what_the_crew_sees_only_shortens_and_the_next_turn_tells_everyone() -> None:
    start()
    assert protect("see", "XNOR-P1", "--visibility", "9999").lines[1] == "  TRAINING  20 MIN to the lower end at 0542Z"
    said = protect("see", "XNOR-P1", "--weather", "FZRA")
    assert said.lines[1] == "  LOST  no holdover time exists in this weather"
    assert "Seen by the crew of 0522Z" in said.out
    assert hear(11) == ["XNOR HL-101: protection lost, no holdover time exists in this weather"]
    assert hear(12) == []
    assert protect("see", "XNOR-P1", "--weather", "-SN").lines[1] == said.lines[1]


@pytest.mark.parametrize("words", [(), ("--weather", "none")])
def test_better_weather_is_not_entered(words: tuple[str, ...]) -> None:
    start()
    said = protect("see", "XNOR-P1", *words)
    assert said.code == 2
    assert "lengthens nothing" in said.err


def test_status_lists_all_and_what_runs_out_first_stands_first() -> None:
    start()
    start(aircraft="HL-202")
    protect("see", "XNOR-P2", "--weather", "-FZRA")
    start(aircraft="HL-303")
    protect("see", "XNOR-P3", "--weather", "FZRA")
    listed = json.loads(protect("status", "--json").out)
    assert [each["aircraft"] for each in listed] == ["HL-303", "HL-202", "HL-101"], "the lost before all"
    protect("end", "XNOR-P3", "--returned")
    assert protect("end", "XNOR-P2", "--took-off").lines[1] == "  ENDED 0522Z: took off"
    assert [each["protection"] for each in json.loads(protect("status", "--json").out)] == ["XNOR-P1"]
    assert [each["ending"] for each in json.loads(protect("status", "--all", "--json").out)] == [
        None,
        "took-off",
        "returned",
    ]
    assert hear(12, report(11, "FZRA")) == ["XNOR HL-101: protection lost, no holdover time exists in this weather"]


def test_status_takes_up_reports_that_no_turn_has_brought_to_it() -> None:
    start()
    hear(11, report(9, "-FZRA"))
    assert status(minutes=11)["column"] == "light_freezing_rain"


def test_a_station_that_went_blind_has_no_minutes_though_no_service_says_so() -> None:
    start()
    found = status(minutes=25)
    assert found["standing"] == "running"
    found = status(minutes=100)
    assert (found["standing"], found["blind"]) == ("over", True)
    with time_machine.travel(at(80), tick=False):
        started = f"{at(79):%H%MZ}"
        words = ("--fluid", "IV", "--mix", "100/0", "--started", started, "--training")
        said = protect("start", "XNOR", "--aircraft", "HL-7", *words)
    assert said.lines[1] == "  NO MINUTES  the station is blind: no usable report that is recent enough"


def test_after_twelve_hours_status_says_that_it_is_over() -> None:
    start()
    assert status(minutes=721)["ending"] == "expired"
    with time_machine.travel(at(721), tick=False):
        assert protect("status").out == "No aircraft.\n"


def test_the_checklist_of_the_place_goes_on_where_the_crew_is() -> None:
    during = json.loads(start("--place", "pad", "--json").out)["checklist"]
    protect("treated", "XNOR-P1", "--ended", "0518Z")
    after = status()["checklist"]
    over = status(minutes=31)["checklist"]
    assert during["id"] == "treatment-ends"
    assert isinstance(after, dict)
    assert after["id"] not in {during["id"], "holdover-over"}
    assert isinstance(over, dict)
    assert over["id"] == "holdover-over"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--fluid", "Type V", "--mix", "100/0", "--started", "0512Z"), '"Type V" is no fluid type'),
        (("--fluid", "IV", "--started", "0512Z"), "--mix: is missing"),
        (("--fluid", "IV", "--mix", "120/0", "--started", "0512Z"), "--mix"),
        (("--fluid", "IV", "--mix", "100/0", "--started", "2612Z"), '"2612Z" is no time'),
        (("--fluid", "IV", "--mix", "100/0", "--started", "2026-01-12T06:00Z"), "yet to come"),
        (("--fluid", "IV", "--mix", "100/0", "--started", "1700Z"), "more than 12 hours ago"),
        ((*SNOW, "--ended", "0500Z"), "0500Z is before the start of the final application at 0512Z"),
        ((*SNOW, "--lout", "5"), "5 °C is no lowest temperature of a fluid"),
        ((*SNOW, "--lout", "nan"), "is no lowest temperature of a fluid"),
        ((*SNOW, "--place", "ramp"), '--place: "ramp" is not known'),
        ((*SNOW, "--profile", "small-prop"), "did you mean small-propeller?"),
        ((*SNOW, "--authority", "nobody"), '"nobody" has no tables here'),
        ((*SNOW, "--surface", "wood"), '"wood" is not known'),
    ],
)
def test_what_cannot_be_is_refused_with_what_is_allowed(words: tuple[str, ...], told: str) -> None:
    said = protect("start", "XNOR", "--aircraft", "HL-101", *words)
    assert said.code == 2
    assert told in said.err
    assert protect("status").out == "No aircraft.\n"


def test_a_station_without_reports_and_a_name_of_nobody_are_refused() -> None:
    said = protect("start", "XBAY", "--aircraft", "HL-101", *SNOW)
    assert (said.code, "station XBAY: has no report" in said.err) == (2, True)
    assert "is empty" in protect("start", "XNOR", "--aircraft", " \x1b", *SNOW).err
    assert "41 characters" in protect("start", "XNOR", "--aircraft", 41 * "x", *SNOW).err
    assert protect("status", "XNOR-P1").code == 2
    start()
    assert "give --took-off or --returned" in protect("end", "XNOR-P1").err
    protect("end", "XNOR-P1", "--returned")
    again = protect("end", "xnor-p1", "--took-off")
    assert (again.code, "has ended" in again.err) == (2, True)


def test_a_terminal_without_the_degree_sign_is_served() -> None:
    start()
    said = hoarline("protect", "status", encoding="ascii")
    assert said.code == 0


def test_the_page_for_the_phone_of_the_crew_is_given_where_the_pages_have_an_address() -> None:
    assert json.loads(start("--json").out)["link"] is None
    settings = Path.cwd() / "hoarline.toml"
    settings.write_text(settings.read_text() + '[service]\npublic_url = "https://ice.example.org"\n')
    said = protect("status", "XNOR-P1")
    (link,) = [line.strip() for line in said.out.splitlines() if "https://" in line]
    store = Store.open(f"sqlite:///{Path.cwd() / 'hoarline.db'}")
    key = store.link_key()
    store.close()
    assert link == LinkMaker("https://ice.example.org", key).protection("XNOR-P1")
    assert json.loads(protect("status", "XNOR-P1", "--json").out)["link"] == link
    assert "https://" not in protect("status").out

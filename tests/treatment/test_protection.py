"""One treated aircraft from the start of its final application to its end.

Sources: the holdover time runs from the start of the final application (UK CAA, GM on ground de-icing; TP 10643E,
chapter 4, paragraph 66); the check after it has run out (TP 10643E, chapter 4, paragraphs 83 to 87: not with Type I,
lower time 20 minutes or more, once). Cells are those of the shipped sheet of 2003-04, read here as plain CSV.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.treatment.aircraft import START, XNOR, at, report, shipped, treated
from watcher.reports.decode import decode_report
from watcher.reports.model import Observation
from watcher.service.rules_folder import rules_dir
from watcher.service.treatment_files import load_procedure
from watcher.treatment.clocks import Clocks, clocks
from watcher.treatment.kinds import Place
from watcher.treatment.procedures import Clock, HoldoverState, Phase
from watcher.treatment.protection import (
    LONGEST,
    Ending,
    Protection,
    Standing,
    counts_from,
    ended,
    with_end_of_treatment,
    with_entry,
    with_report,
    with_sight,
)
from watcher.treatment.protection_changes import Change, advance
from watcher.treatment.protection_steps import checklist_step, next_step, why_no_check
from watcher.treatment.protection_weather import Entered, seen_in
from watcher.treatment.tables import Tables
from watcher.treatment.words import FluidType


def hears(
    protection: Protection, news: Observation | Entered | None, minutes: float, tables: Tables | None = None
) -> tuple[Protection, Change | None]:
    return advance(protection, news, XNOR, tables or shipped(), at(minutes))


def reading(protection: Protection, minutes: float) -> Clocks:
    return clocks(protection, shipped(), at(minutes))


def cell(column: str, oat: str, mix: str) -> tuple[int, int] | None:
    """Return minutes of the published sheet, read without the parser; None where it has none."""
    path = rules_dir() / "holdover" / "canada-2003-04" / "type-4.csv"
    lines = [line for line in path.read_text().splitlines() if line and not line.startswith("#")]
    rows = [row for row in csv.DictReader(lines) if row["oat_c"] == oat and row["mix"] == mix]
    if not rows or rows[0][column] in {"none", "blank"}:
        return None
    low, high = rows[0][column].split("-")
    return int(low), int(high)


def test_both_ends_are_counted_from_the_start_of_the_final_application() -> None:
    protection = treated(report(-22, "-FZDZ", visibility="5000"), fluid=FluidType.IV)
    found = reading(protection, 5)
    assert (found.lower_min, found.upper_min) == cell("freezing_drizzle", "0 to -3", "100/0")
    assert found.lower_ends_at == START + timedelta(minutes=found.lower_min or 0)
    assert found.upper_ends_at == START + timedelta(minutes=found.upper_min or 0)
    assert found.standing is Standing.RUNNING
    assert found.training


FALLING = {
    "freezing_drizzle": ("-FZDZ", "5000"),
    "light_freezing_rain": ("-FZRA", "5000"),
    "freezing_fog": ("FZFG", "0400"),
    "snow": ("-SN", "3000"),
}
TEMPERATURES = {"0 to -3": "M02/M03", "below -3 to -14": "M08/M09", "below -14 to -25": "M20/M21"}


@pytest.mark.parametrize("column", FALLING)
@pytest.mark.parametrize(("oat", "temp"), TEMPERATURES.items())
@pytest.mark.parametrize("mix", ["100/0", "75/25", "50/50"])
def test_no_clock_is_longer_than_the_published_cell(column: str, oat: str, temp: str, mix: str) -> None:
    """Transport Canada's sheet of 2003-04, Type IV; other sheets and charts may only shorten it."""
    weather, visibility = FALLING[column]
    found = reading(treated(report(-22, weather, visibility=visibility, temp=temp), mix=mix), 0)
    published = cell(column, oat, mix)
    if published is None:
        assert (found.standing, found.lower_ends_at, found.upper_ends_at) == (Standing.NONE, None, None)
        return
    assert found.lower_ends_at is not None
    assert found.upper_ends_at is not None
    assert found.lower_ends_at <= START + timedelta(minutes=published[0])
    assert found.upper_ends_at <= START + timedelta(minutes=published[1])


def test_the_waits_for_bleed_air_run_from_the_end_of_the_treatment() -> None:
    protection = treated(engine_wait_min=1.0, apu_wait_min=5.0, waits_source="common practice, no source")
    assert reading(protection, 3).engine_bleed_wait_ends is None, "the treatment has not ended"
    second = timedelta(seconds=1)
    over = reading(with_end_of_treatment(protection, at(6) - second), 7)
    assert over.engine_bleed_wait_ends == at(7)
    assert over.apu_bleed_wait_ends == at(11)
    unknown = replace(with_end_of_treatment(protection, at(6)), engine_wait_min=None)
    assert reading(unknown, 7).engine_bleed_wait_ends is None, "without a value no time"
    half = replace(with_end_of_treatment(protection, at(6) - second), engine_wait_min=1.5)
    assert reading(half, 7).engine_bleed_wait_ends == at(8), "never read as over before it is"


def test_an_end_that_is_typed_to_the_minute_may_have_been_its_last_second() -> None:
    protection = treated(engine_wait_min=1.0, apu_wait_min=5.0, waits_source="common practice, no source")
    typed = reading(with_end_of_treatment(protection, at(6)), 7)
    latest = at(6) + timedelta(seconds=59)
    for waited, minutes in ((typed.engine_bleed_wait_ends, 1), (typed.apu_bleed_wait_ends, 5)):
        assert waited is not None
        assert latest + timedelta(minutes=minutes) <= waited <= latest + timedelta(minutes=minutes + 1)
    assert typed.lower_ends_at == reading(protection, 7).lower_ends_at, "the holdover time runs from its own start"


def test_a_treatment_does_not_end_before_it_began() -> None:
    with pytest.raises(ValueError, match="before its final application began"):
        with_end_of_treatment(treated(), at(-1))


def test_heavier_snow_shortens_and_is_told_once_with_the_minutes_before_and_after() -> None:
    protection = treated(report(-22, visibility="9999"), fluid=FluidType.III, mix="100/0")
    before = reading(protection, 2)
    protection, change = hears(protection, report(8, "SN", visibility="2500"), 8)
    assert change is not None
    assert change.kind == "shortened"
    assert before.lower_ends_at is not None
    assert change.minutes_before == int((before.lower_ends_at - at(8)).total_seconds() // 60)
    assert change.minutes_after is not None
    assert change.minutes_after < change.minutes_before
    assert "Pre-take-off check inside the holdover time" in change.next_step
    again, repeated = hears(protection, report(8, "SN", visibility="2500"), 9)
    assert repeated is None
    assert again == protection


def test_better_weather_lengthens_nothing() -> None:
    protection = treated(report(-22, "SN", visibility="2500"))
    before = reading(protection, 5).lower_ends_at
    assert before is not None
    protection, change = hears(protection, report(8, "-SN", visibility="9999"), 8)
    assert change is None
    assert reading(protection, 8).lower_ends_at == before
    protection, change = hears(protection, report(18, "", visibility="CAVOK"), 18)
    assert change is None
    assert reading(protection, 18).lower_ends_at == before


def test_freezing_rain_loses_the_protection_at_once_and_for_good() -> None:
    protection, change = hears(treated(), report(8, "FZRA"), 8)
    assert change is not None
    assert (change.kind, change.minutes_after) == ("lost", None)
    assert change.clocks.standing is Standing.NONE
    assert change.next_step.startswith("Hold: no take-off on the tables")
    protection, again = hears(protection, report(20, "-SN"), 20)
    assert again is None
    assert reading(protection, 20).standing is Standing.NONE
    assert reading(protection, 20).lower_ends_at is None


def test_heavy_snow_asks_for_the_special_approval() -> None:
    protection, change = hears(treated(), report(8, "+SN", visibility="0400"), 8)
    assert change is not None
    assert change.clocks.standing is Standing.SPECIAL
    assert "special approval" in change.next_step
    _, worse = hears(protection, report(12, "FZRA"), 12)
    assert worse is not None, "whoever has that approval must hear that it covers nothing now"
    assert worse.clocks.standing is Standing.NONE


def test_snow_that_begins_after_a_dry_start_counts_from_the_start() -> None:
    protection = treated(report(-22, "", visibility="9999"))
    assert reading(protection, 3).standing is Standing.NO_LIMIT
    assert reading(protection, 3).ends_at is None
    protection, change = hears(protection, report(8), 8)
    assert change is not None
    assert (change.kind, change.minutes_before) == ("shortened", None)
    assert change.clocks.lower_ends_at == START + timedelta(minutes=change.clocks.lower_min or 0)


def test_ice_pellets_leave_an_allowance_time_that_no_check_extends() -> None:
    protection, change = hears(treated(), report(8, "-PL", visibility="4000"), 8)
    assert change is not None
    assert change.kind == "lost"
    assert change.clocks.standing is Standing.ALLOWANCE
    assert change.clocks.lower_ends_at is None
    end = change.clocks.allowance_ends_at
    assert end is not None
    protection, over = hears(protection, None, (end - START).total_seconds() / 60)
    assert over is not None
    assert over.kind == "lost"
    assert "never extended by a check" in over.next_step
    assert "complete new treatment" in over.next_step


def test_running_out_is_told_once() -> None:
    protection = treated()
    end = reading(protection, 1).lower_min
    assert end is not None
    protection, early = hears(protection, None, end - 0.1)
    assert early is None
    protection, change = hears(protection, None, end)
    assert change is not None
    assert (change.kind, change.minutes_before, change.minutes_after) == ("lost", 0, 0)
    assert change.clocks.standing is Standing.OVER
    _, again = hears(protection, report(end + 5), end + 5)
    assert again is None


def test_after_the_end_the_check_counts_only_by_the_rule_of_the_authority() -> None:
    long = treated(report(-22, "-SN", visibility="9999"))
    minutes = reading(long, 0).lower_min or 0
    assert minutes >= 20
    over = reading(long, minutes + 1)
    assert why_no_check(long, over) is None
    assert "within 5 minutes before the take-off, once only" in next_step(long, over)

    type_one = treated(fluid=FluidType.I, mix=None)
    over = reading(type_one, 60)
    assert why_no_check(type_one, over) == "not with Type I"
    assert next_step(type_one, over).startswith("Return for a complete new treatment")
    assert why_no_check(replace(type_one, authority="FAA"), over) is None
    assert why_no_check(replace(type_one, authority="Somebody else"), over) == "not with Type I"

    short = treated(report(-22, "-FZRA", temp="M05/M06"), mix="75/25")
    found = reading(short, 110)
    assert found.lower_min is not None
    assert found.lower_min < 20
    assert "less than 20" in (why_no_check(short, found) or "")


def test_a_blind_station_stops_the_minutes_and_they_go_on_when_it_sees() -> None:
    protection = treated()
    end = reading(protection, 5).lower_ends_at
    blind, change = hears(with_sight(protection, blind=True), None, 10)
    assert change is None
    found = reading(blind, 10)
    assert (found.standing, found.lower_ends_at, found.lower_min) == (Standing.BLIND, None, None)
    assert "enter what you see" in next_step(blind, found)
    seeing, change = hears(with_sight(blind, blind=False), report(12), 12)
    assert change is None
    assert reading(seeing, 12).lower_ends_at == end
    assert (seeing.blind, seeing.was_blind) == (False, True)
    assert with_sight(seeing, blind=False) is seeing


def test_what_runs_out_while_the_station_is_blind_is_told_all_the_same() -> None:
    protection = replace(treated(), blind=True)
    _, change = hears(protection, None, 200)
    assert change is not None
    assert change.clocks.standing is Standing.OVER


def test_a_report_that_leaves_the_weather_open_stops_the_minutes_until_the_next() -> None:
    protection, change = hears(treated(), report(8, "-SN", visibility="////"), 8)
    assert change is None
    assert reading(protection, 8).standing is Standing.UNKNOWN
    assert reading(protection, 8).lower_ends_at is None
    protection, _ = hears(protection, report(12), 12)
    found = reading(protection, 12)
    assert found.standing is Standing.RUNNING
    assert len(found.unsure) == 1, "what was open stays said"


def test_tables_out_of_season_give_no_minutes_but_still_say_where_no_time_exists() -> None:
    protection = treated(training=False)
    found = reading(protection, 5)
    assert (found.standing, found.lower_min, found.ends_at) == (Standing.OUT_OF_SEASON, None, None)
    assert "this season's official table" in next_step(protection, found)
    _, change = hears(protection, report(8, "FZRA"), 8)
    assert change is not None
    assert change.clocks.standing is Standing.NONE


def test_what_was_certain_outweighs_figures_that_may_not_be_shown() -> None:
    dry = treated(report(-22, "", visibility="9999"), training=False)
    snow, _ = hears(dry, report(8), 8)
    found = reading(snow, 8)
    assert found.standing is Standing.OUT_OF_SEASON
    assert found.worst is not None
    assert "out of season" in found.worst.holdover.why, "and not that nothing falls"
    heavy, _ = hears(snow, report(12, "+SN", visibility="0400"), 12)
    later, change = hears(heavy, report(20), 20)
    assert change is None
    assert reading(later, 20).standing is Standing.SPECIAL


def test_what_the_crew_sees_counts_with_the_temperature_of_the_latest_report() -> None:
    _, change = hears(treated(), Entered(at(6), weather=("+SN",)), 6)
    assert change is not None
    assert change.clocks.standing is Standing.SPECIAL
    _, change = hears(treated(report(-22, visibility="9999")), Entered(at(6), visibility_m=800), 6)
    assert change is not None
    assert change.clocks.worst is not None
    assert change.clocks.worst.seen.by_crew
    assert change.clocks.worst.seen.temp_low_c == -2.5


def test_snow_that_only_the_crew_sees_is_not_measured_by_the_clear_air_of_the_report() -> None:
    clear = report(-12, "", visibility="9999")
    protection = treated(clear, fluid=FluidType.I, mix=None)
    protection, change = hears(protection, Entered(at(1), weather=("SN",)), 1)
    found = reading(protection, 2)
    assert change is None
    assert (found.standing, found.lower_min, found.lower_ends_at) == (Standing.UNKNOWN, None, None)
    assert "how far you see in the snow" in next_step(protection, found)
    later = with_report(protection, report(18, "", visibility="9999"), XNOR)
    assert reading(later, 18).standing is Standing.UNKNOWN, "a report without snow does not measure it"
    measured = with_entry(protection, Entered(at(2), visibility_m=2000))
    both = with_entry(treated(clear, fluid=FluidType.I, mix=None), Entered(at(2), ("SN",), 2000))
    assert reading(measured, 2).standing is Standing.RUNNING
    assert reading(measured, 2).lower_min == reading(both, 2).lower_min
    assert (reading(measured, 2).worst or found.worst).seen.weather == ("SN",)  # type: ignore[union-attr]
    by_report = with_report(protection, report(18, "SN", visibility="2000"), XNOR)
    assert reading(by_report, 2).standing is Standing.RUNNING


BETWEEN: dict[str, tuple[Observation | Entered, ...]] = {
    "a report without snow": (report(8, "", visibility="9999"),),
    "a colder report without snow, then one as before": (
        report(8, "", visibility="9999", temp="M12/M14"),
        report(9, "", visibility="9999"),
    ),
    "frost": (Entered(at(6), active_frost=True),),
    "frost, then a report with mist": (Entered(at(6), active_frost=True), report(8, "BR", visibility="3000")),
    "a report without snow, then frost": (report(8, "", visibility="9999"), Entered(at(9), active_frost=True)),
    "other weather": (Entered(at(6), weather=("BR",)),),
    "snow that nobody measured": (report(7, "SN", visibility="////"), report(8, "", visibility="9999")),
}


def stood_in(protection: Protection, news: Iterable[Observation | Entered]) -> Protection:
    for each in news:
        protection = with_entry(protection, each) if isinstance(each, Entered) else with_report(protection, each, XNOR)
    return protection


@pytest.mark.parametrize("between", BETWEEN)
def test_a_visibility_measures_the_snow_that_the_crew_saw_whatever_came_between(between: str) -> None:
    clear = treated(report(-12, "", visibility="9999"))
    waiting = stood_in(clear, [Entered(at(5), weather=("-SN",)), *BETWEEN[between]])
    assert reading(waiting, 9).wants_visibility
    measured = reading(with_entry(waiting, Entered(at(10), visibility_m=2000)), 11)
    both = reading(stood_in(clear, [Entered(at(5), ("-SN",), 2000), *BETWEEN[between]]), 11)
    assert not measured.wants_visibility
    assert (measured.standing, both.standing) == (Standing.RUNNING, Standing.RUNNING)
    assert both.lower_min is not None
    assert (measured.lower_min, measured.upper_min) == (both.lower_min, both.upper_min)


@pytest.mark.parametrize("temp", ["01/M01", "M12/M14"])
def test_such_snow_counts_at_the_temperature_of_then_and_at_that_of_now(temp: str) -> None:
    clear = treated(report(-12, "", visibility="9999"))
    later = report(8, "", visibility="9999", temp=temp)
    apart = stood_in(clear, [Entered(at(5), ("-SN",)), later, Entered(at(10), visibility_m=3000)])
    then = stood_in(clear, [Entered(at(5), ("-SN",), 3000), later])
    now = stood_in(clear, [later, Entered(at(10), ("-SN",), 3000)])
    minutes = [reading(each, 11).lower_min for each in (then, now)]
    assert None not in minutes
    assert reading(apart, 11).lower_min == min(filter(None, minutes))


def test_a_visibility_after_a_report_with_snow_is_of_that_snow() -> None:
    protection = stood_in(
        treated(report(-12, "", visibility="9999")),
        [Entered(at(5), weather=("PLSN",)), report(8, "-SN", visibility="4000"), Entered(at(10), visibility_m=2000)],
    )
    assert max(protection.seen, key=lambda each: each.last_at).weather == ("-SN",)


def test_a_shorter_visibility_worsens_the_snow_that_the_crew_measured_before() -> None:
    clear = treated(report(-12, "", visibility="9999"))
    first = stood_in(clear, [Entered(at(5), ("-SN",), 4000), report(8, "", visibility="9999")])
    worse = with_entry(first, Entered(at(10), visibility_m=1200))
    both = with_entry(first, Entered(at(10), ("-SN",), 1200))
    assert reading(worse, 11).lower_min == reading(both, 11).lower_min
    assert (reading(worse, 11).lower_min or 0) < (reading(first, 11).lower_min or 0)


def test_a_visibility_after_other_weather_that_the_crew_saw_is_not_of_the_measured_snow_before() -> None:
    clear = treated(report(-12, "", visibility="9999"))
    protection = stood_in(clear, [Entered(at(5), ("-SN",), 4000), Entered(at(8), ("BR",)), Entered(at(10), None, 1200)])
    assert max(protection.seen, key=lambda each: each.last_at).weather == ("BR",)


@pytest.mark.parametrize("weather", ["SG", "RASN", "PLSN", "-SN"])
def test_snow_in_a_mixture_and_light_snow_want_their_visibility_too(weather: str) -> None:
    protection = with_entry(treated(report(-12, "", visibility="9999")), Entered(at(2), weather=(weather,)))
    found = reading(protection, 3)
    assert found.standing in {Standing.UNKNOWN, Standing.NONE}
    assert found.lower_ends_at is None


def test_snow_that_the_report_has_too_is_measured_by_its_visibility() -> None:
    found = reading(with_entry(treated(report(-12, "-SN", visibility="2000")), Entered(at(2), weather=("SN",))), 3)
    assert found.standing is Standing.RUNNING


def test_heavy_snow_that_the_crew_sees_needs_no_visibility_to_be_lost() -> None:
    protection = with_entry(treated(report(-12, "", visibility="9999")), Entered(at(2), weather=("+SN",)))
    assert reading(protection, 3).standing is Standing.SPECIAL


def test_frost_that_the_crew_sees_gives_a_time_where_nothing_falls() -> None:
    protection = treated(report(-22, "", visibility="9999"))
    protection, change = hears(protection, Entered(at(6), active_frost=True), 6)
    assert change is not None
    assert change.kind == "shortened"
    assert change.clocks.lower_min == change.clocks.upper_min


def test_an_entry_before_any_report_gives_no_minutes() -> None:
    protection = replace(treated(), seen=(), announced=None)
    protection, _ = hears(protection, Entered(at(2), weather=("-SN",), visibility_m=4000), 2)
    assert reading(protection, 2).standing is Standing.UNKNOWN


def test_weather_from_before_the_report_in_force_does_not_count() -> None:
    first = report(-12)
    protection = treated(first)
    assert protection.counts_from == first.observed_at
    assert with_report(protection, report(-42, "FZRA"), XNOR) == protection
    assert with_report(protection, report(-5, "FZRA"), XNOR) != protection, "nearer to the start it counts"
    assert counts_from(START, []) == START - timedelta(minutes=90)
    assert counts_from(START, [at(-200), at(5)]) == START - timedelta(minutes=90)


def test_freezing_rain_that_had_fallen_before_the_report_counts() -> None:
    after = report(8)
    lately = after._replace(recent_weather=("FZRA",))
    protection, change = hears(treated(), lately, 8)
    assert change is not None
    assert change.clocks.standing is Standing.NONE
    snow = after._replace(recent_weather=("SN",))
    protection, change = hears(treated(), snow, 8)
    assert change is None
    found = reading(protection, 8)
    assert found.standing is Standing.RUNNING, "how heavy it was is not known, and said"
    assert len(found.unsure) == 1


SENSED = "00000KT 10SM OVC010 M02/M03 A2992"


def sensed(observed: str, rest: str) -> Observation:
    """Return an American report of the 12th: the start is at 0512Z."""
    decoded = decode_report(f"METAR XNOR 12{observed}Z {SENSED} {rest}", received_at=at(60))
    assert isinstance(decoded, Observation)
    return decoded


def test_freezing_rain_that_only_a_remark_tells_of_loses_the_protection() -> None:
    dry = treated(report(-12, "", visibility="9999"))
    found = reading(with_report(dry, sensed("0553", "RMK AO2 FZRAB15E40"), XNOR), 45)
    assert found.standing is Standing.NONE
    assert found.worst is not None
    assert found.worst.seen.recent
    by_group = reading(with_report(dry, sensed("0553", "REFZRA"), XNOR), 45)
    assert by_group.standing is found.standing


@pytest.mark.parametrize("remark", ["FZRAB00E10", "FZRAB00E12"])
def test_what_had_ended_when_the_application_began_did_not_fall_on_it(remark: str) -> None:
    dry = treated(report(-12, "", visibility="9999"))
    found = reading(with_report(dry, sensed("0553", f"RMK AO2 {remark}"), XNOR), 45)
    assert found.standing is Standing.NO_LIMIT
    assert not found.unsure


@pytest.mark.parametrize("minutes", [-12, 0])
def test_what_had_fallen_before_the_report_at_the_start_does_not_count(minutes: int) -> None:
    first = report(minutes, "", visibility="9999")._replace(recent_weather=("FZRA",))
    assert reading(treated(first), 1).standing is Standing.NO_LIMIT
    later = report(minutes + 20, "", visibility="9999")._replace(recent_weather=("FZRA",))
    assert reading(with_report(treated(first), later, XNOR), 21).standing is Standing.NONE


def test_snow_that_fell_unmeasured_after_the_start_leaves_no_word_of_no_limit() -> None:
    dry = treated(report(-12, "", visibility="9999"))
    assert reading(dry, 45).standing is Standing.NO_LIMIT
    found = reading(with_report(dry, sensed("0553", "RESN"), XNOR), 45)
    assert (found.standing, found.lower_ends_at) == (Standing.UNKNOWN, None)
    assert len(found.unsure) == 1


def test_day_is_day_only_where_the_sun_is_still_up_an_hour_later() -> None:
    """At 60.2 N on 12 January the sun sets at about 1456 UTC (memory)."""
    noon, afternoon, night = 7 * 60 - 12, 9 * 60 + 18, 12 * 60
    assert [seen_in(report(minutes), XNOR, START)[0].night for minutes in (noon, afternoon, night)] == [
        False,
        None,
        True,
    ]
    assert seen_in(report(noon), replace(XNOR, latitude_deg=None), START)[0].night is None


def test_flaps_set_for_the_treatment_shorten_every_time() -> None:
    """0.76 of a time, rounded down (FAA guidance: memory)."""
    minutes = reading(treated(), 0).lower_min
    assert minutes is not None
    assert reading(treated(flaps_set=True), 0).lower_min == minutes * 76 // 100


def test_what_has_ended_moves_no_more() -> None:
    protection = ended(treated(), Ending.TOOK_OFF, at(20))
    assert ended(protection, Ending.RETURNED, at(25)) == protection
    assert hears(protection, report(30, "FZRA"), 30) == (protection, None)
    assert reading(protection, 30).standing is Standing.ENDED
    assert reading(protection, 30).ends_at is None


def test_after_twelve_hours_it_ends_by_itself() -> None:
    protection, change = hears(treated(), None, LONGEST.total_seconds() / 60)
    assert change is None
    assert protection.ending is Ending.EXPIRED


def test_reports_of_other_stations_and_without_content_are_passed_over() -> None:
    protection = treated()
    assert with_report(protection, report(8, "FZRA")._replace(station="XBAY"), XNOR) == protection
    assert with_report(protection, report(8, "FZRA")._replace(nil=True), XNOR) == protection


@pytest.mark.parametrize("place", list(Place))
def test_the_shipped_checklists_go_on_from_what_is_known_to_be_done(place: Place) -> None:
    sheet = load_procedure(place)
    during = checklist_step(sheet, treated(), Standing.RUNNING)
    assert during is not None
    assert Clock.TREATMENT_END in during.starts
    done = with_end_of_treatment(treated(), at(6))
    after = checklist_step(sheet, done, Standing.RUNNING)
    assert after is not None
    assert after.phase is Phase.AFTER
    for standing in (Standing.OVER, Standing.NONE, Standing.BLIND, Standing.UNKNOWN):
        step = checklist_step(sheet, done, standing)
        assert step is not None
        assert step.when.holdover is HoldoverState.OVER


def test_a_checklist_without_a_step_for_that_goes_on_in_its_order() -> None:
    sheet = load_procedure(Place.PAD)
    short = replace(sheet, items=tuple(item for item in sheet.items if item.when.holdover is None))
    done = with_end_of_treatment(treated(), at(6))
    assert checklist_step(short, done, Standing.OVER) == checklist_step(short, done, Standing.RUNNING)
    last = replace(sheet, items=tuple(item for item in sheet.items if item.phase is not Phase.AFTER))
    assert checklist_step(last, done, Standing.RUNNING) is None

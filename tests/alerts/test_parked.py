"""Parked aircraft: asked about their next departure, the most likely frosted first, and none left out."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.alerts.desk import Desk
from tests.alerts.scenes import XNOR, at
from watcher.alerts.latest import question_of
from watcher.alerts.model import Contaminant, ParkedLine
from watcher.alerts.parked import Parked, parked_lines
from watcher.outlook.night.ensemble import nights
from watcher.outlook.night.model import Aircraft
from watcher.reports.station import Station

OSLO = "Europe/Oslo"
XBAY = Station("XBAY", "Bayhaven", None, 58.40, 6.30, 12.0, OSLO)
XFEL = Station("XFEL", "Fellmark", None, 61.70, 9.40, 640.0, OSLO)
XMOR = Station("XMOR", "Moorland", None, None, None, None, None)
EVENING = at("2100")
CLEAR, SNOW = "00000KT CAVOK M01/M03 Q1024", "04006KT 1200 SN OVC008 M04/M05 Q1018"
MILD, RAW = "24015KT 9999 OVC012 09/04 Q1012", "12004KT 9999 SCT030 01/M02 Q1018"


def ship(name: str = "Ship 4", station: str = "XNOR", departs: str = "06:40", zone: str = OSLO, **known) -> Parked:
    return Parked(name, station, time.fromisoformat(departs), zone, Aircraft(**known))


def views_of(*texts: str, observed_at: datetime = EVENING, stations: Sequence[Station] = (XNOR, XBAY, XFEL, XMOR)):
    """Return the stations after these reports, such as "XNOR 00000KT CAVOK M01/M03 Q1024"."""
    desk = Desk(stations=stations)
    desk.turn(observed_at, *(f"{text[:4]} {observed_at:%d%H%M}Z {text[5:]}" for text in texts))
    return desk.views


def one(*texts: str, parked: Parked | None = None, now: datetime = EVENING) -> ParkedLine:
    (line,) = parked_lines(views_of(*texts), [parked or ship()], now)
    return line


def test_the_chance_is_that_of_the_ensemble_at_the_departure_on_the_part_that_has_most_on_it():
    views = views_of(f"XNOR {CLEAR}")
    (line,) = parked_lines(views, [ship()], EVENING)
    (night,) = nights([question_of(views["XNOR"], EVENING, at("0540") + timedelta(days=1))])
    last = {part.part: part.steps[-1] for part in night.parts}
    chances = {
        (name, contaminant): chance
        for name, step in last.items()
        for contaminant, chance in (
            (Contaminant.ACTIVE_FROST, step.p_active_frost),
            (Contaminant.DEPOSIT, step.p_deposit),
            (Contaminant.FROZEN_RESIDUAL, step.p_frozen_residual),
            (Contaminant.PRECIPITATION, step.p_precipitation),
        )
    }
    assert {step.at for step in last.values()} == {line.departs_at} == {at("0540") + timedelta(days=1)}
    assert line.chance == max(chances.values()) == chances[line.part, line.contaminant]
    assert line.chance > 0.5


def test_a_clear_cold_night_reads_as_the_crew_would_say_it():
    line = one(f"XNOR {CLEAR}")
    assert line.headline == f"Ship 4 at XNOR, departs 0540Z (06:40 Europe/Oslo): {line.outcome}"
    assert " % frosted; frost" in line.outcome
    assert "deposit" in line.outcome
    assert line.contaminant in {Contaminant.DEPOSIT, Contaminant.ACTIVE_FROST}
    assert line.why.startswith("At departure on the dry bay: ")
    assert line.why.endswith("Computed from the report of 2100Z and no TAF.")
    assert line.next_step.startswith("Book frost removal ")
    assert (line.zone, line.observed_at) == (OSLO, EVENING)
    begins, gone = line.frost_begins_at, line.deposit_gone_at
    assert begins is not None
    assert EVENING <= begins < line.departs_at
    assert gone is None or gone > begins


def test_frost_that_begins_later_says_when_and_between_which_times():
    line = one(f"XNOR {RAW}")
    assert line.frost_begins_between is not None
    first, last = line.frost_begins_between
    assert line.frost_begins_at is not None
    assert EVENING <= first <= line.frost_begins_at <= last
    assert f"frost from about {line.frost_begins_at:%H%MZ} ({first:%H%MZ}-{last:%H%MZ})" in line.outcome


def test_snow_is_told_as_snow_and_asks_for_treatment_not_for_frost_removal():
    line = one(f"XNOR {SNOW}")
    assert line.contaminant is Contaminant.PRECIPITATION
    assert line.outcome.startswith(("over 99 % with snow or freezing", "99 % with snow or freezing"))
    assert line.next_step == "Book treatment before 0540Z and plan it close to take-off; check by hand first."


def test_freezing_drizzle_is_never_told_as_frost_alone():
    line = one("XNOR 00000KT 3000 FZDZ OVC006 M02/M03 Q1010")
    told, _, _ = line.outcome.partition(";")
    assert told.endswith(" % with snow or freezing precipitation on it")
    assert "frosted" not in told
    assert line.next_step == "Book treatment before 0540Z and plan it close to take-off; check by hand first."


def test_rain_that_may_freeze_is_told_as_frozen_water():
    line = one("XNOR 00000KT 3000 RA OVC006 00/M01 Q1010")
    assert line.contaminant is Contaminant.FROZEN_RESIDUAL
    assert " % with frozen water on it" in line.outcome
    assert line.next_step.startswith("Book treatment before 0540Z; check upper surfaces, hinges and brakes by hand")


def test_a_mild_windy_night_asks_for_no_more_than_the_look_that_is_always_due():
    line = one(f"XNOR {MILD}")
    assert line.chance is not None
    assert line.chance < 0.2
    assert line.outcome.endswith(" % frosted"), "no times of a frost that is not to be expected"
    assert line.next_step == "Check by hand before 0540Z; nothing to book for it now."
    assert line.frost_begins_at is line.deposit_gone_at is None


def test_cold_fuel_and_a_sheltered_stand_count():
    cold, plain, sheltered = (
        one(f"XNOR {RAW}", parked=ship(**known)).chance for known in ({"fuel_c": -15.0}, {}, {"sheltered": 0.1})
    )
    assert cold is not None
    assert plain is not None
    assert sheltered is not None
    assert cold > plain > sheltered


@pytest.mark.parametrize(
    ("parked", "texts", "later", "words"),
    [
        (ship(station="XZZZ"), [], timedelta(), "no report"),
        (ship(), [], timedelta(), "no report"),
        (ship(), [f"XNOR {CLEAR}"], timedelta(hours=6, minutes=1), "the newest report is 6 h 01 min old"),
        (ship(station="XMOR"), [f"XMOR {CLEAR}"], timedelta(), "the position of the station is not known"),
        (ship(), ["XNOR 00000KT CAVOK ///// Q1024"], timedelta(), "no temperature is known"),
    ],
    ids=["a station never heard of", "no report", "blind with old data", "no position", "no temperature"],
)
def test_what_cannot_be_computed_is_said_and_never_left_out(parked, texts, later, words):
    (line,) = parked_lines(views_of(*texts), [parked], EVENING + later)
    assert line.chance is line.contaminant is line.part is None
    assert line.outcome == f"chance of frost not known, {words}"
    assert line.headline.endswith(f"departs 0540Z (06:40 Europe/Oslo): {line.outcome}")
    assert line.why.startswith(f"It cannot be computed: {words}.")
    assert line.next_step.startswith("Check by hand before 0540Z"), "not known is not clear"


def test_a_blind_station_with_data_of_some_hours_is_computed_and_says_so():
    desk = Desk(stations=[XNOR])
    desk.hear("2100", f"XNOR 122100Z {CLEAR}")
    desk.hear("2300")
    (line,) = parked_lines(desk.views, [ship()], at("2300"))
    assert desk.views["XNOR"].state.blind_since is not None
    assert line.chance is not None
    assert line.why.endswith("The station is blind since 2300Z.")


def test_a_taf_that_has_ended_is_not_counted_on():
    desk = Desk(stations=[XNOR])
    desk.hear("0505", "TAF XNOR 120500Z 1206/1215 24020KT 9999 OVC010 TX10/1212Z TN08/1206Z")
    desk.hear("2100", f"XNOR 122100Z {CLEAR}")
    (line,) = parked_lines(desk.views, [ship()], EVENING)
    assert line.why.endswith("Computed from the report of 2100Z and no TAF.")


def test_what_is_not_known_stands_before_what_is_as_likely_as_not_and_after_what_is_likelier():
    views = views_of(f"XNOR {SNOW}", f"XFEL {MILD}")
    fleet = [ship("Ship 1", "XFEL"), ship("Ship 2", "XBAY"), ship("Ship 3", "XNOR")]
    assert [line.name for line in parked_lines(views, fleet, EVENING)] == ["Ship 3", "Ship 2", "Ship 1"]


AIR = st.tuples(st.integers(-12, 8), st.integers(0, 6)).map(
    lambda pair: f"{_degrees(pair[0])}/{_degrees(pair[0] - pair[1])}"
)
SKIES = st.tuples(st.sampled_from(["00000KT CAVOK", "18008KT 9999 OVC015", "09003KT 3000 -SN OVC008"]), AIR)


def _degrees(value: int) -> str:
    return f"M{-value:02d}" if value < 0 else f"{value:02d}"


@settings(max_examples=15)
@given(
    st.lists(SKIES.map(lambda sky: f"{sky[0]} {sky[1]} Q1015"), min_size=2, max_size=2),
    st.lists(
        st.tuples(st.sampled_from(["XNOR", "XBAY", "XFEL", "XMOR"]), st.sampled_from(["22:30", "05:40", "20:00"])),
        min_size=1,
        max_size=6,
    ),
)
def test_the_order_is_that_of_the_chances_for_any_fleet_and_does_not_depend_on_how_it_is_listed(skies, fleet):
    views = views_of(*(f"{code} {sky}" for code, sky in zip(("XNOR", "XBAY"), skies, strict=True)))
    parked = [ship(f"Ship {number}", station, departs) for number, (station, departs) in enumerate(fleet)]
    lines = parked_lines(views, parked, EVENING)
    assert sorted(line.name for line in lines) == sorted(item.name for item in parked)
    ranks = [0.5 if line.chance is None else line.chance for line in lines]
    assert ranks == sorted(ranks, reverse=True)
    assert all(line.chance is None or 0 <= line.chance <= 1 for line in lines)
    assert all(EVENING < line.departs_at <= EVENING + timedelta(days=1) for line in lines)
    assert parked_lines(views, parked[::-1], EVENING) == lines


# Europe/Oslo changes its clocks at 0100Z on 29 March and 25 October 2026 (Directive 2000/84/EC: the last Sundays).
@pytest.mark.parametrize(
    ("now", "departs", "expected"),
    [
        (datetime(2026, 3, 27, 20, tzinfo=UTC), "06:40", datetime(2026, 3, 28, 5, 40, tzinfo=UTC)),
        (datetime(2026, 3, 28, 20, tzinfo=UTC), "06:40", datetime(2026, 3, 29, 4, 40, tzinfo=UTC)),
        (datetime(2026, 3, 28, 20, tzinfo=UTC), "02:30", datetime(2026, 3, 29, 1, 0, tzinfo=UTC)),
        (datetime(2026, 10, 24, 20, tzinfo=UTC), "02:30", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
        (datetime(2026, 10, 24, 20, tzinfo=UTC), "06:40", datetime(2026, 10, 25, 5, 40, tzinfo=UTC)),
    ],
    ids=["winter", "first day of summer", "a time that is skipped", "a time that is read twice", "winter again"],
)
def test_the_departure_is_wall_time_over_both_changes_of_the_clocks(now, departs, expected):
    (line,) = parked_lines({}, [ship(departs=departs)], now)
    assert line.departs_at == expected


def test_a_departure_that_has_just_gone_is_asked_about_tomorrow_with_its_day():
    (line,) = parked_lines({}, [ship()], at("0540"))
    assert line.departs_at == at("0540") + timedelta(days=1)
    assert line.headline.startswith("Ship 4 at XNOR, departs 13/0540Z (06:40 Europe/Oslo): ")


def test_local_time_is_left_out_where_the_clock_reads_the_same():
    (line,) = parked_lines({}, [ship(departs="05:40", zone="UTC")], at("0500"))
    assert line.headline.startswith("Ship 4 at XNOR, departs 0540Z: ")


def test_two_aircraft_alike_at_one_place_have_the_same_chance_and_stand_by_name():
    views = views_of(f"XNOR {RAW}")
    second, first = ship("Ship B"), ship("Ship A")
    lines = parked_lines(views, [second, first], EVENING)
    assert [line.name for line in lines] == ["Ship A", "Ship B"]
    assert replace(lines[0], name="", headline="") == replace(lines[1], name="", headline="")


def test_whoever_lists_no_aircraft_never_loads_the_arrays():
    code = (
        "import sys\n"
        "from tests.alerts.desk import Desk\n"
        "from tests.alerts.test_digests import listing\n"
        "desk = Desk(listing('06:00'))\n"
        "desk.hear('0550', 'XNOR 120550Z 00000KT CAVOK M01/M03 Q1024')\n"
        "assert desk.hear('0600') == [('duty', 'digest')]\n"
        "print('numpy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "False"

"""The shipped rules, as a dispatcher and a de-icing coordinator would question them."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from tests.reports.open_data import cache_columns, common_reports
from watcher.reports.decode import decode_report
from watcher.reports.model import Observation
from watcher.reports.station import Station
from watcher.rulebook.facts import Facts
from watcher.rulebook.history import Moment
from watcher.rulebook.observed import observed_facts
from watcher.rulebook.words import Flag, Kind, Level, NoTime
from watcher.service.rules_folder import load_rulebook

BOOK = load_rulebook()
XNOR = Station("XNOR", "Northby", None, 60.20, 11.10, 210.0, "Europe/Oslo")
NOW = datetime(2026, 1, 12, 5, 55, tzinfo=UTC)


def seen(body: str, station: Station = XNOR, history: tuple[Moment, ...] = ()) -> Facts:
    decoded = decode_report(f"METAR XNOR 120550Z {body}", received_at=NOW)
    assert isinstance(decoded, Observation), decoded
    return observed_facts(decoded, station=station, history=history, now=NOW)


def worst(facts: Facts) -> dict[Flag, tuple[Level, NoTime | None]]:
    """The highest level of each flag that a report raises."""
    found: dict[Flag, tuple[Level, NoTime | None]] = {}
    for rule in BOOK.of_kind(Kind.OBSERVED):
        if rule.when.judge(facts).enter and rule.level > found.get(rule.flag, (0, None))[0]:
            found[rule.flag] = (rule.level, rule.no_time)
    return found


NONE, ALLOWANCE, SPECIAL = NoTime.NONE, NoTime.ALLOWANCE, NoTime.SPECIAL


@pytest.mark.parametrize(
    ("body", "flag", "no_time"),
    [
        # Transport Canada holdover guidelines 2003-04, table 3 (rows "other"); FAA FSAT 99-07.
        ("15006KT 3000 FZRA OVC006 M01/M02 Q1011", Flag.FREEZING_PRECIPITATION, NONE),
        ("15006KT 3000 +FZRA OVC006 M01/M02 Q1011", Flag.FREEZING_PRECIPITATION, NONE),
        ("15006KT 3000 -FZRA OVC006 M12/M13 Q1011", Flag.FREEZING_PRECIPITATION, NONE),
        ("15006KT 3000 -FZDZ OVC006 M12/M13 Q1011", Flag.FREEZING_PRECIPITATION, NONE),
        ("15006KT 3000 TSGR OVC006CB 06/05 Q1011", Flag.NO_HOLDOVER, NONE),
        ("15006KT 0600 +SN OVC006 M01/M02 Q1011", Flag.SNOW, SPECIAL),
        # Transport Canada TP 10643E (2004): heavy by the chart, by night at -1 °C and above, 1 SM and less.
        ("15006KT 1600 -SN OVC006 M01/M02 Q1011", Flag.SNOW, SPECIAL),
        # FAA 2006-07: ice pellets have allowance times; FAA N 8900.275: small hail as moderate ice pellets.
        ("15006KT 3000 -PL OVC006 M01/M02 Q1011", Flag.NO_HOLDOVER, ALLOWANCE),
        ("15006KT 3000 PL OVC006 M01/M02 Q1011", Flag.NO_HOLDOVER, ALLOWANCE),
        ("15006KT 3000 SHGS OVC006CB 01/M02 Q1011", Flag.NO_HOLDOVER, ALLOWANCE),
        # Memory.
        ("15006KT 3000 +PL OVC006 M01/M02 Q1011", Flag.NO_HOLDOVER, NONE),
        ("15006KT 3000 +FZDZ OVC006 M01/M02 Q1011", Flag.FREEZING_PRECIPITATION, NONE),
        ("15006KT 3000 RASN OVC006 01/00 Q1011", Flag.SNOW, NONE),
        ("15006KT 3000 -FZRASN OVC006 M01/M02 Q1011", Flag.FREEZING_PRECIPITATION, NONE),
        ("AUTO 15006KT 3SM UP OVC006 M01/M02 A2990 RMK AO2", Flag.NO_HOLDOVER, NONE),
        ("AUTO 15006KT 3SM FZUP OVC006 M01/M02 A2990 RMK AO2", Flag.FREEZING_PRECIPITATION, NONE),
    ],
)
def test_weather_without_a_holdover_time_is_no_time_and_says_which_kind(body, flag, no_time):
    assert worst(seen(body))[flag] == (Level.NO_TIME, no_time)


@pytest.mark.parametrize(
    ("body", "flag"),
    [
        # Rows of metar groups with a holdover column: Transport Canada TP 10643E (2004) and guidelines 2003-04.
        ("15006KT 3000 -FZRA OVC006 M05/M06 Q1011", Flag.FREEZING_PRECIPITATION),
        ("15006KT 3000 FZDZ OVC006 M05/M06 Q1011", Flag.FREEZING_PRECIPITATION),
        ("15006KT 6000 -SN OVC006 M05/M06 Q1011", Flag.SNOW),
        ("15006KT 6000 -SHSN OVC006 M05/M06 Q1011", Flag.SNOW),
        ("15006KT 6000 SG OVC006 M05/M06 Q1011", Flag.SNOW),
        ("15006KT 0400 FZFG OVC001 M05/M06 Q1011", Flag.FREEZING_FOG),
        # FAA layout before 2009: rain at or below 0 °C goes to the freezing columns.
        ("15006KT 6000 RA OVC006 00/M00 Q1011", Flag.FREEZING_PRECIPITATION),
        # Memory: light snow with rain as light freezing rain.
        ("15006KT 6000 -RASN OVC006 01/00 Q1011", Flag.SNOW),
    ],
)
def test_weather_with_a_holdover_column_is_treat_and_no_more(body, flag):
    assert worst(seen(body))[flag] == (Level.TREAT, None)


@pytest.mark.parametrize(
    "body",
    [
        "15006KT 9999 VCSH SCT020 01/M03 Q1011",
        "15006KT CAVOK 20/05 Q1011",
        "24025KT 5000 +TSRAGR OVC020CB 24/19 Q1011",
        "24025KT 9999 SHRAGS SCT020CB 09/04 Q1011",
        "24025KT 9999 DRSN SCT020 M12/M16 Q1011",
        "32009KT 9999 IC SKC M31/M34 Q1035",
        "00000KT 0300 FG VV001 04/04 Q1025",
        "12009KT 8000 MIFG SKC M02/M02 Q1025",
        "24015KT 9999 OVC030 02/M01 Q1011",
        "15006KT 6000 RA OVC010 04/03 Q1006",
    ],
)
def test_what_would_only_annoy_stays_below_prepare(body):
    assert all(level < Level.PREPARE for level, _ in worst(seen(body)).values()), worst(seen(body))


def test_one_weather_is_told_under_one_flag():
    snow = worst(seen("15012KT 3000 -SN OVC012 M04/M06 Q1019"))
    assert {flag for flag, (level, _) in snow.items() if level >= Level.PREPARE} == {Flag.SNOW}
    drizzle = worst(seen("15012KT 3000 -FZDZ OVC012 M04/M06 Q1019"))
    assert {flag for flag, (level, _) in drizzle.items() if level >= Level.PREPARE} == {Flag.FREEZING_PRECIPITATION}


@pytest.mark.parametrize("light", ["-FZRA", "-FZDZ", "-SN", "-RASN"])
def test_heavier_weather_keeps_the_flag_that_lighter_weather_had(light):
    """Otherwise getting worse would read as having ended."""
    heavy = light.replace("-", "+")
    flags = [set(worst(seen(f"15006KT 2000 {group} OVC006 M01/M02 Q1011"))) for group in (light, heavy)]
    assert flags[0] <= flags[1]


@pytest.mark.parametrize("temp", ["03/02", "00/M00", "M09/M10"])
def test_weather_that_cannot_be_told_near_freezing_is_never_denied(temp):
    facts = seen(f"AUTO 15006KT 9999 // OVC010 {temp} Q1011")
    falling = {"RA", "DZ", "SN", "SG", "PL", "GR", "GS", "UP", "FZRA", "FZDZ", "FZUP"}
    for rule in BOOK.of_kind(Kind.OBSERVED):
        leaves = rule.when.reasons(facts, held=False).because
        asks = {code.split()[-1].lstrip("+-") for leaf in leaves if leaf.field == "weather" for code in leaf.threshold}
        if asks & falling and all(leaf.verdict is not False for leaf in leaves):
            assert rule.when.judge(facts).enter is None, rule.name
    assert BOOK.rules


def test_a_sensor_that_is_off_hides_freezing_rain_but_does_not_hold_on_to_snow():
    facts = seen("AUTO 15006KT 10SM OVC010 M01/M03 A2990 RMK AO2 FZRANO")
    verdicts = {rule.name: rule.when.judge(facts).keep for rule in BOOK.of_kind(Kind.OBSERVED)}
    assert verdicts["freezing-rain-or-drizzle"] is None
    assert verdicts["snow"] is False


@pytest.mark.parametrize(
    ("body", "flag"),
    [
        ("AUTO 12005KT 3SM UP OVC040 M A2992 RMK AO2", Flag.NO_HOLDOVER),
        ("AUTO 12005KT 3SM UP OVC040 ///// A2992 RMK AO2", Flag.NO_HOLDOVER),
        ("12005KT 3000 SHGS OVC040 ///// Q1011", Flag.NO_HOLDOVER),
        ("AUTO 12005KT 3SM -RA OVC040 M A2992 RMK AO2 FZRANO", Flag.FREEZING_PRECIPITATION),
    ],
)
def test_what_may_freeze_is_told_where_the_temperature_is_not_known(body, flag):
    assert worst(seen(body))[flag] == (Level.PREPARE, None)
    warm = body.replace("OVC040 M ", "OVC040 ///// ").replace("/////", "12/09")
    assert worst(seen(warm)).get(flag, (Level.NOTE, None))[0] < Level.PREPARE


@pytest.mark.parametrize("temp", ["M03/M06", "03/M01", "/////"])
def test_weather_that_could_not_be_read_and_may_freeze_is_told(temp):
    assert worst(seen(f"12005KT 3000 -FZRX OVC010 {temp} Q1006"))[Flag.NO_HOLDOVER] == (Level.PREPARE, None)


@pytest.mark.parametrize("weather", ["", "-RA", "RAX"])
def test_weather_that_could_be_read_or_cannot_freeze_asks_nobody_to_read(weather):
    assert Flag.NO_HOLDOVER not in worst(seen(f"12005KT 3000 {weather} OVC010 12/09 Q1006"))


def test_rain_where_the_sensor_is_off_is_read_as_freezing_at_zero_and_warned_of_above():
    at_zero = worst(seen("AUTO 15006KT 5SM -RA OVC010 00/M01 A2990 RMK AO2 FZRANO T00001006"))
    above = worst(seen("AUTO 15006KT 5SM -RA OVC010 02/01 A2990 RMK AO2 FZRANO T00170006"))
    assert at_zero[Flag.FREEZING_PRECIPITATION] == (Level.TREAT, None)
    assert above[Flag.FREEZING_PRECIPITATION] == (Level.PREPARE, None)


def test_after_snow_the_deposit_is_told_until_it_has_had_time_to_be_seen_to():
    before = Moment(NOW - timedelta(minutes=35), routine=True, temp_c=-3.0, precipitation=True, wet=False)
    dry = seen("15006KT 9999 BKN030 M03/M05 Q1011", history=(before,))
    assert worst(dry)[Flag.DEICING_LIKELY] == (Level.TREAT, None)
    snowing = seen("15006KT 3000 -SN BKN030 M03/M05 Q1011", history=(before,))
    assert worst(snowing).get(Flag.DEICING_LIKELY, (Level.NOTE, None))[0] < Level.TREAT


@pytest.mark.parametrize(
    "body",
    ["12005KT 10SM OVC040 M01/M03 A2992 RMK AO2 FZRAB05E45", "12005KT 9999 OVC040 M01/M03 Q1006 REFZRA"],
)
def test_freezing_rain_between_two_reports_leaves_a_deposit(body):
    dry = Moment(NOW - timedelta(minutes=65), routine=True, temp_c=-1.0, precipitation=False, wet=False)
    assert worst(seen(body, history=(dry,)))[Flag.DEICING_LIKELY] == (Level.TREAT, None)


def test_rain_and_then_frost_leaves_frozen_water():
    rain = Moment(NOW - timedelta(hours=1), routine=True, temp_c=1.0, precipitation=True, wet=True)
    assert Flag.FROZEN_RESIDUAL_WATER in worst(seen("15006KT 9999 BKN030 M01/M05 Q1011", history=(rain,)))


def test_the_more_telling_rule_stands_before_the_general_one():
    """Of the rules of one flag and level that hold, the first gives the headline."""
    order = [rule.name for rule in BOOK.rules]
    for special, general in (
        ("moderate-snow", "snow"),
        ("snow-with-rain", "snow"),
        ("freezing-fog-with-deposit", "freezing-fog"),
        ("heavy-ice-pellets", "ice-pellets"),
        ("freezing-rain-or-drizzle", "rain-at-or-below-zero"),
    ):
        assert order.index(special) < order.index(general)


def test_real_freezing_rain_and_snow_are_never_missed():
    """The weather column of the public cache of 18 December 2014 is another decoder's reading of the same reports."""
    groups = {row["raw_text"]: row["wx_string"].split() for row in cache_columns() if row["wx_string"]}
    missed, asked = [], 0
    for sent in common_reports():
        codes = groups.get(sent.text, [])
        freezing = any(re.fullmatch(r"[+-]?FZ(RA|DZ|RADZ|DZRA|UP).*", code) for code in codes)
        snowing = any(re.fullmatch(r"[+-]?(SH|TS)?(RA|DZ|PL|GS|GR)*S[NG].*", code) for code in codes)
        if not freezing and not snowing:
            continue
        asked += 1
        decoded = decode_report(sent.text, received_at=sent.received_at)
        found = worst(observed_facts(decoded, station=XNOR, history=(), now=sent.received_at))
        if freezing and found.get(Flag.FREEZING_PRECIPITATION, (Level.NOTE, None))[0] < Level.TREAT:
            missed.append(sent.text)
        if snowing and found.get(Flag.SNOW, (Level.NOTE, None))[0] < Level.TREAT:
            missed.append(sent.text)
    assert asked > 150
    assert missed == []

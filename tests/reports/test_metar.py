"""METAR and SPECI by the rules that decide safety. Code forms: WMO-No. 306 FM 15/16 and table 4678; FMH-1."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.reports.open_data import common_reports
from watcher.reports import body
from watcher.reports.body import read_body
from watcher.reports.contract import as_contract
from watcher.reports.decode import decode_report
from watcher.reports.groups import read_token
from watcher.reports.identity import text_hash
from watcher.reports.model import Observation, Unreadable
from watcher.reports.weather import matches, parse_weather, split_joined

RECEIVED = datetime(2026, 1, 12, 6, 5, tzinfo=UTC)


def read(body: str, header: str = "XNOR 120550Z") -> Observation:
    seen = decode_report(f"METAR {header} {body}", received_at=RECEIVED)
    assert isinstance(seen, Observation), seen
    return seen


def test_the_contract_example_reads_as_written():
    seen = as_contract(
        decode_report("METAR XNOR 120550Z 00000KT 4000 -SN BR BKN012 01/M01 Q1021 TEMPO 2000 SN", received_at=RECEIVED)
    )
    assert seen["observed_at"] == "2026-01-12T05:50:00Z"
    assert (seen["temp_c"], seen["temp_c_low"], seen["temp_c_high"]) == (1.0, 0.5, 1.5)
    assert (seen["dew_point_c"], seen["dew_point_c_low"], seen["dew_point_c_high"]) == (-1.0, -1.5, -0.5)
    assert (seen["wind_kt"], seen["wind_from_deg"], seen["gust_kt"]) == (0.0, None, None)
    assert (seen["visibility_m"], seen["visibility_bound"]) == (4000, "exact")
    assert seen["weather"] == ["-SN", "BR"]
    assert seen["clouds"] == [{"amount": "BKN", "base_ft": 1200, "type": None}]
    assert seen["pressure_hpa"] == 1021.0
    assert seen["freezing_or_frozen"] is True
    assert seen["trend"] == ["TEMPO 2000 SN"]
    assert seen["doubts"] == []


def test_the_world_meteorological_organizations_example_reads_as_printed():
    """ICAO Annex 3, table A3-2, example of a METAR (also WMO IWXXM example metar-A3-1)."""
    seen = decode_report(
        "METAR YUDO 221630Z 24004MPS 0600 R12/1000U DZ FG SCT010 OVC020 17/16 Q1018 BECMG TL1700 0800 FG BECMG AT1800 9999 NSW",
        received_at=datetime(2012, 8, 22, 16, 40, tzinfo=UTC),
    )
    assert isinstance(seen, Observation)
    assert seen.wind_kt == pytest.approx(7.8)
    assert (seen.visibility_m, seen.weather) == (600, ("DZ", "FG"))
    assert (seen.temp_c, seen.dew_point_c, seen.pressure_hpa) == (17, 16, 1018)
    assert len(seen.trend) == 2


@pytest.mark.parametrize(
    ("group", "nominal", "low", "high"),
    [("M00", 0.0, -0.5, 0.0), ("00", 0.0, 0.0, 0.5), ("M01", -1.0, -1.5, -0.5), ("05", 5.0, 4.5, 5.5)],
)
def test_whole_degrees_are_intervals_and_the_sign_of_zero_counts(group, nominal, low, high):
    seen = read(f"00000KT CAVOK {group}/M20 Q1021")
    assert (seen.temp_c, seen.temp_c_low, seen.temp_c_high) == (nominal, low, high)


def test_the_tenths_in_the_remarks_replace_whole_degrees():
    seen = read("00000KT 10SM CLR M00/M01 A3008 RMK AO2 T10041006")
    assert (seen.temp_c, seen.dew_point_c) == (-0.4, -0.6)
    assert seen.temp_c_low == pytest.approx(-0.45)


@pytest.mark.parametrize(
    ("text", "metres", "bound"),
    [
        ("4000", 4000, "exact"),
        ("9999", 10000, "at_least"),
        ("0000", 50, "below"),
        ("9999NDV", 10000, "at_least"),
        ("1/4SM", 402, "exact"),
        ("M1/4SM", 402, "below"),
        ("1 1/2SM", 2414, "exact"),
        ("P6SM", 9656, "at_least"),
        ("20KM", 20000, "exact"),
    ],
)
def test_visibility_in_every_form(text, metres, bound):
    seen = read(f"00000KT {text} OVC010 01/M01 Q1021")
    assert (seen.visibility_m, seen.visibility_bound) == (metres, bound)


def test_a_fraction_without_its_blank_is_read_with_a_doubt_and_never_as_a_temperature():
    seen = read("00000KT 11/2SM OVC010 01/M01 Q1021")
    assert seen.visibility_m == 2414
    assert seen.temp_c == 1.0
    assert any(doubt.startswith("11/2SM") for doubt in seen.doubts)


def test_missing_groups_are_missing():
    seen = read("AUTO /////KT //// // ////// 05/// Q////")
    assert (seen.wind_kt, seen.visibility_m, seen.clouds, seen.pressure_hpa) == (None, None, None, None)
    assert (seen.temp_c, seen.dew_point_c) == (5.0, None)
    assert seen.weather_observable is False
    assert seen.freezing_or_frozen is False, "at 5 degrees nothing freezing needs to be feared"


@pytest.mark.parametrize("temp", ["03", "00", "M07"])
def test_weather_that_cannot_be_seen_near_freezing_is_unknown_not_absent(temp):
    assert read(f"AUTO 00000KT 4000 // OVC010 {temp}/M09 Q1021").freezing_or_frozen is None


@pytest.mark.parametrize(
    ("body", "doubt"),
    [
        ("", "weather: not known, the report ends early"),
        ("12005KT", "weather: not known, the report ends early"),
        ("AUTO 12005KT RMK AO2", "weather: not known, the report ends early"),
        ("AUTO 12005KT //// ////// ///// Q1015", "weather: not known, as visibility and cloud"),
        ("12005KT M01/M02 Q1015", "weather: not known, as visibility and cloud"),
        ("AUTO 12005KT M01/M02 A3000 RMK AO2", None),
        ("AUTO 12005KT //// // ////// M01/M02 Q1015", None),
    ],
)
def test_a_report_that_ends_early_or_sees_nothing_does_not_say_that_there_is_no_weather(body, doubt):
    """decoding.md 4: missing is missing. Nothing ends because data went missing."""
    seen = read(body)
    assert (seen.weather, seen.weather_observable, seen.freezing_or_frozen) == ((), False, None)
    assert seen.doubts == ((doubt,) if doubt else ())


@pytest.mark.parametrize(
    "sky", ["CAVOK", "9999", "OVC010", "CLR", "///012", "VV003", "//// OVC010", "3000 //////", "//// ////// BR"]
)
def test_visibility_cloud_or_weather_alone_tell_that_the_weather_is_seen(sky):
    seen = read(f"AUTO 12005KT {sky} M01/M02 Q1015")
    assert (seen.weather_observable, seen.freezing_or_frozen, seen.doubts) == (True, False, ())


def test_where_it_is_warm_nothing_seen_is_nothing_freezing():
    assert read("AUTO 12005KT //// ////// 05/M02 Q1015").freezing_or_frozen is False


def test_a_sensor_that_is_off_makes_the_absence_of_freezing_rain_unknown():
    assert read("AUTO 00000KT 4SM BR OVC010 M01/M02 A2990 RMK AO2 FZRANO").freezing_or_frozen is None
    assert read("AUTO 00000KT 4SM BR OVC010 12/11 A2990 RMK AO2 FZRANO").freezing_or_frozen is False


@pytest.mark.parametrize("token", ["RAFZ", "-SNFZRA", "-SN-RA", "FZRASNX", "XXFZDZ", "+SHSNGSRA", "-FZDZ+SN"])
def test_what_freezes_never_vanishes_even_when_sent_against_the_grammar(token):
    assert read(f"00000KT 3000 {token} OVC010 M01/M02 Q1021").freezing_or_frozen is not False


def test_a_group_that_cannot_be_read_and_may_freeze_is_told_beside_what_was_read():
    """decoding.md 3: a token that cannot be read and holds FZ, SN, PL, GS, GR, IC, SG or UP."""
    assert read("00000KT 3000 -RA XXFZDZ OVC010 M01/M02 Q1021").weather_unread_may_freeze is True
    assert read("00000KT 3000 -SN XXX OVC010 M01/M02 Q1021").weather_unread_may_freeze is False


@pytest.mark.parametrize(
    ("groups", "weather"),
    [
        ("3000 -FZRA/SN OVC004", ("-FZRA", "SN")),
        ("3000 FZRA- OVC004", ("FZRA",)),
        ("3000 FZRA+ OVC004", ("+FZRA",)),
        ("3000 -FZRAOVC004", ("-FZRA",)),
        ("3000-FZRA OVC004", ("-FZRA",)),
        ("1 1/2SM-FZRA OVC004", ("-FZRA",)),
        ("3000 FZRA-OVC004", ("FZRA",)),
        ("3000 -RAOVC004", ("-RA",)),
        ("3000-SNFZFGOVC004", ("-SNFZFG",)),
        ("3000 +SNBLSN OVC004", ("+SN", "BLSN")),
        ("3000 -FZRA/PLDRSN OVC004", ("-FZRA", "PL", "DRSN")),
        ("3000 FZRASNPLGSUP OVC004", ("FZRASNPLGS", "UP")),
    ],
)
def test_groups_sent_as_one_are_read_apart_with_a_doubt(groups, weather):
    """Table 4678 knows no slash, no sign at the end and no precipitation before BL or DR; decoding.md 1 and 3."""
    seen = read(f"00000KT {groups} M01/M02 Q1021")
    assert seen.weather == weather
    assert seen.visibility_m == (2414 if "SM" in groups else 3000)
    assert [(layer.amount, layer.base_ft) for layer in seen.clouds] == [("OVC", 400)]
    assert seen.freezing_or_frozen is (weather != ("-RA",))
    assert any("read as" in doubt for doubt in seen.doubts)
    assert not seen.weather_unread_may_freeze


def test_what_falls_and_what_is_blown_are_two_groups_the_one_that_falls_with_its_strength():
    assert parse_weather("+SNBLSN") is None
    assert [group.falls for group in split_joined("+SNBLSN")] == [True, False]
    assert parse_weather("FGDRSN") is not None, "fog does not fall"


@pytest.mark.parametrize("token", ["X-RAX", "RAX", "-DZX", "-PE", "IP", "ZR-"])
@pytest.mark.parametrize(("temp", "frozen"), [("M01", None), ("03", None), ("//", None), ("04", False)])
def test_rain_that_cannot_be_read_may_freeze_unless_it_is_warm(token, temp, frozen):
    """Absence is not known from a token that may be rain (decoding.md 3); warm: the 3 degrees of `decode`."""
    seen = read(f"00000KT 3000 {token} OVC010 {temp}/M02 Q1021")
    assert seen.freezing_or_frozen is frozen
    assert seen.weather_unread_may_freeze is (frozen is None)
    assert any(doubt.startswith(token) for doubt in seen.doubts)


@pytest.mark.timeout(20)
@pytest.mark.parametrize(
    ("piece", "read_as"),
    [
        ("-RA", "Weather"), ("FZRA/", "Weather"), ("RA", "Joined"), ("SNBL", "Joined"), ("/", "Word"),
        ("1", "NoneType"), ("1/", "NoneType"), ("OVC010", "NoneType"), ("+", "NoneType"), ("R", "NoneType"),
    ],
)  # fmt: skip
def test_whatever_is_joined_is_read_at_once(piece, read_as):
    """However long: with time that grew by the ways to take it apart, this would not end."""
    assert type(read_token(piece * 100_000)).__name__ == read_as


def test_a_group_of_a_trend_or_a_remark_is_never_present_weather():
    for tail in ("TEMPO 2000 FZRA", "BECMG SN", "FM0630 FZDZ", "BLU TEMPO SN", "RMK FZRAB05E20", "NOSIG RMK SNB15"):
        seen = read(f"00000KT 9999 OVC010 M01/M02 Q1021 {tail}")
        assert seen.weather == ()
        assert seen.freezing_or_frozen is False


def test_runway_groups_sea_state_and_shear_become_no_wind_visibility_or_weather():
    seen = read("24004KT 2000 R05/0500 R23L/P1500N 88290592 R04/290592 WS R07 W19/S4 BR OVC010 M01/M02 Q1021")
    assert (seen.wind_kt, seen.visibility_m, seen.temp_c) == (4.0, 2000, -1.0)
    assert seen.weather == ("BR",)
    assert seen.remarks.runway_state == ("88290592", "R04/290592")


def test_impossible_values_are_left_out_with_a_doubt():
    seen = read("24004KT 2000 BR OVC010 M17/M11 Q1021")
    assert (seen.temp_c, seen.dew_point_c) == (-17.0, None)
    assert any("dew point" in doubt for doubt in seen.doubts)


def test_remarks_that_matter_for_ice_are_read():
    seen = read(
        "AUTO 00000KT 1/2SM -SN FZFG VV003 M03/M04 A2990 RMK AO2 FZRAB0515E32SNB32 I1001 4/012 SNINCR 1/12 PWINO",
        header="XNOR 120551Z",
    )
    marks = seen.remarks
    assert (marks.ice_accretion, marks.present_weather_sensor_off, marks.precipitation_sensor) == (True, True, "AO2")
    assert marks.snow_depth_cm == pytest.approx(30.5)
    assert marks.began == (("FZRA", RECEIVED.replace(hour=5, minute=15)), ("SN", RECEIVED.replace(hour=5, minute=32)))
    assert marks.ended == (("FZRA", RECEIVED.replace(hour=5, minute=32)),)


@pytest.mark.parametrize(
    ("remark", "accretion"),
    [
        ("ICE", True),
        ("ICE ON SENSOR", True),
        ("ICG, VIS LWR N", True),
        ("I1001", True),
        ("FROIN.", True),
        ("NO ICE", False),
        ("NO ICG SLP123", False),
        ("ICE ON RWY", False),
        ("ICE ON RWYS 18/36", False),
        ("ICE ON TWYS", False),
        ("ICE RAMP", False),
        ("PATCHY ICE ON APRON", False),
        ("SERVICE", False),
        ("NO ICE ON RWY ICG", True),
    ],
)
def test_ice_in_plain_language_counts_unless_it_is_denied_or_lies_on_the_ground(remark, accretion):
    """FMH-1, chapter 12 has accretion as I1nnn, I3nnn, I6nnn; the words are common practice, no source."""
    assert read(f"00000KT 9999 OVC010 M01/M02 Q1021 RMK {remark}").remarks.ice_accretion is accretion


@pytest.mark.parametrize("remark", ["FZRANO, PWINO.", "FZRANO; PWINO;", "FZRANO,PWINO", "PWINO. FZRANO $"])
def test_a_mark_behind_a_remark_does_not_hide_it(remark):
    """FMH-1, chapter 12: FZRANO and PWINO say that a sensor does not work."""
    marks = read(f"AUTO 00000KT 4SM OVC010 M01/M02 A2990 RMK AO2 {remark}").remarks
    assert (marks.freezing_rain_sensor_off, marks.present_weather_sensor_off) == (True, True)
    assert read("00000KT 9999 OVC010 M01/M02 A2990 RMK 4/012.5").remarks.snow_depth_cm is None


@pytest.mark.parametrize(
    ("day_time", "received", "expected"),
    [
        ("312350Z", "2026-02-01T00:10", "2026-01-31T23:50"),
        ("010010Z", "2025-12-31T23:58", "2026-01-01T00:10"),
        ("282350Z", "2026-03-01T00:05", "2026-02-28T23:50"),
        ("292350Z", "2028-03-01T00:05", "2028-02-29T23:50"),
    ],
)
def test_reports_are_dated_across_months_and_years_by_their_receipt(day_time, received, expected):
    near = datetime.fromisoformat(received).replace(tzinfo=UTC)
    seen = decode_report(f"XNOR {day_time} 00000KT CAVOK 01/M01 Q1021", received_at=near)
    assert isinstance(seen, Observation)
    assert seen.observed_at == datetime.fromisoformat(expected).replace(tzinfo=UTC)


@pytest.mark.parametrize("day_time", ["140550Z", "310550Z", "290590Z", "252550Z"])
def test_a_time_that_does_not_exist_or_is_far_away_is_refused(day_time):
    seen = decode_report(f"XNOR {day_time} 00000KT CAVOK 01/M01 Q1021", received_at=RECEIVED)
    assert isinstance(seen, Unreadable)
    assert seen.station == "XNOR"


@given(
    st.sampled_from(common_reports()),
    st.sampled_from(["=", "$", " =", "  ", "\r\n", "\t"]),
    st.booleans(),
    st.sampled_from([" ", "  ", "\n     "]),
)
def test_blanks_end_marks_and_letter_case_do_not_change_what_is_read(sent, tail, lower, blank):
    plain = decode_report(sent.text, received_at=sent.received_at, second_reader=False)
    text = blank.join(sent.text.split(" ")) + tail
    text = text.lower() if lower else text
    other = decode_report(text, received_at=sent.received_at, second_reader=False)
    assert text_hash(text) == text_hash(sent.text)
    if isinstance(plain, Observation) and isinstance(other, Observation):
        first, second = as_contract(plain), as_contract(other)
        first.pop("raw"), second.pop("raw")
        assert first == second
    else:
        assert type(plain) is type(other)


@given(
    st.sampled_from(common_reports()), st.sampled_from([" TEMPO 0300 +SN", " BECMG FZRA", " NOSIG", " RMK FROIN SN"])
)
def test_a_trend_or_remark_added_never_changes_the_present(sent, tail):
    plain = decode_report(sent.text, received_at=sent.received_at, second_reader=False)
    other = decode_report(sent.text + tail, received_at=sent.received_at, second_reader=False)
    if isinstance(plain, Observation) and isinstance(other, Observation):
        for name in ("temp_c", "dew_point_c", "weather", "visibility_m", "wind_kt", "clouds", "freezing_or_frozen"):
            assert getattr(plain, name) == getattr(other, name)


FREEZING = st.sampled_from(
    ["-FZRA", "FZDZ", "+FZUP", "SN", "-SHSN", "RASN", "PL", "GS", "IC", "BLSN", "FZFG", "SNFZ", "UP"]
)


@given(st.sampled_from(common_reports()), FREEZING, st.integers(0, 12))
def test_a_freezing_group_anywhere_in_the_body_is_never_lost(sent, group, place):
    words = sent.text.split()
    stop = next((i for i, word in enumerate(words) if word in {"RMK", "TEMPO", "BECMG", "NOSIG"}), len(words))
    place = min(max(place, 3), stop)
    seen = decode_report(" ".join([*words[:place], group, *words[place:]]), received_at=sent.received_at)
    if isinstance(seen, Observation) and place >= 3 and place <= stop and not seen.trend:
        assert seen.freezing_or_frozen is not False


@pytest.mark.parametrize("groups", ["1 {}/1SM", "1 1/{}SM", "RMK SNINCR 1/{}"])
def test_a_number_that_is_larger_than_any_is_passed_over(groups):
    seen = read("04012KT " + groups.format("9" * 400))
    assert (seen.wind_kt, seen.visibility_m, seen.remarks.snow_depth_cm) == (12.0, None, None)


@given(st.text(max_size=200))
def test_no_text_raises(text):
    decode_report(text, received_at=RECEIVED)
    decode_report(text, received_at=RECEIVED, kind="TAF")
    decode_report(f"METAR XNOR 120550Z {text}", received_at=RECEIVED)


@given(st.datetimes(min_value=datetime(2024, 1, 1), max_value=datetime(2030, 1, 1)), st.integers(0, 60 * 24))
def test_a_report_is_dated_right_whatever_its_delay_within_a_day(observed, delay_min):
    observed = observed.replace(second=0, microsecond=0, tzinfo=UTC)
    seen = decode_report(
        f"XNOR {observed:%d%H%M}Z 00000KT CAVOK 01/M01 Q1021", received_at=observed + timedelta(minutes=delay_min)
    )
    assert isinstance(seen, Observation)
    assert seen.observed_at == observed


@pytest.mark.parametrize(
    ("group", "wanted", "expected"),
    [
        ("-SHSN", "SN", True),
        ("RASN", "SN", True),
        ("-SN", "-SN", True),
        ("SN", "-SN", False),
        ("VCSH", "SH", False),
        ("VCSH", "VCSH", True),
        ("BLSN", "SN", False),
        ("BLSN", "BLSN", True),
        ("FZFG", "FG", True),
        ("FG", "FZFG", False),
        ("-FZDZ", "FZDZ", True),
    ],
)
def test_what_a_rule_asks_for_matches_the_groups_that_contain_it(group, wanted, expected):
    assert matches(group, wanted) is expected


def test_every_code_of_table_4678_is_read():
    """WMO-No. 306, code table 4678: intensities, descriptors and phenomena, alone and in the combinations it prints."""
    for text in (
        "DZ RA SN SG IC PL GR GS UP BR FG FU VA DU SA HZ PO SQ FC SS DS +FC VCFG VCSH VCTS VCBLSN VCFC "
        "MIFG PRFG BCFG FZFG DRSN BLSN DRDU BLSA SHRA SHSN SHGR SHGS TSRA TSSN TSPL TSGR TSGS TS FZRA FZDZ FZUP "
        "-FZRA +SHRASN RASNPL -SNRA +TSRAGR DZSN -FZDZSN SHUP TSUP"
    ).split():
        group = parse_weather(text)
        assert group is not None, text
        assert group.regular, text
    for text in ("XX", "FZ", "RAX", "RE", "12", "MI", "SNOW", ""):
        assert parse_weather(text) is None, text


def test_a_word_of_a_trend_where_the_time_should_stand_is_named():
    seen = decode_report("METAR XNOR NOSIG 120550Z 00000KT 9999", received_at=RECEIVED)
    assert seen == Unreadable(seen.raw, "NOSIG: no time of observation", "XNOR")


def test_a_zero_in_tenths_has_no_sign_whichever_was_read_before():
    for remark in ("T00000000", "T10001000", "T00001000"):
        seen = read(f"00000KT 9999 M00/M00 Q1015 RMK {remark}")
        assert str((seen.temp_c, seen.dew_point_c)) == "(0.0, 0.0)"


def test_a_feed_of_ever_new_tokens_does_not_fill_the_memory():
    for number in range(20_000):
        read_body(f"NOISE{number}")
    assert len(body._groups) <= body._MOST_KEPT
    assert read_body("NOISE1").doubts == ("NOISE1: not understood",)

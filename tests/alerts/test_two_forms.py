"""A station that is reported both as text and as IWXXM is judged once: the same report is one, and a text goes before XML."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from tests.alerts.scenes import Play, at
from tests.iwxxm_writer import forecast_xml, observation_xml
from watcher.alerts.model import Phase
from watcher.reports.decode import decode_report
from watcher.reports.iwxxm import read_document
from watcher.reports.model import Forecast, Observation

DRIZZLE = "METAR XNOR 12{}Z 00000KT 3000 FZDZ OVC006 M02/M06 Q1010"
TAF = "TAF XNOR 120500Z 1206/1218 00000KT 9999 SCT030 TEMPO 1208/1210 3000 -FZDZ OVC006"


def as_xml(text: str) -> str:
    """What a feed hands on of the same report as IWXXM, which carries no remarks."""
    decoded = decode_report(text, received_at=at("0600"), second_reader=False)
    xml = observation_xml(decoded) if isinstance(decoded, Observation) else forecast_xml(decoded)
    (report,) = read_document(xml.encode(), received_at=at("0600"))
    return report.kept


def test_the_same_report_in_the_other_form_changes_nothing_at_all():
    text = DRIZZLE.format("0520")
    for first, second in ((text, as_xml(text)), (as_xml(text), text)):
        play = Play()
        assert play.hear("0521", first) == ["opened"]
        before = play.view
        assert play.hear("0523", second) == []
        assert play.view is before


def test_xml_does_not_take_away_what_the_text_remarked():
    """IWXXM has no remarks: ice on the sensor, sensors that are off."""
    text = DRIZZLE.format("0520").replace("FZDZ ", "") + " RMK I1001"
    play = Play()
    play.hear("0521", text)
    play.hear("0523", as_xml(text))
    assert play.view.latest is not None
    assert isinstance(play.view.latest.decoded, Observation)
    assert play.view.latest.decoded.remarks.ice_accretion is True
    assert len(play.view.replaced) == 1


def test_a_text_that_comes_after_its_xml_brings_its_remarks_and_is_not_counted_again():
    text = DRIZZLE.format("0520") + " RMK I1001"
    play = Play()
    assert play.hear("0521", as_xml(text)) == ["opened"]
    assert play.hear("0525", text) == []
    assert play.view.latest is not None
    assert isinstance(play.view.latest.decoded, Observation)
    assert play.view.latest.decoded.remarks.ice_accretion is True
    assert play.open["freezing-precipitation"].holds[0].counted_at == at("0520")
    assert play.hear("0530", as_xml(text)) == []


def test_a_correction_as_xml_goes_before_the_text_that_it_corrects():
    play = Play()
    play.hear("0521", DRIZZLE.format("0520") + " RMK AO2")
    corrected = as_xml("METAR COR XNOR 120520Z 00000KT 9999 SCT031 06/M02 Q1010")
    play.hear("0525", corrected)
    assert play.open["freezing-precipitation"].phase is Phase.EASING


def test_a_forecast_as_text_stays_in_force_when_its_xml_comes_and_takes_its_place():
    filled = TAF.replace("3000 -FZDZ OVC006", "3000 -FZDZ OVC007")  # a translation that differs in a detail
    play = Play()
    assert play.hear("0505", TAF) == ["opened"]
    assert play.hear("0507", as_xml(filled)) == []
    assert play.view.forecast is not None
    assert play.view.forecast.decoded.raw == TAF
    other = Play()
    assert other.hear("0505", as_xml(filled)) == ["opened"]
    assert other.hear("0507", TAF) == []
    assert other.view.forecast is not None
    assert other.view.forecast.decoded.raw == TAF


def test_an_amendment_as_xml_takes_the_place_of_the_text():
    play = Play()
    play.hear("0505", TAF)
    amended = as_xml("TAF AMD XNOR 120500Z 1206/1218 00000KT 9999 SCT030")
    assert play.hear("0507", amended) == ["closed"]
    assert play.view.forecast is not None
    assert isinstance(play.view.forecast.decoded, Forecast)
    assert play.view.forecast.decoded.amendment is True


WEATHER = st.sampled_from(["FZDZ", "-FZRA", "FZRA", "-RA", "BR", ""])
TEMPERATURES = st.sampled_from(["M02/M03", "M01/M01", "02/01", "06/M02"])
FORMS = st.sampled_from(["text", "xml", "text-xml", "xml-text", "text-xml-xml"])


@given(st.lists(st.tuples(WEATHER, TEMPERATURES, FORMS, st.booleans()), min_size=1, max_size=12))
def test_however_the_two_forms_come_the_events_are_those_of_the_texts_alone(reports):
    mixed, alone = Play(), Play()
    told, expected = [], []
    for index, (weather, temperatures, forms, remarked) in enumerate(reports):
        clock = f"{5 + index // 2:02d}{20 + 30 * (index % 2)}"
        text = f"METAR XNOR 12{clock}Z 00000KT 3000 {weather} OVC006 {temperatures} Q1010".replace("  ", " ")
        text += " RMK AO2" if remarked else ""
        for minute, form in enumerate(forms.split("-")):
            now = f"{clock[:2]}{int(clock[2:]) + minute + 1}"
            told += [(clock, name) for name in mixed.hear(now, text if form == "text" else as_xml(text))]
        expected += [(clock, name) for name in alone.hear(f"{clock[:2]}{int(clock[2:]) + 1}", text)]
    assert told == expected
    assert mixed.open.keys() == alone.open.keys()
    assert [each.level for each in mixed.open.values()] == [each.level for each in alone.open.values()]

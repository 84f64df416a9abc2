"""One look at a station: the frost forecast is computed where it can matter, as the running service does."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from tests.alerts.scenes import XNOR, at
from watcher.alerts.latest import OLDEST, facts_of, question_of
from watcher.alerts.model import StationState, StationView
from watcher.outlook.computed import computed_expectations
from watcher.outlook.night.ensemble import nights
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Report
from watcher.rulebook.words import Certainty
from watcher.service.look import as_contract, look
from watcher.service.nights import NightPolicy
from watcher.service.rules_folder import load_rulebook

BOOK = load_rulebook(None)
NOW = at("2005")
COLD = "METAR XNOR 122000Z 00000KT CAVOK 02/M02 Q1021"
PLACED = replace(XNOR, latitude_deg=60.2, longitude_deg=11.1, elevation_m=210.0)


def seen(text: str, station=PLACED) -> StationView:
    decoded = decode_report(text, received_at=NOW)
    return StationView(station, StationState("XNOR"), latest=Report(decoded, text_hash(text), "test", NOW))


def test_a_cold_station_of_known_place_has_its_night():
    found = look(seen(COLD), rulebook=BOOK, now=NOW)
    assert found.night is not None
    assert found.night.ends_at - NOW >= timedelta(hours=15)
    assert found.facts is not None
    assert found.facts.values["skin_temp_c"] == found.night.worst.steps[0].skin_c.p50


def test_facts_and_what_is_expected_are_those_of_the_running_service():
    view, policy = seen(COLD), NightPolicy()
    (night,) = nights([question_of(view, NOW, NOW + policy.ahead)], members=policy.members)
    found = look(view, rulebook=BOOK, now=NOW)
    assert found.facts == facts_of(replace(view, night=night), NOW)
    computed = tuple(item for item in found.expected if item.certainty is Certainty.COMPUTED)
    assert set(computed) == set(computed_expectations(BOOK, night, now=NOW))
    assert computed


def test_the_night_that_alerts_were_judged_by_is_shown_while_it_rests_on_the_same_report():
    view = seen(COLD)
    (judged_by,) = nights([question_of(view, NOW, NOW + timedelta(hours=15))], members=40)
    assert look(replace(view, night=judged_by), rulebook=BOOK, now=NOW + timedelta(minutes=10)).night is judged_by
    newer = replace(seen(COLD.replace("122000Z", "122030Z")), night=judged_by)
    found = look(newer, rulebook=BOOK, now=NOW + timedelta(minutes=40)).night
    assert found is not None
    assert found is not judged_by
    assert found.observed_at == newer.observation.observed_at


def test_too_warm_without_a_place_without_a_temperature_or_too_old_there_is_none():
    assert look(seen(COLD.replace("02/M02", "13/M02")), rulebook=BOOK, now=NOW).night is None
    assert look(seen(COLD.replace("02/M02", "12/M02")), rulebook=BOOK, now=NOW).night is not None
    assert look(seen(COLD.replace("02/M02", "/////")), rulebook=BOOK, now=NOW).night is None
    nowhere = replace(PLACED, latitude_deg=None, longitude_deg=None)
    assert look(seen(COLD, nowhere), rulebook=BOOK, now=NOW).night is None
    assert look(seen(COLD), rulebook=BOOK, now=at("2000") + OLDEST).night is not None
    assert look(seen(COLD), rulebook=BOOK, now=at("2001") + OLDEST).night is None


def test_the_contract_gives_the_chance_of_what_is_computed_and_none_for_what_a_taf_says():
    taf = decode_report("TAF XNOR 121720Z 1218/1318 00000KT 9999 BKN010 TEMPO 1300/1304 1500 SN", received_at=NOW)
    view = replace(seen(COLD), forecast=Report(taf, "taf", "test", NOW))
    items = [item for item in as_contract(look(view, rulebook=BOOK, now=NOW))["findings"] if item["kind"] == "expected"]
    by_taf = [item["probability"] for item in items if item["certainty"] != "computed"]
    assert by_taf
    assert set(by_taf) == {None}
    assert all(0 <= item["probability"] <= 1 for item in items if item["certainty"] == "computed")
    assert [item["from"] for item in items] == sorted(item["from"] for item in items)

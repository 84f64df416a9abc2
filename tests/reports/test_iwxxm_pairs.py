"""Every official and translated IWXXM example says the same as its text twin, save what the XML itself says otherwise.

The pairs are WMO's (TT-AvData, TT-AvXML): GitHub wmo-im/iwxxm, examples of v3.0.0, v2021-2, v2023-1 and v2025-2, and
wmo-im/iwxxm-translation. They carry no licence, so they stand beside the project and not in it.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from watcher.reports.contract import as_contract
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.iwxxm import XmlReport, read_document
from watcher.reports.model import Decoded
from watcher.reports.split import split_reports

FOLDER = Path(__file__).parents[3] / "shared" / "data" / "iwxxm"
PAIRS = sorted(path.relative_to(FOLDER).as_posix() for path in FOLDER.rglob("*.xml"))
LONG_AFTER = datetime(2026, 1, 12, 6, tzinfo=UTC)

# File (a folder where every version of it differs alike), field, why. All three translations are of the same texts.
FILLED = "the translation fills a change with values of the base that the text does not repeat"
EXPLAINED = {
    ("official-3.0.0/metar-LKKV", "wind_kt"): "the text has 3 m/s, the XML 2.6 m/s (WMO's own mismatch)",
    ("*/metar/BIAR-290000Z", "dew_point_c_high"): "M00 became 0: without its sign it may lie on both sides of zero",
    ("*/metar/CYEK-290000Z", "visibility_m"): "a quarter of a statute mile, 402 m, became 400 m",
    ("*/taf/DAAV-131700Z", "periods"): FILLED,
    ("*/taf/OIZC-131130Z", "periods"): FILLED,
    ("*/taf/EHLW-131400Z", "from"): "the XML of a cancelled forecast gives the rest of its validity, from its issue on",
}

pytestmark = [
    pytest.mark.reference,
    pytest.mark.skipif(not PAIRS, reason="the WMO examples carry no licence and stand beside the project only"),
]


def of_xml(name: str) -> XmlReport:
    (report,) = read_document((FOLDER / name).read_bytes(), received_at=LONG_AFTER)
    return report


def text_of(name: str) -> tuple[str, str | None]:
    (found,) = split_reports((FOLDER / name).with_suffix(".tac").read_text())
    return found


def of_text(name: str, near: datetime) -> Decoded:
    text, kind = text_of(name)
    return decode_report(text, received_at=near + timedelta(minutes=6), kind=kind)


def differences() -> dict[tuple[str, str], tuple[object, object]]:
    found = {}
    for name in PAIRS:
        report = of_xml(name)
        assert report.observed_at is not None
        xml, text = as_contract(report.decoded), as_contract(of_text(name, report.observed_at))
        assert xml.keys() == text.keys()
        folder, stem = name.split("/", 1)
        place = ("*/" + stem if folder.startswith("translation") else name).removesuffix(".xml")
        for field in xml:
            if field != "raw" and xml[field] != text[field]:
                found[place, field] = xml[field], text[field]
    return found


def test_there_are_78_pairs():
    assert len(PAIRS) == 78


def test_every_field_of_every_pair_is_equal_save_the_explained_ones():
    assert differences().keys() == EXPLAINED.keys()


def test_the_explained_differences_are_what_they_are_said_to_be():
    found = differences()
    assert found["official-3.0.0/metar-LKKV", "wind_kt"] == (5.1, 5.8)
    assert found["*/metar/BIAR-290000Z", "dew_point_c_high"] == (0.5, 0.0)
    assert found["*/metar/CYEK-290000Z", "visibility_m"] == (400.0, 402)


@pytest.mark.parametrize("stem", ["taf/DAAV-131700Z", "taf/OIZC-131130Z"])
def test_a_translated_change_differs_from_its_text_only_by_the_values_of_the_base(stem):
    for name in (name for name in PAIRS if stem in name):
        report = of_xml(name)
        xml, text = report.decoded, of_text(name, report.observed_at)
        base = text.periods[0]
        assert len(xml.periods) == len(text.periods)
        for ours, theirs in zip(xml.periods, text.periods, strict=True):
            for field in ("change", "probability", "begins_at", "ends_at", "wind_kt", "weather", "weather_ends"):
                assert getattr(ours, field) == getattr(theirs, field)
            for field in ("visibility_m", "visibility_bound", "clouds"):
                filled = getattr(base, field) if getattr(theirs, field) is None else getattr(theirs, field)
                assert getattr(ours, field) in {filled, getattr(theirs, field)}


@pytest.mark.parametrize("name", PAIRS)
def test_what_is_kept_of_a_report_reads_as_the_report(name):
    """A restart reads what was kept: the text made from the XML, or the XML where the text says less."""
    report = of_xml(name)
    again = decode_report(
        report.kept, received_at=LONG_AFTER, kind=report.kind, observed_at=report.observed_at, second_reader=False
    )
    assert again == report.decoded


def test_most_texts_made_from_xml_are_the_text_that_was_sent_to_the_letter():
    """So that the same report from a text feed and from an IWXXM feed is one report."""
    same = [name for name in PAIRS if text_hash(of_xml(name).decoded.raw) == text_hash(text_of(name)[0])]
    assert len(same) == 59
    assert "translation-Amd79-80-2023/metar/USTR-290030Z.xml" in same


def test_xml_is_kept_only_where_its_text_would_round_it():
    kept = {name.split("/")[-1] for name in PAIRS if of_xml(name).kept.startswith("<")}
    assert kept == {"metar-LKKV.xml", "BIAR-290000Z.xml"}

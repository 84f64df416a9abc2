"""The columns of the table are what the decoder says, value by value, and what the rulebook makes facts of."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.reports.open_data import common_reports, common_tafs, edge_cases
from watcher.replay.archives.entries import Entry
from watcher.replay.decoding.frames import decoded_frame, forecast_frame
from watcher.replay.decoding.parts import decoded_entry
from watcher.replay.standing import _TEXT
from watcher.replay.table import FORECAST, OBSERVED
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Forecast, Observation
from watcher.reports.station import Station
from watcher.rulebook.observed import observed_facts

NOW = datetime(2026, 1, 12, 6, tzinfo=UTC)
# Columns that are a field of the observation and need no more than its type; the others have a test of their own.
SAME = [
    name for name in OBSERVED if name in Observation._fields and name not in {"weather", "recent_weather", "doubts"}
]


def _open_observations() -> list[Observation]:
    seen = [decode_report(sent.text, received_at=sent.received_at, second_reader=False) for sent in common_reports()]
    seen += [decode_report(text, received_at=NOW, kind=kind) for kind, text in edge_cases()]
    return [one for one in seen if isinstance(one, Observation)]


def test_every_value_of_every_open_report_is_in_its_column() -> None:
    """9,901 real reports and 326 odd ones (tests/data/SOURCES.md)."""
    seen = _open_observations()
    frame = decoded_frame(
        [(one, one.observed_at + timedelta(seconds=n % 500, microseconds=n), n) for n, one in enumerate(seen)]
    )
    assert dict(frame.schema) == dict(OBSERVED)
    for n, (one, row) in enumerate(zip(seen, frame.iter_rows(named=True), strict=True)):
        assert {name: row[name] for name in SAME} == {name: getattr(one, name) for name in SAME}
        assert (row["weather"].split(), row["doubts"]) == (list(one.weather), "; ".join(one.doubts))
        assert (row["order"], row["received_at"]) == (n, one.observed_at + timedelta(seconds=n % 500, microseconds=n))


def test_facts_that_have_a_column_are_those_of_the_rulebook() -> None:
    seen = _open_observations()
    frame = decoded_frame([(one, None, n) for n, one in enumerate(seen)])
    names = [
        "ceiling_ft", "cloud_cover", "ice_accretion", "freezing_rain_sensor_off", "present_weather_sensor_off",
        "precipitation_sensor", "snow_depth_cm", "recent_weather",
    ]  # fmt: skip
    for one, row in zip(seen, frame.select(names).iter_rows(named=True), strict=True):
        facts = observed_facts(one, station=Station(one.station), history=(), now=one.observed_at).values
        row["recent_weather"] = frozenset(row["recent_weather"].split())
        assert row == {name: facts.get(name) for name in names}


def test_forecasts_are_in_their_columns() -> None:
    seen = [
        one for text in common_tafs() if isinstance(one := decode_report(text, received_at=NOW, kind="TAF"), Forecast)
    ]
    frame = forecast_frame([(one, None, n) for n, one in enumerate(seen)])
    assert dict(frame.schema) == dict(FORECAST)
    assert frame.height == len(seen) > 5
    by_order = {row["order"]: row for row in frame.iter_rows(named=True)}
    for n, one in enumerate(seen):
        row = by_order[n]
        assert (row["station"], row["issued_at"], row["begins_at"], row["ends_at"]) == (
            one.station, one.issued_at, one.begins_at, one.ends_at,
        )  # fmt: skip
    assert decoded_frame([]).schema == pl.Schema(OBSERVED)
    assert forecast_frame([]).schema == pl.Schema(FORECAST)


_LETTERS = st.text(alphabet="ABMRZ09 /=$\t\0\né", max_size=12)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["", "METAR ", "SPECI ", "TAF ", "metar  "]),
            _LETTERS,
            st.sampled_from(["", "=", " RMK", " RMK FROM IWXXM", " FROM IWXXM"]),
        ),
        max_size=30,
    )
)
def test_texts_are_the_same_for_the_columns_when_they_are_for_the_service(parts: list[tuple[str, str, str]]) -> None:
    texts = ["".join(part) for part in parts]
    plain = pl.DataFrame({"raw": texts}, schema={"raw": pl.String}).select(_TEXT).to_series().to_list()
    same = {}
    for text, one in zip(texts, plain, strict=True):
        assert same.setdefault(text_hash(text), one) == one
    assert len(set(same.values())) == len(same)


def test_the_second_reader_speaks_when_it_is_asked_for() -> None:
    """A report of an open parser's tests (tests/data/SOURCES.md) whose remarks contradict its body."""
    text = "METAR KOKC 011955Z AUTO 22015G25KT 3/4SM CLR 18/16 A2992 RMK AO2 T00261015"
    entry = Entry(1, text, None, NOW.replace(day=1))
    own, checked = (decoded_entry(entry, second_reader=asked) for asked in (False, True))
    assert isinstance(own, Observation)
    assert isinstance(checked, Observation)
    assert checked.doubts[: len(own.doubts)] == own.doubts
    assert any("a second reader has" in doubt for doubt in checked.doubts)
    assert not any("a second reader has" in doubt for doubt in own.doubts)


@pytest.mark.slow
def test_without_the_second_reader_the_facts_of_all_open_reports_are_those_of_the_live_path() -> None:
    """9,901 real reports (tests/data/SOURCES.md): whether doubtful, too."""
    for sent in common_reports():
        entry = Entry(1, sent.text, None, sent.received_at)
        own, checked = decoded_entry(entry, second_reader=False), decoded_entry(entry, second_reader=True)
        assert own == checked

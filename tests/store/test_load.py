"""What the store gives back is what the judgement had: a restart changes nothing."""

from __future__ import annotations

import gzip
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given
from hypothesis import strategies as st

from tests.alerts.scenes import XNOR, at, small_book
from tests.chosen import database_of_an_example
from tests.store.scenes import HOUR, MINUTE, heard
from watcher.alerts.changes import Changes
from watcher.alerts.judge import judge
from watcher.alerts.model import Policy, StationState, StationView
from watcher.feeds.cache_csv import parse_metar_csv
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Observation, Report
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook
from watcher.rulebook.observed import moment_of
from watcher.store.store import Store

WORLD = Path(__file__).parent.parent / "data" / "reports" / "awc-metars-cache-20141218.csv.gz"
BOOK = small_book()
TAF = "TAF XNOR 120500Z 1206/1306 VRB03KT 4000 -FZDZ BKN004"


def stored(view: StationView) -> StationView:
    """Return what of a view outlives a restart: expectations are computed again, the order of the replaced is free."""
    return replace(view, expectations=None, replaced=tuple(sorted(view.replaced)))


@dataclass
class Night:
    """One station, judged and committed report by report, as the service does."""

    store: Store
    book: Rulebook = field(default_factory=lambda: BOOK)
    view: StationView = field(default_factory=lambda: StationView(XNOR, StationState("XNOR")))

    def hear(self, now: datetime, *reports: Report) -> None:
        made = judge({"XNOR": self.view}, reports, rulebook=self.book, policy=Policy(), now=now)
        changes = tuple(change for change in made if not change.quiet)
        self.view = next((change.after for change in made), self.view)
        if changes:
            self.store.commit(Changes(now, changes))

    def hear_texts(self, clock: str, *texts: str) -> None:
        self.hear(at(clock), *(heard(text, at(clock)) for text in texts))

    def loaded(self, now: datetime) -> StationView:
        return self.store.load([XNOR], now=now)["XNOR"]

    def remembered(self, now: datetime) -> StationView:
        # The live history forgets what is older than 12 hours when the next report comes; the store by the clock.
        return replace(self.view, history=tuple(m for m in self.view.history if m.observed_at >= now - 12 * HOUR))


def test_a_station_never_seen_has_a_blank_view(store: Store) -> None:
    assert store.load([XNOR], now=at("0600")) == {"XNOR": StationView(XNOR, StationState("XNOR"))}
    assert store.load([], now=at("0600")) == {}
    assert store.station_codes() == frozenset()


def test_a_night_of_reports_and_forecasts_comes_back_whole(store: Store) -> None:
    night = Night(store)
    night.hear_texts("0505", "METAR XNOR 120450Z 00000KT 3000 BR OVC004 M01/M02 Q1021", TAF)
    night.hear_texts("0525", "SPECI XNOR 120520Z 00000KT 3000 -FZDZ OVC004 M01/M02 Q1021")
    night.hear_texts("0555", "METAR XNOR 120550Z 00000KT 3000 -FZDZ OVC004 M01/M01 Q1021")
    night.hear_texts("0557", "METAR XNOR 120550Z COR 00000KT 2000 -FZDZ OVC004 M01/M01 Q1021")
    assert night.view.episodes
    assert night.view.replaced
    assert night.view.forecast is not None
    assert len(night.view.history) == 3
    assert stored(night.loaded(at("0600"))) == stored(night.view)
    assert store.station_codes() == {"XNOR"}
    assert store.episodes(open_only=True) == night.view.episodes


def test_a_report_that_says_nothing_is_never_the_latest(store: Store) -> None:
    night = Night(store)
    night.hear_texts("0505", "METAR XNOR 120450Z 00000KT 9999 OVC020 01/M02 Q1021")
    night.hear_texts("0555", "METAR XNOR 120550Z NIL")
    loaded = night.loaded(at("0600"))
    assert loaded.latest is not None
    assert loaded.latest.decoded.raw.startswith("METAR XNOR 120450Z")
    assert len(loaded.history) == 1


def test_a_late_report_is_kept_and_moves_nothing(store: Store) -> None:
    night = Night(store)
    night.hear_texts("0555", "METAR XNOR 120550Z 00000KT 9999 OVC020 01/M02 Q1021")
    before = night.loaded(at("0600"))
    night.hear_texts("0558", "METAR XNOR 120450Z 00000KT 9999 -SN OVC020 M01/M02 Q1021")
    loaded = night.loaded(at("0600"))
    assert (loaded.latest, loaded.history, loaded.state.version) == (before.latest, before.history, 2)


def test_a_report_from_ahead_of_the_clock_joins_the_history_when_its_time_comes(store: Store) -> None:
    night = Night(store)
    night.hear_texts("0400", "METAR XNOR 120450Z 00000KT 9999 OVC020 01/M02 Q1021")
    assert night.loaded(at("0400")).latest is None
    night.hear_texts("0450", "METAR XNOR 120450Z 00000KT 9999 OVC020 01/M02 Q1021")
    assert night.view.latest is not None
    loaded = night.loaded(at("0500"))
    assert loaded.history == night.view.history
    assert loaded.latest == night.view.latest


def test_a_forecast_that_comes_into_force_again_is_the_one_that_was_heard_last(store: Store) -> None:
    """Two feeds bring two texts of one time of issue; whichever was heard last is in force, before and after."""
    night = Night(store)
    for minute, text in enumerate([TAF, TAF.replace("-FZDZ", "SN"), TAF]):
        night.hear_texts(f"050{minute}", text)
    assert night.view.forecast is not None
    assert night.view.forecast.received_at == at("0502")
    assert night.loaded(at("0503")).forecast == night.view.forecast


def test_history_reaches_back_as_far_as_asked(store: Store) -> None:
    night = Night(store)
    for hour in range(14):
        night.hear_texts(f"{hour:02d}50", f"METAR XNOR 12{hour:02d}50Z 00000KT 9999 OVC020 01/M02 Q1021")
    now = at("1400")
    assert [moment.observed_at.hour for moment in night.loaded(now).history] == list(range(2, 14))
    short = store.load([XNOR], now=now, history=timedelta(hours=3))["XNOR"]
    assert [moment.observed_at.hour for moment in short.history] == [11, 12, 13]


def test_the_doubts_of_the_second_reader_come_back(store: Store) -> None:
    night = Night(store)
    report = heard("METAR XNOR 120550Z 00000KT 9999 OVC020 01/M02 Q1021", at("0555"))
    night.hear(at("0555"), replace(report, decoded=report.decoded._replace(doubts=("temperature: readers differ",))))
    loaded = night.loaded(at("0600"))
    assert loaded.latest is not None
    assert isinstance(loaded.latest.decoded, Observation)
    assert loaded.latest.decoded.doubts == ("temperature: readers differ",)


def test_a_report_dated_by_its_feed_keeps_its_date(store: Store) -> None:
    """A report found in an archive months later is not moved to the month in which it was received."""
    night = Night(store)
    text, received_at = "XNOR 120550Z 00000KT 9999 OVC020 01/M02 Q1021", datetime(2026, 5, 20, tzinfo=UTC)
    decoded = decode_report(text, received_at=received_at, kind="SPECI", observed_at=at("0550"))
    night.hear(at("0555"), Report(decoded, text_hash(text), "archive", received_at))
    loaded = night.loaded(at("0600"))
    assert loaded.latest is not None
    assert loaded.latest.decoded == decoded
    assert isinstance(decoded, Observation)
    assert (decoded.observed_at, decoded.kind) == (at("0550"), "SPECI")


_WEATHER = st.sampled_from(["", "-FZDZ ", "FZRA ", "-SN ", "// "])
_BODY = st.tuples(_WEATHER, st.sampled_from(["M02/M02", "01/M02", "06/01", "/////"]))


@st.composite
def _observations(draw: st.DrawFn) -> str:
    minutes = draw(st.integers(0, 90)) * 10
    weather, temperatures = draw(_BODY)
    sign = draw(st.sampled_from(["", "", "", "COR ", "AUTO "]))
    word = draw(st.sampled_from(["METAR", "METAR", "SPECI"]))
    body = draw(st.sampled_from([f"{sign}00000KT 3000 {weather}OVC004 {temperatures} Q1021", "NIL"]))
    return f"{word} XNOR 12{minutes // 60:02d}{minutes % 60:02d}Z {body}"


_TEXTS = st.one_of(
    _observations(),
    _observations(),
    st.sampled_from([TAF, TAF.replace("-FZDZ", "SN"), "TAF AMD XNOR 120600Z 1206/1306 VRB03KT 9999 OVC010"]),
)


@given(st.lists(st.tuples(st.integers(0, 70), st.lists(_TEXTS, max_size=3)), min_size=1, max_size=12))
def test_whatever_is_heard_in_whatever_order_a_restart_changes_nothing(
    turns: Sequence[tuple[int, Sequence[str]]],
) -> None:
    with TemporaryDirectory() as folder:
        store = Store.open(database_of_an_example(folder))
        try:
            night, now = Night(store), at("0200")
            for minutes, texts in turns:
                now += minutes * MINUTE
                night.hear(now, *(heard(text, now) for text in texts))
                assert stored(night.loaded(now)) == stored(night.remembered(now))
        finally:
            store.close()


def test_the_worlds_reports_come_back_as_they_were_judged(store: Store) -> None:
    """All 4,538 reports of the METAR cache of 2014-12-18 (NOAA/NWS Aviation Weather Center, public domain)."""
    now = datetime(2014, 12, 18, 8, 0, tzinfo=UTC)
    rows = parse_metar_csv(gzip.decompress(WORLD.read_bytes())).reports
    reports = [
        Report(
            decode_report(r.text, received_at=now, kind=r.kind, observed_at=r.observed_at, second_reader=False),
            text_hash(r.text),
            "world",
            now,
        )
        for r in rows
    ]
    codes = {report.decoded.station for report in reports if isinstance(report.decoded, Observation)}
    stations = [Station(code) for code in sorted(codes)]
    views = {station.code: StationView(station, StationState(station.code)) for station in stations}
    made = judge(views, reports, rulebook=BOOK, policy=Policy(), now=now)
    store.commit(Changes(now, made))
    loaded = store.load(stations, now=now)
    assert len(loaded) > 4000, "more than one portion"
    assert {code: stored(view) for code, view in loaded.items()} == {
        change.station: stored(change.after) for change in made
    }


def test_only_moments_of_the_report_itself_are_kept(store: Store) -> None:
    """A late correction of an older report is no part of the history, and does not take its place there."""
    night = Night(store)
    night.hear_texts("0455", "METAR XNOR 120450Z 00000KT 9999 OVC020 01/M02 Q1021")
    night.hear_texts("0555", "METAR XNOR 120550Z 00000KT 9999 OVC020 02/M02 Q1021")
    night.hear_texts("0600", "METAR XNOR 120450Z COR 00000KT 9999 -SN OVC020 M05/M06 Q1021")
    temperatures = [moment.temp_c for moment in night.loaded(at("0600")).history]
    assert temperatures == [1.0, 2.0]
    assert night.view.latest is not None
    assert isinstance(night.view.latest.decoded, Observation)
    assert moment_of(night.view.latest.decoded) in night.view.history


def test_the_history_holds_what_a_correction_says(store: Store) -> None:
    night = Night(store)
    night.hear_texts("0555", "METAR XNOR 120550Z 00000KT 9999 OVC020 05/M02 Q1021")
    night.hear_texts("0557", "METAR XNOR 120550Z COR 00000KT 9999 -SN OVC020 M05/M06 Q1021")
    assert [moment.temp_c for moment in night.loaded(at("0600")).history] == [-5.0]

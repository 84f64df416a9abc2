"""What several stations reported, read at once, is what each reported, read by itself."""

from __future__ import annotations

from datetime import timedelta

from tests.web.board_scenes import CODES, judged
from tests.web.scenes import NOW
from watcher.store.store import Store

_SINCE = NOW - timedelta(hours=13)


def test_the_past_of_several_stations_is_that_of_each(store: Store) -> None:
    judged(store, members=2)
    found = store.observations_of(CODES, _SINCE)
    assert found == {code: store.observations_since(code, _SINCE) for code in CODES}
    assert all(len(reports) > 20 for reports in found.values())
    times = [report.observed_at for report in found["XFEL"]]
    assert times == sorted(times)
    assert times[0] >= _SINCE


def test_a_station_without_reports_is_left_out(store: Store) -> None:
    judged(store, members=2)
    assert store.observations_of(["XZZZ"], _SINCE) == {}
    assert store.observations_of([], _SINCE) == {}
    assert store.observations_of(["XFEL", "XZZZ"], NOW) == {}

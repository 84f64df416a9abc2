"""The bars of a TAF: every period has one, words keep apart, and each says in plain words what the codes say.

Change groups and their meaning: WMO-No. 306, FM 51. The forecasts are invented.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.pictures.reading import assert_readable, texts, titles
from watcher.pictures.axis import Axis
from watcher.pictures.sheet import chart
from watcher.pictures.taf_chart import change_word, drawn, freezes, period_words, rows_px, taf_bars
from watcher.reports.decode import decode_report
from watcher.reports.model import Forecast

BEGIN = datetime(2026, 1, 12, 0, 0, tzinfo=UTC)
BODY = (
    "1200/1306 24008KT 9999 BKN020 FM120600 10006KT 3000 -FZRA OVC006 BECMG 1210/1212 9999 NSW SCT030 "
    "TEMPO 1214/1218 1200 SN OVC006 PROB30 1220/1222 0400 FZFG VV001 PROB40 TEMPO 1301/1304 2000 SHSN"
)


def taf(body: str = BODY) -> Forecast:
    decoded = decode_report(f"TAF XNOR 112300Z {body}", received_at=BEGIN, kind="TAF")
    assert isinstance(decoded, Forecast)
    return decoded


def axis(hours: int = 36, width: int = 1000) -> Axis:
    return Axis(BEGIN - timedelta(hours=6), BEGIN + timedelta(hours=hours - 6), 56, width - 136, width)


def shown(forecast: Forecast, on: Axis) -> str:
    bars = taf_bars(forecast, on)
    return chart("taf", [drawn(bars, 4, "Europe/Oslo")], width=on.width, height=rows_px(bars) + 8, said="a TAF")


def test_every_period_has_a_bar_where_it_is_on_the_axis() -> None:
    forecast, on = taf(), axis()
    bars = taf_bars(forecast, on)
    assert sorted(map(change_word, (bar.period for bar in bars))) == sorted(map(change_word, forecast.periods))
    for bar in bars:
        assert bar.x == on.x(bar.period.begins_at)
        assert bar.until_x == on.x(bar.period.ends_at)


def test_periods_that_freeze_are_known_and_begin_with_a_mark() -> None:
    found = {change_word(period): freezes(period) for period in taf().periods}
    assert found == {"BASE": False, "FM": True, "BECMG": False, "TEMPO": True, "PROB30": True, "PROB40 TEMPO": True}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            "FM",
            (
                "0600Z (07:00 Europe/Oslo) to 0600Z (07:00 Europe/Oslo), from then on: light freezing rain; visibility "
                "3000 m; cloud overcast at 600 ft; wind 6 kt"
            ),
        ),
        (
            "PROB40 TEMPO",
            (
                "0100Z (02:00 Europe/Oslo) to 0400Z (05:00 Europe/Oslo), probability 40 %, temporary, less than an hour at "
                "a time: snow showers; visibility 2000 m"
            ),
        ),
        (
            "PROB30",
            (
                "2000Z (21:00 Europe/Oslo) to 2200Z (23:00 Europe/Oslo), probability 30 %, probable: freezing fog; "
                "visibility 400 m; vertical visibility 100 ft"
            ),
        ),
    ],
)
def test_a_period_is_told_without_codes(change: str, said: str) -> None:
    period = next(period for period in taf().periods if change_word(period) == change)
    assert period_words(period, "Europe/Oslo") == said
    assert said in titles(shown(taf(), axis()))


def test_a_taf_that_says_nothing_has_no_bars() -> None:
    assert taf_bars(None, axis()) == ()
    assert rows_px(()) == 0
    assert taf_bars(taf("1200/1306 CNL"), axis()) == ()


CHANGES = st.lists(
    st.tuples(
        st.sampled_from(["BECMG", "TEMPO", "PROB30", "PROB40 TEMPO"]),
        st.integers(0, 26),
        st.integers(1, 6),
        st.sampled_from(["1200 SN OVC006", "0400 FZFG VV001", "CAVOK", "3000 -SHSNRA BKN008 OVC012", "24015G28KT"]),
    ),
    max_size=7,
)


@given(CHANGES, st.sampled_from([1000, 344]))
def test_words_of_any_taf_keep_apart_and_inside(changes: list[tuple[str, int, int, str]], width: int) -> None:
    groups = []
    for change, begin, hours, words in changes:
        first, last = BEGIN + timedelta(hours=begin), BEGIN + timedelta(hours=min(begin + hours, 30))
        groups.append(f"{change} {first:%d%H}/{last:%d%H} {words}")
    forecast = taf(f"1200/1306 24008KT 9999 BKN020 {' '.join(groups)}".strip())
    svg = shown(forecast, axis(36 if width == 1000 else 18, width))
    if texts(svg):
        assert_readable(svg)

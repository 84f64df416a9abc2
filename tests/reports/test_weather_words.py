"""Weather groups in words, by code table 4678 of WMO-No. 306."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.reports.model import CloudLayer
from watcher.reports.weather import DESCRIPTORS, OBSCURATION, OTHER, PRECIPITATION, parse_weather
from watcher.reports.weather_words import cloud_words, weather_words

# The table's own words for its codes; order and joining are ours.
TABLE = {
    "-SN": "light snow",
    "+SN": "heavy snow",
    "SHSN": "snow showers",
    "-SHRASN": "light rain and snow showers",
    "FZFG": "freezing fog",
    "+FZDZ": "heavy freezing drizzle",
    "-FZRAPL": "light freezing rain and ice pellets",
    "TS": "thunderstorm",
    "+TSGR": "thunderstorm with heavy hail",
    "VCSH": "showers in the vicinity",
    "VCFG": "fog in the vicinity",
    "BCFG": "patches of fog",
    "MIFG": "shallow fog",
    "DRSN": "low drifting snow",
    "BLSN": "blowing snow",
    "UP": "unknown precipitation",
}


@pytest.mark.parametrize(("code", "words"), TABLE.items())
def test_codes_of_the_table(code: str, words: str) -> None:
    assert weather_words(code) == words


@pytest.mark.parametrize("text", ["", "NOSIG", "Q1008", "<b>", "SNOW"])
def test_what_is_no_group_has_no_words(text: str) -> None:
    assert weather_words(text) is None


@given(
    st.sampled_from(["", "-", "+", "VC"]),
    st.sampled_from(["", *DESCRIPTORS]),
    st.lists(st.sampled_from([*PRECIPITATION, *OBSCURATION, *OTHER]), max_size=3, unique=True),
)
def test_every_group_that_is_read_has_words_without_codes(sign: str, descriptor: str, phenomena: list[str]) -> None:
    code = sign + descriptor + "".join(phenomena)
    words = weather_words(code)
    if parse_weather(code) is None:
        assert words is None
    else:
        assert words
        assert words == words.lower().strip()


def test_clouds() -> None:
    layers = [CloudLayer("BKN", 600), CloudLayer("OVC", 1200, "CB"), CloudLayer(None, None)]
    assert cloud_words(layers) == "broken at 600 ft; overcast at 1200 ft, cumulonimbus; amount not known"
    assert cloud_words([CloudLayer("NCD", None)]) == "no cloud detected"
    assert cloud_words(None) == "not reported"

"""Bands of temperature and visibility as tables write them."""

from __future__ import annotations

from math import inf

import pytest

from tests.treatment.at_hand import figures
from watcher.treatment.bands import temperature_band, visibility_band


@pytest.mark.parametrize(
    ("text", "inside", "outside"),
    [
        ("-3 and above", (-3.0, 40.0), (-3.1,)),
        ("above 0", (0.1,), (0.0, -1.0)),
        ("0 to -3", (0.0, -3.0), (0.1, -3.1)),
        ("below -3 to -14", (-3.1, -14.0), (-3.0, -14.1)),
        ("below -14", (-14.1, -60.0), (-14.0,)),
        ("-1 and below", (-1.0, -30.0), (-0.9,)),
        ("any", (-80.0, 50.0), ()),
        ("below −3 to −14", (-14.0,), (-3.0,)),
    ],
)
def test_a_band_of_temperature_holds_what_its_words_say(text, inside, outside):
    band = temperature_band(text)
    assert all(value in band for value in inside)
    assert not any(value in band for value in outside)


@pytest.mark.parametrize(
    ("text", "inside", "outside"),
    [
        ("up to 1", (0.0, 1.0), (1.01,)),
        ("below 800", (0.0, 799.0), (800.0,)),
        ("above 1 to 2.5", (1.01, 2.5), (1.0, 2.51)),
        ("from 2400 to below 3200", (2400.0, 3199.0), (3200.0, 2399.0)),
        ("above 4", (4.01, 99.0), (4.0,)),
        ("from 4000", (4000.0, 10000.0), (3999.0,)),
    ],
)
def test_a_band_of_visibility_holds_what_its_words_say(text, inside, outside):
    band = visibility_band(text)
    assert all(value in band for value in inside)
    assert not any(value in band for value in outside)


@pytest.mark.parametrize("text", ["", "-3", "warm", "-14 to -3", "below -14 to -3", "0 to", "-3 & above"])
def test_what_is_no_band_is_refused_with_the_forms_allowed(text):
    with pytest.raises(ValueError, match=r"is no band|the wrong way round"):
        temperature_band(text)


def test_every_band_of_the_reference_figures_has_the_limits_that_they_give_as_numbers():
    names = ("hot_type4_generic.csv", "hot_active_frost.csv", "hot_type3_generic.csv", "fluid_application_type2_4.csv")
    for row in (row for name in names for row in figures(name)):
        band = temperature_band(row["oat_band"])
        assert band.high == (float(row["t_hi_c"]) if row["t_hi_c"] else inf)
        assert band.low == (float(row["t_lo_c"]) if row["t_lo_c"] else -inf)
        assert not row["t_hi_incl"] or band.high_in is (row["t_hi_incl"] == "1")
        assert not row["t_lo_incl"] or band.low_in is (row["t_lo_incl"] == "1")


def test_neighbours_meet_without_gap_or_overlap():
    warm, cold = temperature_band("-3 and above"), temperature_band("below -3 to -14")
    assert warm.meets(cold)
    assert not warm.overlaps(cold)
    assert warm.overlaps(temperature_band("-3 and below"))
    assert not warm.meets(temperature_band("below -4"))

"""The invented winters that tests and benchmarks of replays stand on are what the decoder makes of their texts."""

from __future__ import annotations

from pathlib import Path

from polars.testing import assert_frame_equal

from tests.replay.winters import Winter, forecasts, lines, observed, partitions
from watcher.replay.decoding.frames import forecast_frame, observed_frame
from watcher.reports.decode import decode_report
from watcher.reports.model import Forecast, Observation

WINTER = Winter(stations=5, days=40, seed=3, received=True)


def test_the_columns_of_a_winter_are_those_that_its_texts_decode_to() -> None:
    drawn = observed(WINTER)
    entries = []
    for made_at, received_at, order, raw in drawn.select("observed_at", "received_at", "order", "raw").iter_rows():
        seen = decode_report(raw, received_at=received_at, observed_at=made_at)
        assert isinstance(seen, Observation), seen
        entries.append((seen, received_at, order))
    # What the live path would pass over is said by the gathering, not by the draw.
    assert_frame_equal(observed_frame(entries).drop("passed_over", "in_force"), drawn.drop("passed_over", "in_force"))


def test_the_forecasts_of_a_winter_are_those_that_its_texts_decode_to() -> None:
    drawn = forecasts(WINTER)
    entries = []
    for made_at, order, raw in drawn.select("issued_at", "order", "raw").iter_rows():
        seen = decode_report(raw, received_at=made_at)
        assert isinstance(seen, Forecast), seen
        assert not seen.doubts
        entries.append((seen, None, order))
    assert_frame_equal(forecast_frame(entries), drawn)


def test_a_winter_has_what_a_winter_has() -> None:
    """Snow, freezing rain and fog, spells, SPECIs, corrections, NILs and gaps."""
    drawn = observed(Winter(stations=8, days=120))
    weather = set(drawn["weather"])
    assert weather >= {"-SN", "SN", "-FZRA", "-FZDZ", "FZFG", "-RA", "BR", ""}
    assert {"SPECI", "METAR"} == set(drawn["kind"].cast(str))
    assert drawn["correction"].is_not_null().sum() > 10
    assert drawn["nil"].sum() > 3
    snow = drawn["weather"].str.contains("SN")
    assert 0.02 < snow.mean() < 0.3
    begins = (snow & ~snow.shift(1, fill_value=False)).sum()
    assert snow.sum() / begins > 4  # reports of one spell
    assert drawn.height < 8 * 120 * 48 * 1.1


def test_a_winter_is_the_same_for_the_same_seed(tmp_path: Path) -> None:
    assert list(lines(WINTER)) == list(lines(WINTER))
    made = partitions(WINTER, tmp_path, rows_each=4000)
    assert sum(partition.rows for partition in made) == observed(WINTER).height
    assert len(made) == 3

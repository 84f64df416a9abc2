"""Facts are made once: other rules are judged from the file that keeps them, with the same answers."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from tests.replay.winters import Winter, observed, partitions, positions
from watcher.alerts.model import Policy
from watcher.replay.columns.partition import run_partition, together
from watcher.replay.columns.stored import WHEN, judged_reports, stored_facts
from watcher.rulebook.words import Kind
from watcher.service.rules_folder import load_rulebook

WINTER = Winter(stations=5, days=10, received=True)
RULES = load_rulebook().of_kind(Kind.OBSERVED)


@pytest.fixture
def parts(tmp_path):
    return partitions(WINTER, tmp_path / "partitions", rows_each=1000, tafs=False)


def test_kept_facts_give_the_verdicts_that_fresh_ones_give(parts, tmp_path):
    for part in parts:
        fresh = judged_reports(part, RULES, positions(WINTER)).collect()
        kept = judged_reports(part, RULES, positions(WINTER), tmp_path / "facts").collect()
        assert fresh.columns[: len(WHEN)] == list(WHEN)
        assert kept.equals(fresh)


def test_facts_are_made_again_only_where_what_they_rest_on_changed(parts, tmp_path):
    places = positions(WINTER)
    first = stored_facts(parts[0], places, tmp_path / "facts")
    made_at = first.stat().st_mtime_ns
    elsewhere = {
        code: replace(station, zone="UTC") for code, station in places.items() if code not in parts[0].stations
    }
    assert stored_facts(parts[0], places | elsewhere, tmp_path / "facts") == first
    assert first.stat().st_mtime_ns == made_at
    moved = {code: replace(station, longitude_deg=-100.0) for code, station in places.items()}
    assert stored_facts(parts[0], moved, tmp_path / "facts") != first


def test_a_partition_is_counted_and_several_are_one(parts):
    places = positions(WINTER)
    results = [run_partition(part, rules=RULES, positions=places, policy=Policy()) for part in parts]
    whole = together(results)
    frame = observed(WINTER)
    assert whole.rows == frame.height
    assert 0 < whole.heard < whole.rows
    snow = whole.counts.row(by_predicate=pl.col("rule") == "snow", named=True)
    told = frame["weather"].str.contains("SN").sum()
    assert (snow["begins"], snow["goes_on"]) == (told, told)
    assert snow["unknown"] == (~frame["weather_observable"]).sum()
    assert whole.spells.height == sum(result.spells.height for result in results)


def test_nothing_is_no_result():
    with pytest.raises(ValueError, match="empty"):
        together([])

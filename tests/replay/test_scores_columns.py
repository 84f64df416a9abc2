"""Whole columns and the judgement itself lead to the same scores, on invented winters and on real reports."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from tests.replay.winters import Winter, partitions, positions
from tests.reports.open_data import common_reports
from watcher.alerts.model import Policy
from watcher.replay.decoding.frames import observed_frame
from watcher.replay.gathering.model import Partition
from watcher.replay.gathering.stored import stored_reports
from watcher.replay.rehearsal.station import rehearse_station
from watcher.replay.scores.alerts import alerts_of_runs
from watcher.replay.scores.columns import tally_partition
from watcher.replay.scores.score import score
from watcher.replay.scores.subjects import subjects_of
from watcher.replay.scores.tally import Tally, tally, together
from watcher.reports.decode import decode_report
from watcher.reports.model import Observation
from watcher.reports.station import Station
from watcher.service.rules_folder import load_rulebook
from watcher.stations import StationTable

POLICY = Policy()


def rehearsed(partition: Partition, places: dict[str, Station]) -> Tally:
    """Every report through the judgement."""
    book = load_rulebook()
    runs = []
    for code in partition.stations:
        heard = list(stored_reports(partition, [code]))
        run = rehearse_station(places[code], heard, rulebook=book, policy=POLICY, until=heard[-1].received_at)
        assert run is not None
        runs.append(run)
    return tally(pl.scan_parquet(partition.reports), alerts_of_runs(runs), subjects_of(book), policy=POLICY)


def in_columns(partition: Partition, places: dict[str, Station]) -> Tally:
    return tally_partition(partition, rulebook=load_rulebook(), positions=places, policy=POLICY)


def assert_same(one: Tally, other: Tally) -> None:
    order = ["station", "phenomenon", "flag", "at_least", "began_at"]
    assert_frame_equal(one.outcomes.sort(order), other.outcomes.sort(order))
    assert np.array_equal(one.hours.by_station, other.hours.by_station)
    assert np.array_equal(one.hours.by_month, other.hours.by_month)
    assert (one.onsets, one.unseen_onsets, one.unproved) == (other.onsets, other.unseen_onsets, other.unproved)


def test_scores_over_columns_are_those_of_the_judgement(tmp_path: Path):
    """Without TAFs both paths know the same."""
    winter = Winter(stations=2, days=8, seed=11)
    (partition,) = partitions(winter, tmp_path, tafs=False)
    places = dict(positions(winter))
    assert_same(in_columns(partition, places), rehearsed(partition, places))


def test_scores_add_up_over_partitions(tmp_path: Path):
    winter = Winter(stations=12, days=4, seed=3)
    places = dict(positions(winter))
    (whole,) = partitions(winter, tmp_path / "whole", tafs=False)
    parts = partitions(winter, tmp_path / "parts", rows_each=3 * 4 * 48, tafs=False)
    assert len(parts) == 4
    added = together(in_columns(part, places) for part in reversed(parts))
    assert_same(in_columns(whole, places), added)
    assert score(added) == score(in_columns(whole, places))


@pytest.mark.slow
def test_scores_of_bodo_2024_over_columns_are_those_of_the_judgement(tmp_path: Path):
    """5,363 METARs of ENBO, Norwegian Meteorological Institute, CC BY 4.0 (tests/data/reports)."""
    entries = [
        (decoded, None, number)
        for number, sent in enumerate(common_reports())
        if sent.source == "met-no-ENBO-2024"
        and isinstance(decoded := decode_report(sent.text, received_at=sent.received_at), Observation)
    ]
    frame = observed_frame(entries)
    frame.write_parquet(tmp_path / "bodo.parquet")
    partition = Partition(tmp_path / "bodo.parquet", None, ("ENBO",), len(frame))
    places = {"ENBO": StationTable.load().get("ENBO")}
    found = in_columns(partition, places)
    assert_same(found, rehearsed(partition, places))
    # The set is a selection with gaps: most beginnings were not seen, and nobody is measured by them.
    assert found.unseen_onsets["snow"] > found.onsets["snow"] > 0

"""Partitions are worked on here, by processes of this machine, or by the workers of a cluster: the answers are the same."""

from __future__ import annotations

import logging
import os
from functools import partial

import pytest

from tests.replay.winters import Winter, partitions, positions
from tests.replay.works import doubled, dying, dying_once, failing, filling
from watcher.alerts.model import Policy
from watcher.errors import DiskFull, HoarlineError, PartitionError
from watcher.replay import dask_workers
from watcher.replay.cluster import over_partitions
from watcher.replay.columns.partition import Judged, run_partition, together
from watcher.replay.dask_workers import HERE
from watcher.service.rules_folder import load_rulebook

NUMBERS = (5, 1, 2, 4)
WINTER = Winter(stations=6, days=4)


@pytest.fixture
def quiet_dask(monkeypatch):
    """Dask tells in its log of workers that die, which is what is tested."""
    for name in ("distributed", "distributed.nanny", "distributed.scheduler", "distributed.core", "distributed.worker"):
        monkeypatch.setattr(logging.getLogger(name), "level", logging.CRITICAL + 1)


def test_one_process_answers_in_the_order_of_the_partitions():
    assert list(over_partitions(doubled, NUMBERS)) == [10, 2, 4, 8]


def test_an_error_names_its_partition_and_what_was_wrong():
    with pytest.raises(PartitionError, match=r"^3: ZeroDivisionError: integer division"):
        list(over_partitions(failing, (1, 3, 4)))


@pytest.mark.slow
def test_several_processes_answer_in_the_same_order():
    assert list(over_partitions(doubled, NUMBERS, processes=2)) == [10, 2, 4, 8]


@pytest.mark.slow
def test_an_error_in_another_process_names_its_partition_too():
    with pytest.raises(PartitionError, match=r"^3: ZeroDivisionError"):
        list(over_partitions(failing, (1, 3, 4), processes=2))


@pytest.mark.parametrize(
    "where",
    [
        {},
        pytest.param({"processes": 2}, marks=pytest.mark.slow),
        pytest.param({"scheduler": HERE}, marks=pytest.mark.slow),
    ],
    ids=["here", "processes", "cluster"],
)
def test_a_full_disk_is_told_by_its_own_error_from_wherever_it_filled(tmp_path, where, quiet_dask):
    answers = over_partitions(partial(filling, folder=tmp_path), (1, 2, 4), **where)
    assert next(answers) == 2
    with pytest.raises(DiskFull, match=rf"^2: {tmp_path}/2\.json: cannot be written: No space left on device\. What"):
        next(answers)
    assert not (tmp_path / "2.json").exists()


@pytest.mark.slow
def test_the_partition_of_a_process_that_dies_is_worked_on_again(tmp_path):
    work = partial(dying_once, folder=tmp_path)
    assert list(over_partitions(work, NUMBERS, processes=2)) == [10, 2, 4, 8]


@pytest.mark.slow
def test_a_partition_whose_process_always_dies_is_named_after_the_answers_before_it():
    answers = over_partitions(dying, NUMBERS, processes=2)
    assert [next(answers), next(answers)] == [10, 2]
    with pytest.raises(PartitionError, match=r"^2: the process that worked on it died, 3 times"):
        next(answers)


@pytest.mark.slow
def test_a_cluster_says_of_a_winter_what_one_process_says(tmp_path):
    parts = partitions(WINTER, tmp_path, rows_each=400, tafs=False)
    assert len(parts) == 3
    work = partial(
        run_partition,
        rules=load_rulebook().rules,
        positions=positions(WINTER),
        policy=Policy(),
        kept=tmp_path / "facts",
    )
    alone = together(over_partitions(work, parts))
    assert alone.spells.height > 20
    assert same(alone, together(over_partitions(work, parts, scheduler=HERE, processes=2)))


@pytest.mark.slow
def test_a_worker_that_dies_is_no_loss_and_a_partition_that_kills_workers_is_named(tmp_path, quiet_dask):
    work = partial(dying_once, folder=tmp_path)
    assert list(over_partitions(work, NUMBERS, scheduler=HERE, processes=2)) == [10, 2, 4, 8]
    with pytest.raises(PartitionError, match=r"^2: the process that worked on it died, 3 times"):
        list(over_partitions(dying, NUMBERS, scheduler=HERE, processes=2))


@pytest.mark.slow
def test_a_running_scheduler_is_used_by_its_address_if_its_workers_have_this_program(monkeypatch, quiet_dask):
    from distributed import LocalCluster

    with LocalCluster(n_workers=1, threads_per_worker=1, host="127.0.0.1", dashboard_address=None) as cluster:
        address = cluster.scheduler_address
        assert list(over_partitions(doubled, NUMBERS, scheduler=address)) == [10, 2, 4, 8]
        with pytest.raises(PartitionError, match=r"^3: ZeroDivisionError"):
            list(over_partitions(failing, (1, 3, 4), scheduler=address))
        monkeypatch.setattr(dask_workers, "program", another_program)
        with pytest.raises(HoarlineError, match="this worker has another program than this machine"):
            list(over_partitions(doubled, NUMBERS, scheduler=address))


@pytest.mark.slow
def test_where_no_scheduler_answers_that_is_said(monkeypatch):
    monkeypatch.setattr(dask_workers, "_PATIENCE_S", 1)
    with pytest.raises(
        HoarlineError, match=r"^tcp://127\.0\.0\.1:9: no scheduler with workers answers there within 1 s"
    ):
        list(over_partitions(doubled, NUMBERS, scheduler="tcp://127.0.0.1:9"))


def another_program() -> str:
    """Answer otherwise in each process."""
    return str(os.getpid())


def same(one: Judged, other: Judged) -> bool:
    frames = [(one.spells, other.spells), (one.changes, other.changes), (one.counts, other.counts)]
    return (one.rows, one.heard) == (other.rows, other.heard) and all(a.equals(b) for a, b in frames)

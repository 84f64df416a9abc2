"""The scores of observed rules over whole columns: partition by partition, on one machine or on many."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from watcher.alerts.model import Policy
from watcher.replay.columns.facts import reported_columns, with_facts
from watcher.replay.columns.spells import level_changes
from watcher.replay.columns.verdicts import facts_of, with_verdicts
from watcher.replay.gathering.model import Partition
from watcher.replay.scores.alerts import alerts_of_changes
from watcher.replay.scores.subjects import subjects_of
from watcher.replay.scores.tally import Tally, tally
from watcher.replay.truth import READ
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook
from watcher.rulebook.words import Kind


def tally_partition(
    partition: Partition, *, rulebook: Rulebook, positions: Mapping[str, Station], policy: Policy
) -> Tally:
    """Return what one partition gives to the scores by what its reports say; TAFs and blindness are left out.

    Parameters
    ----------
    partition
        Whole stations.
    rulebook
        Its observed rules are followed.
    positions
        Stations by code, for day and night.
    policy
        The settings of the judgement.
    """
    rules = rulebook.of_kind(Kind.OBSERVED)
    facts = facts_of(rules)
    reports = pl.scan_parquet(partition.reports)
    judged = with_verdicts(with_facts(reports.select(reported_columns(facts)), positions, facts), rules)
    alerts = alerts_of_changes(level_changes(judged, rules, policy))
    return tally(reports.select(READ), alerts, subjects_of(rulebook), policy=policy)

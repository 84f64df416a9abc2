"""Observed episodes over whole columns: openings, levels and ends as the judgement tells them, report by report."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from watcher.alerts.model import Policy
from watcher.rulebook.model import Rule


def spells(frame: pl.LazyFrame, rules: Sequence[Rule], policy: Policy) -> pl.DataFrame:
    """Return the observed episodes that opened, one a row, by station, flag and opening.

    Parameters
    ----------
    frame
        `with_verdicts(with_facts(...), rules)`: whole stations.
    rules
        Those judged on reports; the verdicts of others are not asked.
    policy
        For `stale_after`.

    Returns
    -------
    DataFrame
        `station`, `flag`, `level` (the highest, 1 to 4), `began_at` (by observation), `opened_at` and `ended_at` (when
        it was heard; null: still open at the end), `opened_by`, `ended_by` (observation times of those reports),
        `rules` (list: those that counted in it).
    """
    raise NotImplementedError


def level_changes(frame: pl.LazyFrame, rules: Sequence[Rule], policy: Policy) -> pl.DataFrame:
    """Return every opening, rise, fall and end: `station`, `flag`, `at`, `observed_at`, `level_before`, `level_after`.

    Level 0 is none: an opening comes from it, an end leads to it.
    """
    raise NotImplementedError

"""Scores as JSON: a value that rests on too little is null, what it rests on is always there."""

from __future__ import annotations

from collections.abc import Mapping

from watcher.notify.message import CAUTION
from watcher.replay.phenomena import PROOFS
from watcher.replay.scores.bootstrap import COVERAGE, Interval
from watcher.replay.scores.estimate import LEAST_CASES, Estimate
from watcher.replay.scores.model import ArchiveShare, BlockScore, ExpectedScore, HourScore, OnsetScore, Scores
from watcher.replay.scores.ratios import FourCounts
from watcher.replay.scores.reliability import Brier, CertaintyClass
from watcher.replay.scores.score import LEAD_CLASSES
from watcher.replay.scores.subjects import Subject
from watcher.units import iso_z

# Bumped when a field is renamed or means something else; fields may be added.
CONTRACT_VERSION = 1


def to_json(scores: Scores) -> dict[str, object]:
    """Return the scores for JSON.

    Shares and scores are objects ``{"value", "counted", "of", "low", "high"}``: `value` is null where `of` is below
    `least_cases` or the score is 0 / 0; `low` and `high` hold 95 of 100 draws, null where none can be given.
    """
    return {
        "version": CONTRACT_VERSION,
        "rests_on": _archive(scores.archive),
        "apart_min": scores.apart_min,
        "tolerance_min": scores.tolerance_min,
        "least_cases": LEAST_CASES,
        "coverage": COVERAGE,
        "drawn": scores.drawn,
        "proved_by": {flag.value: proof.phenomenon.value for flag, proof in PROOFS.items()},
        "not_provable": dict(scores.unproved),
        "onsets_seen": dict(scores.onsets_seen),
        "onsets_unseen": dict(scores.onsets_unseen),
        "onsets": [_onset(row) for row in scores.onsets],
        "hours": [_hour(row) for row in scores.hours],
        "expected": [_expected(row) for row in scores.expected],
        "certainties": [_certainty(row) for row in scores.certainties],
        "brier": _brier(scores.brier),
        "by_station": _blocks(scores.by_station),
        "by_month": _blocks(scores.by_month),
        "caution": CAUTION,
    }


def _archive(share: ArchiveShare) -> dict[str, object]:
    return {
        "stations": share.stations,
        "from": iso_z(share.begins_at) if share.begins_at is not None else None,
        "until": iso_z(share.ends_at) if share.ends_at is not None else None,
        "taken": share.taken,
        "left": share.left,
        "not_whole": list(share.lost),
        "taken_share": _rounded(share.taken_share),
        "reports": share.reports,
        "reports_counted": share.counted,
        "watched_min": share.watched_min,
        "seen_min": share.seen_min,
        "seen_share": _rounded(share.seen_share),
    }


def _subject(subject: Subject) -> dict[str, object]:
    return {
        "flag": subject.flag,
        "at_least": subject.at_least.word,
        "proved_by": subject.phenomenon.value,
        "precursor": subject.precursor,
    }


def _onset(row: OnsetScore) -> dict[str, object]:
    leads = row.leads
    return {
        **_subject(row.subject),
        "onsets": row.onsets,
        "ahead": _estimate(row.ahead),
        "with_report": row.with_report,
        "never": row.never,
        "lead_min": {"p25": leads.p25, "median": leads.median, "p75": leads.p75} if leads is not None else None,
        "lead_classes": dict(zip(LEAD_CLASSES, row.lead_classes, strict=True)),
        "first_told_by": dict(row.by),
    }


def _hour(row: HourScore) -> dict[str, object]:
    return {
        **_subject(row.subject),
        "within_h": row.lead_h,
        "only_where_not_yet": row.not_yet,
        **_counts(row.counts),
        "not_judged": row.unjudged,
        **{name: _estimate(estimate) for name, estimate in row.scores.items()},
    }


def _expected(row: ExpectedScore) -> dict[str, object]:
    return {
        "flag": row.flag,
        "level": row.level,
        "certainty": row.certainty,
        "alerts": row.alerts,
        "came": _estimate(row.came),
        "in_vain": row.in_vain,
        "not_reported": row.not_reported,
        "taken_back": row.taken_back,
        "not_judgeable": row.not_judgeable,
    }


def _certainty(row: CertaintyClass) -> dict[str, object]:
    return {"certainty": row.certainty, "stated": row.stated, "came": _estimate(row.came)}


def _brier(brier: Brier | None) -> dict[str, object] | None:
    if brier is None:
        return None
    return {
        "alerts": brier.alerts,
        "score": _rounded(brier.score),
        **_ends(brier.interval),
        "reliability": _rounded(brier.reliability),
        "resolution": _rounded(brier.resolution),
        "uncertainty": _rounded(brier.uncertainty),
        "base_rate": _rounded(brier.base_rate),
    }


def _blocks(rows: tuple[BlockScore, ...]) -> dict[str, dict[str, Mapping[str, int]]]:
    found: dict[str, dict[str, Mapping[str, int]]] = {}
    for row in rows:
        found.setdefault(row.name, {})[row.flag] = _counts(row.counts)
    return found


def _counts(counts: FourCounts) -> dict[str, int]:
    return {"hits": counts.hits, "in_vain": counts.in_vain, "misses": counts.misses, "quiet": counts.quiet}


def _estimate(estimate: Estimate) -> dict[str, object]:
    return {
        "value": _rounded(estimate.value),
        "counted": estimate.counted,
        "of": estimate.of,
        **_ends(estimate.interval),
    }


def _ends(interval: Interval | None) -> dict[str, float | None]:
    if interval is None:
        return {"low": None, "high": None}
    return {"low": _rounded(interval.low), "high": _rounded(interval.high)}


def _rounded(value: float | None) -> float | None:
    """Return a figure without digits that mean nothing."""
    return None if value is None else round(value, 4)

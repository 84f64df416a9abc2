"""A comparison as JSON: levels by their words, times in Z."""

from __future__ import annotations

from watcher.replay.comparison.model import Comparison, Difference, Row, Side, Stretch
from watcher.replay.messages import load_as_contract
from watcher.units import iso_z


def comparison_as_contract(comparison: Comparison) -> dict[str, object]:
    """Return a comparison for JSON. `now`: the rules in force; `other`: those that they are held against."""
    return {
        "now": _side(comparison.now),
        "other": _side(comparison.other),
        "rules": {
            "added": list(comparison.rules.added),
            "removed": list(comparison.rules.removed),
            "edited": list(comparison.rules.edited),
        },
        "totals": _row(comparison.totals),
        "by_flag": {flag.value: _row(row) for flag, row in comparison.by_flag.items()},
        "by_station": {code: _row(row) for code, row in comparison.by_station.items()},
        "differences": [_difference(item) for item in comparison.differences],
        "differences_not_listed": comparison.left_out,
    }


def _side(side: Side) -> dict[str, object]:
    return {
        "name": side.name,
        "rules": side.rules,
        "fingerprint": side.fingerprint,
        "messages": [load_as_contract(load) for load in side.loads],
    }


def _row(row: Row) -> dict[str, object]:
    changes = {change.value: number for change, number in row.changes.items()}
    return {"now": row.now, "other": row.other, "same": row.same, **changes}


def _difference(difference: Difference) -> dict[str, object]:
    opens, ends = difference.opens_later_by, difference.ends_later_by
    return {
        "station": difference.station,
        "flag": difference.flag.value,
        "change": difference.change.value,
        "at": iso_z(difference.at),
        "now": _stretch(difference.now),
        "other": _stretch(difference.other),
        "opens_later_min": round(opens.total_seconds() / 60) if opens is not None else None,
        "ends_later_min": round(ends.total_seconds() / 60) if ends is not None else None,
    }


def _stretch(stretch: Stretch | None) -> dict[str, object] | None:
    if stretch is None:
        return None
    return {
        "level": stretch.level.word,
        "kinds": sorted(stretch.kinds),
        "opened_at": iso_z(stretch.opened_at),
        "reached_at": iso_z(stretch.reached_at),
        "ended_at": iso_z(stretch.ended_at) if stretch.ended_at is not None else None,
        "episodes": list(stretch.episodes),
        "rules": list(stretch.rules),
    }

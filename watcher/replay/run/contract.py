"""A replay as JSON: levels by their words, times in Z, durations in hours or minutes by their names."""

from __future__ import annotations

from datetime import timedelta

from watcher.notify.message import CAUTION
from watcher.replay.archives.sources import Fault, called
from watcher.replay.comparison.contract import comparison_as_contract
from watcher.replay.gathering.share import share_of
from watcher.replay.messages import load_as_contract
from watcher.replay.rehearsal.model import PlayedEpisode
from watcher.replay.rehearsal.totals import FlagRow, StationRow
from watcher.replay.run.caveats import caveats
from watcher.replay.run.rules import NamedRules
from watcher.replay.run.whole import Replayed
from watcher.units import iso_z


def replayed_as_contract(replayed: Replayed) -> dict[str, object]:
    """Return all that a run found."""
    asked, totals = replayed.asked, replayed.totals
    return {
        "archive": _archive(replayed),
        "by_columns": replayed.by_columns,
        "from": iso_z(replayed.begins_at),
        "until": iso_z(replayed.ends_at),
        "rules": _rules(asked.rules),
        "totals": {
            "stations": len(totals.stations),
            "reports": totals.reports,
            "forecasts": totals.forecasts,
            "heard_stale": totals.late,
            "episodes": totals.episodes,
            "never_confirmed": totals.unconfirmed,
            "watched_h": _hours(totals.watched),
            "blind_h": _hours(totals.blind) if totals.blind is not None else None,
        },
        "episodes": [_flag(row) for row in totals.flags],
        "stations": [_station(row) for row in totals.stations],
        "messages": [load_as_contract(load) for load in replayed.loads],
        "comparison": comparison_as_contract(replayed.comparison) if replayed.comparison is not None else None,
        "caveats": list(caveats(replayed)),
        "work": str(asked.work),
        "caution": CAUTION,
    }


def episode_as_contract(episode: PlayedEpisode) -> dict[str, object]:
    """Return one episode."""
    ended, confirmed = episode.ended_at, episode.confirmed_at
    return {
        "episode": episode.id,
        "station": episode.station,
        "flag": episode.flag.value,
        "opened_as": episode.kind.value,
        "level": episode.level.word,
        "levels": [{"at": iso_z(step.at), "level": step.level.word} for step in episode.steps],
        "began_at": iso_z(episode.began_at),
        "opened_at": iso_z(episode.opened_at),
        "confirmed_at": iso_z(confirmed) if confirmed is not None else None,
        "ended_at": iso_z(ended) if ended is not None else None,
        "came_true": episode.came_true if episode.certainty is not None else None,
        "lead_min": _minutes(episode.lead),
        "rules": list(episode.rules),
    }


def _archive(replayed: Replayed) -> dict[str, object]:
    gathered = replayed.gathered
    share = share_of(gathered)
    return {
        "paths": [called(path) for path in replayed.asked.paths],
        "credit": replayed.asked.credit,
        "lines": gathered.counts.lines,
        "reports": gathered.counts.reports,
        "forecasts": gathered.counts.forecasts,
        "duplicates": gathered.counts.duplicates,
        "out_of_order": gathered.counts.out_of_order,
        "superseded": gathered.counts.superseded,
        "unreadable": gathered.counts.unreadable,
        "undated": gathered.counts.undated,
        "begins_at": iso_z(gathered.begins_at) if gathered.begins_at is not None else None,
        "ends_at": iso_z(gathered.ends_at) if gathered.ends_at is not None else None,
        "whole": share.whole,
        "read_share": round(share.read, 6),
        "faults": [{"file": file, "kind": kind, "count": count} for (file, kind), count in _counted(replayed)],
        "first_faults": [_fault(fault) for fault in gathered.faults],
    }


def _counted(replayed: Replayed) -> list[tuple[tuple[str, str], int]]:
    return sorted(replayed.gathered.fault_counts.items())


def _fault(fault: Fault) -> dict[str, object]:
    return {"file": fault.file, "line": fault.line, "kind": fault.kind, "what": fault.what}


def _rules(rules: NamedRules) -> dict[str, object]:
    return {
        "name": rules.name,
        "rules": len(rules.book.rules),
        "fingerprint": rules.book.fingerprint,
        "examples_that_do_not_hold": [str(problem) for problem in rules.broken],
    }


def _flag(row: FlagRow) -> dict[str, object]:
    return {
        "flag": row.flag.value,
        "level": row.level.word,
        "episodes": row.episodes,
        "observed": row.observed,
        "expected": row.expected,
        "came_true": row.came_true,
        "not_seen": row.not_seen,
        "open_h": _hours(row.open_for),
        "median_lead_min": _minutes(row.median_lead),
    }


def _station(row: StationRow) -> dict[str, object]:
    return {
        "station": row.station,
        "reports": row.reports,
        "forecasts": row.forecasts,
        "heard_stale": row.late,
        "episodes": row.episodes,
        "by_level": {level.word: count for level, count in row.by_level.items()},
        "treat_or_worse_h": _hours(row.in_need),
        "watched_h": _hours(row.watched),
        "blind_h": _hours(row.blind) if row.blind is not None else None,
        "blind_spells": row.blind_spells,
    }


def _hours(duration: timedelta) -> float:
    return round(duration.total_seconds() / 3600, 2)


def _minutes(duration: timedelta | None) -> int | None:
    return round(duration.total_seconds() / 60) if duration is not None else None

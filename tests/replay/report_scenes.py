"""An invented report: some stations' scores, what would have been told, two rulebooks, and an archive with faults."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from tests.replay.own_frames import BEGIN, hourly, reports
from watcher.replay.archives.sources import Fault
from watcher.replay.columns.spells import CHANGES
from watcher.replay.comparison.model import Change, Comparison, Row, RuleChanges, Side
from watcher.replay.gathering.model import Counts
from watcher.replay.messages import MessageLoad
from watcher.replay.rehearsal.totals import FlagRow, StationRow, Totals
from watcher.replay.report_page.facts import ReportFacts
from watcher.replay.scores.alerts import EXPECTED, alerts_of_changes
from watcher.replay.scores.model import Scores
from watcher.replay.scores.score import score
from watcher.replay.scores.subjects import subjects_of
from watcher.replay.scores.tally import tally, together
from watcher.rulebook.words import Certainty, Flag, Level
from watcher.service.rules_folder import load_rulebook

HOSTILE = '<script>alert("x")</script>'
_DAY = ". . . . . SN SN . . . . . . . . . -FZRA . . . . . . ."
_TOLD = (Certainty.PREVAILING, Certainty.TEMPORARY, Certainty.PROBABILITY_40, Certainty.PROBABILITY_30_TEMPORARY)


def scores(stations: int = 14) -> Scores:
    """Every station has the same two days; every second one is warned of the snow two hours ahead."""
    subjects = subjects_of(load_rulebook())
    tallies = []
    for number in range(stations):
        code = f"XA{number:02}"
        frame = reports(hourly(f"{_DAY} {_DAY}", station=code))
        moves = [
            ("snow", 3 if number % 2 else 5, 0, 3), ("snow", 9, 3, 0), ("freezing-precipitation", 16, 0, 3),
            ("freezing-precipitation", 20, 3, 0), ("snow", 27, 0, 3), ("snow", 33, 3, 0), ("frost-likely", 1, 0, 2),
            ("frost-likely", 7, 2, 0), ("deicing-likely", 2, 0, 2), ("deicing-likely", 12, 2, 0),
        ]  # fmt: skip
        changes = pl.DataFrame(
            [(code, flag, _at(hour), _at(hour), before, after) for flag, hour, before, after in moves],
            schema=CHANGES,
            orient="row",
        )
        expected = pl.DataFrame(
            [
                (code, "snow", 3, told.value, _at(1), _at(4 if came else 10), _at(7 if came else 13), None)
                for told in _TOLD
                for came in (True, number % 3 == 0)
            ],
            schema=EXPECTED,
            orient="row",
        )
        tallies.append(tally(frame, alerts_of_changes(changes), subjects, expected=expected))
    return score(together(tallies))


def facts(*, compared: bool = True, faults: bool = True) -> ReportFacts:
    """What an invented report is about; names and texts of the archive are hostile."""
    two_days = timedelta(days=2)
    stations = tuple(
        StationRow(
            station=f"XA{number:02}", begins_at=BEGIN, reports=48, forecasts=8, late=0, by_level=dict.fromkeys(Level, 1),
            in_need=timedelta(hours=5), watched=two_days, blind=timedelta(), blind_spells=0,
        )
        for number in range(14)
    )  # fmt: skip
    flags = (
        FlagRow(Flag.SNOW, Level.TREAT, 20, 8, 6, 2, timedelta(hours=90), timedelta(hours=2)),
        FlagRow(Flag.FROST_LIKELY, Level.PREPARE, 14, 0, 0, 0, timedelta(hours=84), None),
    )
    found = (Fault("winter.txt.gz", 17, "unreadable", f"no report: {HOSTILE}"),) if faults else ()
    return ReportFacts(
        command="hoarline replay winter.txt.gz --score --against drier.toml",
        made_at=BEGIN + timedelta(days=9),
        paths=("winter.txt.gz",),
        credit="invented reports of this project",
        rules="the shipped rules",
        rules_count=43,
        fingerprint="0123456789abcdef",
        versions={"hoarline": "0.1.0"},
        begins_at=BEGIN,
        ends_at=BEGIN + two_days,
        counts=Counts(lines=690, reports=672, forecasts=12, unreadable=6),
        faults=found,
        fault_counts={(f"winter {HOSTILE}.gz", "unreadable"): 6} if faults else {},
        totals=Totals(flags, stations, 672, 12, 0, 3),
        loads=(_load(60),),
        caveats=("NOT WHOLE: winter.txt.gz could not be read to the end.",) if faults else ("Not played: frost.",),
        comparison=_comparison() if compared else None,
    )


def _load(messages: int) -> MessageLoad:
    by_day = {date(2026, 1, 12): messages - 20, date(2026, 1, 13): 20}
    return MessageLoad(
        "one desk", "UTC", 3, messages, messages + 9, 0, 12, by_day, {Level.TREAT: messages}, {}, {}, None
    )


def _comparison() -> Comparison:
    def row(now: int, other: int, same: int, **changes: int) -> Row:
        return Row(now, other, same, {change: changes.get(change.value, 0) for change in Change})

    return Comparison(
        now=Side("the shipped rules", 43, "0123456789abcdef", (_load(60),)),
        other=Side(f"drier {HOSTILE}", 43, "fedcba9876543210", (_load(48),)),
        rules=RuleChanges((), (), ("cold-and-moist",)),
        totals=row(42, 36, 24, gone=8, new=2, shifted=10),
        by_flag={Flag.SNOW: row(28, 28, 28), Flag.DEICING_LIKELY: row(14, 8, 0, gone=8, new=2, shifted=6)},
        by_station={},
        differences=(),
        left_out=0,
    )


def _at(hour: float):
    return BEGIN + timedelta(hours=hour)

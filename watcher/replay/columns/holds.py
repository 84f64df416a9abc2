"""How one rule takes hold and lets go along all stations: the same holds that `alerts.holds` makes report by report.

What a rule does after a report follows from a few rows only, so those are looked for instead of walking all of them:

- a report that leaves `keep` unknown changes nothing;
- between two reports that deny `keep` (a stretch) a hold begins with the first report that says `enter`, and is
  confirmed by the report in which `enter` was counted often enough;
- a confirmed hold lets go at the first denial at which both waits have passed since the first denial after the last
  report that said `keep`, whatever was before that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.replay.columns.hearing import Flags, Ints
from watcher.replay.columns.timeline import Timeline
from watcher.rulebook.model import Rule

Ints32 = npt.NDArray[np.int32]

NONE = -1


@dataclass(frozen=True, slots=True)
class Chances:
    """Where a rule would begin and let go, whatever holds. All are rows, ascending.

    `begins`: where a hold would begin, one in each stretch at most. `confirms`: where it would be confirmed, NONE where
    the stretch ends before. `drops`: where it would be dropped unconfirmed. `releases`: where a confirmed hold lets go.
    """

    begins: Ints
    confirms: Ints
    drops: Ints
    releases: Ints


@dataclass(frozen=True, slots=True)
class Holds:
    """The holds of a rule, as rows: it holds from `begins` until before `ends`, from `counts_from` on confirmed.

    `counts_from` is NONE where it was never confirmed.
    """

    begins: Ints
    counts_from: Ints
    ends: Ints

    def before(self, rows: Ints) -> Flags:
        """Return whether the rule held before these reports; none of them may be its station's first."""
        held: Flags = np.searchsorted(np.sort(self.begins), rows) > np.searchsorted(np.sort(self.ends), rows)
        return held


@dataclass(frozen=True, slots=True)
class Answers:
    """What a rule says of each report: that it begins, that it goes on, that it does not."""

    enters: Flags
    keeps: Flags
    denies: Flags


@dataclass(frozen=True, slots=True)
class _Denials:
    """The reports that deny `keep`.

    `rows`: ascending, with the row after the last as the end. `before`: how many of them stand before each row.
    """

    rows: Ints
    before: Ints32

    @classmethod
    def of(cls, denies: Flags) -> _Denials:
        before = np.zeros(len(denies) + 1, dtype=np.int32)
        np.cumsum(denies, out=before[1:])
        return cls(np.append(np.flatnonzero(denies), len(denies)), before)


def chances(rule: Rule, answers: Answers, timeline: Timeline) -> Chances:
    """Return where a rule would begin and let go.

    Parameters
    ----------
    rule
        Its waits count.
    answers
        Its verdicts, one for each row of the timeline.
    timeline
        The reports.
    """
    denials = _Denials.of(answers.denies)
    begins, confirms, drops = _stretches(np.flatnonzero(answers.enters), denials, rule.confirm_reports, timeline)
    releases = _releases(np.flatnonzero(answers.keeps), denials, rule, timeline)
    return Chances(begins, confirms, drops, releases)


def holds_of(found: Chances, timeline: Timeline, at_once: Flags | None = None) -> Holds:
    """Return the holds that come of a rule's chances.

    Parameters
    ----------
    found
        The chances.
    timeline
        The reports.
    at_once
        Which of them need no confirmation, for they ask more than all that held before.
    """
    confirms = found.confirms if at_once is None else np.where(at_once, found.begins, found.confirms)
    sure = np.flatnonzero(confirms != NONE)
    begins, counts_from = found.begins[sure], confirms[sure]
    release = np.searchsorted(found.releases, counts_from)
    stop = timeline.stop(counts_from)
    ends = np.minimum(np.append(found.releases, len(timeline.line))[release], stop)
    # What is confirmed while the rule holds already goes on with it.
    first = np.ones(len(ends), dtype=np.bool_)
    first[1:] = ends[1:] != ends[:-1]
    begins, counts_from, ends = begins[first], counts_from[first], ends[first]
    waiting = np.flatnonzero(confirms == NONE)
    if not len(waiting):
        return Holds(begins, counts_from, ends)
    waits_from = found.begins[waiting]
    span = np.searchsorted(counts_from, waits_from, side="right") - 1
    waiting = waiting[(span < 0) | (np.append(ends, 0)[span] <= waits_from)]
    return Holds(
        np.concatenate([begins, found.begins[waiting]]),
        np.concatenate([counts_from, np.full(len(waiting), NONE)]),
        np.concatenate([ends, found.drops[waiting]]),
    )


def _stretches(enters: Ints, denials: _Denials, confirm_reports: int, timeline: Timeline) -> tuple[Ints, Ints, Ints]:
    """Return for each stretch in which a hold would begin: where, where it is confirmed, where it is dropped."""
    rank, station = denials.before[enters], timeline.station[enters]
    first = np.flatnonzero(_differs(rank) | _differs(station))
    after_last = np.append(first[1:], len(enters))
    # A stale report opens nothing, but counts once it has begun.
    fresh = np.flatnonzero(timeline.fresh[enters])
    begin = np.append(fresh, len(enters))[np.searchsorted(fresh, first)]
    starts = begin < after_last
    begin, after_last = begin[starts], after_last[starts]
    # A correction speaks about a report that was counted already.
    met = np.concatenate([[0], np.cumsum(_differs(timeline.line[enters]))])
    confirm = np.maximum(np.searchsorted(met, met[begin + 1] + confirm_reports - 1) - 1, begin)
    confirms = np.where(confirm < after_last, np.append(enters, NONE)[np.minimum(confirm, len(enters))], NONE)
    begins = enters[begin]
    return begins, confirms, np.minimum(denials.rows[denials.before[begins]], timeline.stop(begins))


def _differs(values: Ints | Ints32) -> Flags:
    """Return which values differ from the one before; the first does."""
    differs = np.ones(len(values), dtype=np.bool_)
    np.not_equal(values[1:], values[:-1], out=differs[1:])
    return differs


def _releases(keeps: Ints, denials: _Denials, rule: Rule, timeline: Timeline) -> Ints:
    """Return where a confirmed hold would let go: once, at most, after each report that says keep."""
    run = denials.before[keeps]
    # The last report before some are missed; the next denial may still be another station's.
    last = np.append(run[1:] != run[:-1], True)[: len(run)]
    end = np.append(run[1:], len(denials.rows) - 1)[: len(run)][last]
    run, end = run[last], np.minimum(end, denials.before[timeline.stop(keeps[last])])
    missed = run < end
    run, end = run[missed].astype(np.int64), end[missed]
    by_count = _counted_on(denials.rows, run, rule.settle_reports, timeline)
    by_time = denials.before[timeline.first_at(denials.rows[run], rule.settle_for)]
    release = np.maximum(by_count, by_time)
    found: Ints = denials.rows[release[release < end]]
    return found


def _counted_on(denials: Ints, run: Ints, reports: int, timeline: Timeline) -> Ints:
    """Return the places of the denials in which so many are counted, from those at `run` on; `run` is the first.

    Several texts of the same time are one report.
    """
    if reports <= 1:
        return run
    # Among the denials, those of the same time as the denial before: they are not counted.
    place = np.searchsorted(denials, timeline.again)
    place = place[denials[place] == timeline.again]
    place = place[place > 0]
    same = place[timeline.line[denials[place]] == timeline.line[denials[place - 1]]]
    last = run + 1 - np.searchsorted(same, run, side="right") + reports - 2
    found: Ints = last + np.searchsorted(same - np.arange(len(same)), last, side="right")
    return found

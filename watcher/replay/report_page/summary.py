"""The report in words: what was caught, what was missed, what was cried in vain, each with its counts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from watcher.replay.phenomena import Phenomenon
from watcher.replay.report_page.words import counted, flag_words, grouped, minutes_text, share_in_words, share_text
from watcher.replay.scores.estimate import LEAST_CASES
from watcher.replay.scores.model import OnsetScore, Scores
from watcher.replay.scores.score import main_subjects
from watcher.replay.scores.subjects import ANY


@dataclass(frozen=True, slots=True)
class Said:
    """One of the three answers. `figure`: the large one, `of`: what it is of. `lines`: sentences."""

    name: str
    figure: str
    of: str
    lines: tuple[str, ...]


def main_onsets(scores: Scores) -> tuple[OnsetScore, ...]:
    """Return the onsets by what each flag is measured by first."""
    main = set(main_subjects(row.subject for row in scores.onsets))
    return tuple(row for row in scores.onsets if row.subject in main)


def summary(scores: Scores) -> tuple[Said, Said, Said]:
    """Return what was caught, what was missed, what was told in vain."""
    rows = [row for row in main_onsets(scores) if not row.subject.precursor]
    onsets = sum(row.onsets for row in rows)
    caught = sum(_ahead(row) for row in rows)
    missed = onsets - caught
    judged = [row for row in scores.expected if row.came.of]
    in_vain, could = sum(row.in_vain for row in judged), sum(row.in_vain + (row.came.counted or 0) for row in judged)
    return (
        Said("Caught", grouped(caught), f"of {counted(onsets, 'onset')}", tuple(_caught(scores, rows))),
        Said("Missed", grouped(missed), f"of {counted(onsets, 'onset')}", tuple(_missed(scores, rows))),
        Said(
            "Cried in vain",
            grouped(in_vain) if scores.expected else "-",
            f"of {counted(could, 'expected alert')} that could be judged"
            if scores.expected
            else "no TAF was told from",
            tuple(_in_vain(scores)),
        ),
    )


def _ahead(row: OnsetScore) -> int:
    return row.onsets - row.with_report - row.never


def _caught(scores: Scores, rows: Sequence[OnsetScore]) -> Iterator[str]:
    for row in rows:
        if not row.onsets:
            continue
        ahead = row.ahead
        half = f", half of them at least {minutes_text(row.leads.median)} before" if row.leads is not None else ""
        yield f"{_name(row)}: {share_in_words(ahead)} told ahead{half}."
    every = next((row for row in main_onsets(scores) if row.subject.flag == ANY), None)
    if every is not None and every.onsets:
        before, level = share_in_words(every.ahead), every.subject.at_least.word
        words = Phenomenon.PRECIPITATION.words
        yield f"Some alert, {level} or worse, was open before {before} onsets of {words}."


def _missed(scores: Scores, rows: Sequence[OnsetScore]) -> Iterator[str]:
    for row in rows:
        if row.onsets and _ahead(row) < row.onsets:
            never = f", {grouped(row.never)} never" if row.never else ""
            yield f"{_name(row)}: {grouped(row.with_report)} told only by the report of the onset itself{never}."
    silent = [row for row in rows if not row.onsets]
    if silent:
        yield f"No onset was seen of: {', '.join(row.subject.phenomenon.words for row in silent)}."
    unseen = scores.onsets_unseen.get(Phenomenon.PRECIPITATION.value, 0)
    if unseen:
        begin = "beginning of freezing or frozen precipitation was"
        begins = "beginnings of freezing or frozen precipitation were"
        yield f"{grouped(unseen)} {begin if unseen == 1 else begins} not seen (gaps): nobody is measured by them."


def _in_vain(scores: Scores) -> Iterator[str]:
    by_flag: dict[str, list[int]] = {}
    for row in scores.expected:
        sums = by_flag.setdefault(row.flag, [0, 0, 0, 0, 0])
        counts = (row.came.counted or 0, row.in_vain, row.taken_back, row.not_judgeable, row.not_reported)
        for place, count in enumerate(counts):
            sums[place] += count
    for flag, (came, in_vain, _, _, not_reported) in by_flag.items():
        if came + in_vain:
            total = came + in_vain
            share = f" ({share_text(in_vain / total)})" if total >= LEAST_CASES else ""
            yield f"{flag_words(flag).capitalize()}: {grouped(in_vain)} of {grouped(total)}{share} did not come."
        elif not_reported:
            yield f"{flag_words(flag).capitalize()}: after {grouped(not_reported)} no precipitation was reported."
    back, unjudged = (sum(sums[place] for sums in by_flag.values()) for place in (2, 3))
    if back:
        yield f"{grouped(back)} more were taken back before they were to begin."
    if unjudged:
        yield f"{grouped(unjudged)} could not be judged: nobody was looking all the time, or no report can tell."
    if not by_flag:
        yield "Without TAFs nothing is told to be expected; false alarms hour by hour stand below."


def _name(row: OnsetScore) -> str:
    return flag_words(row.subject.flag).capitalize()

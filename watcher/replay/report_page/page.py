"""The report of a replay as one file: words first, then tables and drawings. It needs nothing else, and no script."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from watcher.notify.message import CAUTION
from watcher.notify.wording import plain
from watcher.pictures import colours, marks, sheet
from watcher.replay.comparison.model import Change
from watcher.replay.phenomena import PROOFS
from watcher.replay.report_page.blocks import blocks_legend, blocks_picture
from watcher.replay.report_page.facts import ReportFacts
from watcher.replay.report_page.load import compared_picture, load_picture
from watcher.replay.report_page.reliability import reliability_picture
from watcher.replay.report_page.summary import main_onsets, summary
from watcher.replay.report_page.tables import (
    compared_rows,
    difference_rows,
    expected_rows,
    fault_rows,
    hour_groups,
    load_rows,
    onset_rows,
    told_rows,
)
from watcher.replay.report_page.told import lead_picture, patterns, told_picture
from watcher.replay.report_page.words import (
    counted,
    dated,
    flag_words,
    grouped,
    score_words,
    share_figure,
    share_text,
    span_text,
)
from watcher.replay.scores.estimate import LEAST_CASES
from watcher.replay.scores.model import BlockScore, Scores
from watcher.replay.scores.score import MAIN_LEAD_H
from watcher.replay.scores.subjects import ANY

# So many are named; all are counted.
_MOST_FAULTS, _MOST_STATIONS = 20, 30


def page(facts: ReportFacts, scores: Scores | None, other: Scores | None = None) -> str:
    """Return the report as HTML.

    Parameters
    ----------
    facts
        What it is about.
    scores
        Of the rules in force; None: they were not asked for, and the report tells what would have been told.
    other
        Of the rules that they are held against, if scores were asked for.
    """
    comparison = facts.comparison
    other_loads = {load.destination: load for load in comparison.other.loads} if comparison is not None else {}
    return (
        _environment()
        .get_template("report.html")
        .render(
            facts=facts,
            scores=scores,
            made_at=dated(facts.made_at),
            begins=dated(facts.begins_at),
            ends=dated(facts.ends_at),
            summary=summary(scores) if scores is not None else (),
            score_differences=difference_rows(scores, other) if scores is not None and other is not None else None,
            pictures=_pictures(facts, scores),
            onsets=onset_rows(scores) if scores is not None else [],
            hours=hour_groups(scores) if scores is not None else [],
            expected=expected_rows(scores) if scores is not None else [],
            certainties=_certainties(scores),
            told=told_rows(facts.totals),
            faults=fault_rows(facts),
            named_faults=[plain(str(fault)) for fault in facts.faults[:_MOST_FAULTS]],
            loads=load_rows(facts.loads, other_loads),
            compared=compared_rows(comparison) if comparison is not None else [],
            changes=[change.value for change in Change],
            proofs=[
                (flag_words(flag.value), proof.phenomenon.words, proof.precursor) for flag, proof in PROOFS.items()
            ],
            legend=score_words(),
            unproved=_unproved(scores),
            main_lead_h=MAIN_LEAD_H,
            least_cases=LEAST_CASES,
            most_stations=_MOST_STATIONS,
        )
    )


def _pictures(facts: ReportFacts, scores: Scores | None) -> dict[str, Markup]:
    found: dict[str, str] = {"patterns": patterns(), "symbols": marks.symbols()}
    if scores is not None:
        found["told"] = told_picture(main_onsets(scores))
        found["leads"] = lead_picture(main_onsets(scores))
        found["reliability"] = reliability_picture(scores.certainties)
        flag = _most_seen(scores)
        found["months"] = blocks_picture(_of_flag(scores.by_month, flag), what="month")
        stations = sorted(_of_flag(scores.by_station, flag), key=lambda row: (-row.counts.came, row.name))
        found["stations"] = blocks_picture(stations[:_MOST_STATIONS], what="station")
        found["blocks"] = blocks_legend()
        found["flag"] = flag_words(flag)
    if facts.loads:
        found["load"] = load_picture(facts.loads[0], facts.begins_at.date(), facts.ends_at.date())
    if facts.comparison is not None:
        comparison = facts.comparison
        found["compared"] = compared_picture(comparison.by_flag, comparison.now.name, comparison.other.name)
    # Drawn by ourselves, what comes from outside is escaped there.
    return {name: Markup(drawn) for name, drawn in found.items()}  # noqa: S704


def _most_seen(scores: Scores) -> str:
    """Return the flag of its own proof whose weather was seen most; any alert where no rule has such a flag."""
    own = [row for row in main_onsets(scores) if not row.subject.precursor]
    return max(own, key=lambda row: row.onsets).subject.flag if own else ANY


def _of_flag(rows: tuple[BlockScore, ...], flag: str) -> list[BlockScore]:
    return [row for row in rows if row.flag == flag]


def _certainties(scores: Scores | None) -> list[tuple[str, str, str, str]]:
    if scores is None:
        return []
    return [
        (
            row.certainty,
            "-" if row.stated is None else share_text(row.stated),
            *share_figure(row.came),
        )
        for row in scores.certainties
    ]


def _unproved(scores: Scores | None) -> list[tuple[str, str]]:
    if scores is None:
        return []
    return [(flag_words(flag), counted(number, "alert")) for flag, number in scores.unproved.items()]


@cache
def _style() -> str:
    house = files("watcher.web").joinpath("static", "house.css").read_text(encoding="utf-8")
    own = files("watcher.replay.report_page").joinpath("templates", "report.css").read_text(encoding="utf-8")
    return f"{colours.tokens_css()}{house}{sheet.css()}{marks.css()}{own}"


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("watcher.replay.report_page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(
        style=Markup(_style()),  # noqa: S704 - our own rules
        caution=CAUTION,
        mark=lambda word: Markup(marks.mark(word)),  # noqa: S704
        grouped=grouped,
        counted=counted,
        share_text=share_text,
        span_text=span_text,
    )
    environment.filters["plain"] = plain
    return environment

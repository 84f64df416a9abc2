"""The live path, report by report, for what the columns are compared with."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime

import polars as pl

from tests.reports.open_data import Sent, common_reports, edge_cases
from watcher.alerts.hearing import take_observation
from watcher.alerts.judge import judge
from watcher.alerts.model import Episode, Policy, StationState, StationView
from watcher.alerts.turn import Turn
from watcher.replay.columns.hearing import with_hearing
from watcher.replay.decoding.frames import observed_frame
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Observation, Report
from watcher.reports.station import Station
from watcher.rulebook.facts import Facts
from watcher.rulebook.model import Rulebook
from watcher.stations import StationTable

EDGE_RECEIVED = datetime.fromisoformat("2026-01-12T12:00:00+00:00")


def open_reports() -> list[tuple[Observation, datetime | None, int]]:
    """Every observation of the open sets, read with the second reader; the edge cases count as received at one time."""
    sent = [*common_reports(), *(Sent("edge", EDGE_RECEIVED, text) for _, text in edge_cases())]
    decoded = [(decode_report(item.text, received_at=item.received_at), item.received_at) for item in sent]
    return [(seen, at, order) for order, (seen, at) in enumerate(decoded) if isinstance(seen, Observation)]


def open_frame(source: str | None = None) -> pl.DataFrame:
    """The table of the open sets, or of one of them."""
    sent = common_reports()
    if source is None:
        return observed_frame(open_reports())
    return observed_frame([item for item in open_reports() if item[2] < len(sent) and sent[item[2]].source == source])


def real_positions(frame: pl.DataFrame) -> Mapping[str, Station]:
    table = StationTable.load()
    return {code: table.get(code) for code in frame["station"].unique()}


def reports_in_order(frame: pl.DataFrame) -> Iterator[tuple[int, Report]]:
    """The reports of a table by station as they are heard, decoded again from their text, with their place."""
    names = ("order", "heard_at", "observed_at", "kind", "raw")
    for order, heard_at, observed_at, kind, raw in with_hearing(frame).select(names).iter_rows():
        seen = decode_report(raw, received_at=heard_at, kind=kind, observed_at=observed_at)
        yield order, Report(seen, text_hash(raw), "archive", heard_at)


def live_facts(frame: pl.DataFrame, positions: Mapping[str, Station]) -> Iterator[tuple[int, Facts | None]]:
    """What hearing makes of each report: its facts, None where it is not taken as the latest word."""
    views: dict[str, StationView] = {}
    for order, report in reports_in_order(frame):
        code = report.decoded.station
        view = views.get(code) or StationView(positions.get(code, Station(code)), StationState(code))
        turn = Turn(view, report.received_at, "any")
        taken = take_observation(turn, report)
        views[code] = turn.view
        yield order, turn.facts if taken else None


@dataclass
class Story:
    """What the judgement told of observed episodes: spells and changes of level, as rows."""

    changes: list[tuple[object, ...]] = field(default_factory=list)
    open: dict[str, list[Episode]] = field(default_factory=dict)

    @property
    def spells(self) -> list[tuple[object, ...]]:
        return sorted(
            (
                first.station,
                first.flag.value,
                max(int(episode.level) for episode in story),
                story[-1].began_at,
                first.opened_at,
                story[-1].ended_at,
            )
            for first, *story in ([episodes[0], *episodes] for episodes in self.open.values())
        )

    def take(self, episode: Episode, at: datetime, observed_at: datetime) -> None:
        if episode.opened_at is None:
            return
        story = self.open.setdefault(episode.id, [])
        before = int(story[-1].level) if story else 0
        after = 0 if episode.ended_at is not None else int(episode.level)
        story.append(episode)
        if before != after:
            self.changes.append((episode.station, episode.flag.value, at, observed_at, before, after))


def live_story(frame: pl.DataFrame, positions: Mapping[str, Station], book: Rulebook, policy: Policy) -> Story:
    """The reports of a table fed to the judgement one after the other."""
    views: dict[str, StationView] = {}
    story = Story()
    for _, report in reports_in_order(frame):
        code = report.decoded.station
        view = views.get(code) or StationView(positions.get(code, Station(code)), StationState(code))
        now = report.received_at
        for change in judge({code: view}, [report], rulebook=book, policy=policy, now=now):
            view = change.after
            for episode in change.episodes:
                story.take(episode, now, report.decoded.observed_at)
        views[code] = view
    return story

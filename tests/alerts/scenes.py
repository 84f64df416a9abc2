"""A small rulebook and a station played report by report."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from watcher.alerts.changes import StationChange
from watcher.alerts.judge import judge
from watcher.alerts.model import Episode, Event, Policy, StationState, StationView
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Report
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook
from watcher.rulebook.parse import build_rulebook

RULES = """
[[rule]]
name = "freezing"
flag = "freezing-precipitation"
level = "treat"
text = "Freezing drizzle or light freezing rain"
source = "common practice, no source"
when = { field = "weather", op = "has", value = ["-FZRA", "-FZDZ", "FZDZ"] }
confirm = { reports = 1 }
settle = { reports = 2, minutes = 30 }

[[rule]]
name = "heavy-freezing"
flag = "freezing-precipitation"
level = "no-time"
no_time = "none"
text = "Moderate or heavy freezing rain"
source = "common practice, no source"
when = { all = [ { field = "weather", op = "has", value = "FZRA" }, { field = "weather", op = "lacks", value = "-FZRA" } ] }
settle = { reports = 1, minutes = 0 }

[[rule]]
name = "cold-and-moist"
flag = "deicing-likely"
level = "prepare"
text = "Near freezing with a small spread"
source = "common practice, no source"
when = { all = [ { field = "temp_c", op = "<=", value = 3.0, off = 4.0 },
                 { field = "spread_c", op = "<=", value = 3.0, off = 3.5 } ] }
confirm = { reports = 2 }
settle = { reports = 2, minutes = 30 }

[[rule]]
name = "cold-and-wet"
flag = "deicing-likely"
level = "treat"
text = "Freezing with almost no spread"
source = "common practice, no source"
when = { all = [ { field = "temp_c", op = "<=", value = 0.0 }, { field = "spread_c", op = "<=", value = 1.0 } ] }
confirm = { reports = 2 }
settle = { reports = 1, minutes = 0 }
"""

XNOR = Station("XNOR", "Northby", None, 60.20, 11.10, 210.0, "Europe/Oslo")
MIDNIGHT = datetime(2026, 1, 12, tzinfo=UTC)


def at(clock: str) -> datetime:
    """Return a time of the invented day, such as at("0550")."""
    return MIDNIGHT + timedelta(hours=int(clock[:2]), minutes=int(clock[2:]))


def small_book(text: str = RULES) -> Rulebook:
    return build_rulebook({"small.toml": text})


def report(text: str, received_at: datetime) -> Report:
    return Report(decode_report(text, received_at=received_at), text_hash(text), "test", received_at)


@dataclass
class Play:
    """One station, played through the judgement; keeps every event."""

    book: Rulebook = field(default_factory=small_book)
    policy: Policy = field(default_factory=Policy)
    view: StationView = field(default_factory=lambda: StationView(XNOR, StationState("XNOR")))
    events: list[Event] = field(default_factory=list)
    ended: list[Episode] = field(default_factory=list)
    may_call_blind: bool = True

    def hear(self, clock: str, *texts: str) -> list[str]:
        """Judge these reports at this time; return the short names of the events made."""
        return self.judge(at(clock), [report(text, at(clock)) for text in texts])

    def judge(self, now: datetime, reports: Iterable[Report]) -> list[str]:
        changes = judge(
            {"XNOR": self.view},
            reports,
            rulebook=self.book,
            policy=self.policy,
            now=now,
            may_call_blind=self.may_call_blind,
        )
        return [name for change in changes for name in self._take(change)]

    def _take(self, change: StationChange) -> list[str]:
        self.view = change.after
        self.events.extend(change.events)
        self.ended.extend(episode for episode in change.episodes if episode.ended_at is not None)
        return [event.type.value.rsplit(".", 1)[1] for event in change.events]

    @property
    def open(self) -> dict[str, Episode]:
        return {episode.flag.value: episode for episode in self.view.episodes}

"""A desk: stations played through the judgement, and what each destination is told of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from tests.alerts.scenes import XNOR, at, report, small_book
from watcher.alerts.changes import StationChange
from watcher.alerts.judge import judge
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Acknowledgement, Episode, Event, EventType, Policy, StationState, StationView
from watcher.alerts.outbox import NewDelivery, Told
from watcher.alerts.parked import Parked
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.alerts.tell import Telling, after_telling, tell
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook

SmallTold = tuple[str, str]


def ladder_step(level: str, condition: str, more: str = "") -> str:
    """Return a rule whose flag follows every report at once."""
    return f"""
[[rule]]
name = "snow-{level}"
flag = "snow"
level = "{level}"
{more}
text = "Snow of its kind"
source = "common practice, no source"
when = {condition}
settle = {{ reports = 1, minutes = 0 }}
"""


# Snow whose level follows every report at once: -SN prepare, SN treat, +SN no-time.
LADDER = (
    ladder_step("prepare", '{ field = "weather", op = "has", value = "-SN" }')
    + ladder_step(
        "treat",
        '{ all = [ { field = "weather", op = "has", value = "SN" },'
        ' { field = "weather", op = "lacks", value = ["-SN", "+SN"] } ] }',
    )
    + ladder_step("no-time", '{ field = "weather", op = "has", value = "+SN" }', 'no_time = "none"')
)


# Beside +SN, where no time exists at all: ice pellets, at the same level, with an allowance time.
PELLETS = """
[[rule]]
name = "pellets"
flag = "snow"
level = "no-time"
no_time = "allowance"
text = "Ice pellets"
source = "common practice, no source"
when = { field = "weather", op = "has", value = "PL" }
settle = { reports = 1, minutes = 0 }
"""


def metar(weather: str, observed_at: datetime, station: str = "XNOR", temperatures: str = "M02/M06") -> str:
    """Return a report: cold and far from saturation, so that of the small rules only the weather's own hold."""
    return f"{station} {observed_at:%d%H%M}Z 00000KT 3000 {weather} OVC006 {temperatures} Q1010".replace("  ", " ")


def short(told_as: EventType) -> str:
    """Return the last word of a kind of message: opened, blind, digest."""
    return told_as.value.rsplit(".", 1)[1]


class Desk:
    """Stations, subscriptions and what is remembered; every destination that is named is open until closed."""

    def __init__(self, *subscriptions: Subscription, stations: Iterable[Station] = (XNOR,), rules: str = "") -> None:
        self.views: dict[str, StationView] = {
            station.code: StationView(station, StationState(station.code)) for station in stations
        }
        self.book: Rulebook = small_book(rules) if rules else small_book()
        self.policy = Policy()
        self.subscriptions = list(subscriptions)
        self.parked: tuple[Parked, ...] = ()
        self.closed: set[str] = set()
        self.group_within: timedelta | None = None
        self.told: Mapping[tuple[str, str], Told] = {}
        self.events: dict[str, Event] = {}
        self.deliveries: list[NewDelivery] = []
        self._acknowledgements = 0

    def hear(self, clock: str, *texts: str, taken: Iterable[tuple[str, str]] = ()) -> list[SmallTold]:
        """Take a turn at this time of the invented day; return (destination, what it is told)."""
        return self.turn(at(clock), *texts, taken=taken)

    def turn(self, now: datetime, *texts: str, taken: Iterable[tuple[str, str]] = ()) -> list[SmallTold]:
        """Take a turn; `taken`: who takes which flag's episode, or an episode by its id."""
        changes = judge(
            self.views,
            [report(text, now) for text in texts],
            [self._acknowledgement(by, what, now) for by, what in taken],
            rulebook=self.book,
            policy=self.policy,
            now=now,
        )
        return self.commit(changes, now)

    def night(self, begin: datetime, end: datetime, weather: str, *, every_min: int = 30) -> list[tuple[str, str, str]]:
        """Take a turn every few minutes, with a report of this weather every half hour, up to and with the end.

        Return what was told as (time, destination, what).
        """
        said, now, reported_at = [], begin, begin
        while now <= end:
            texts = []
            if now >= reported_at:
                texts = [metar(weather, now, code) for code in self.views]
                reported_at += timedelta(minutes=30)
            said.extend((f"{now:%H%M}", *told) for told in self.turn(now, *texts))
            now += timedelta(minutes=every_min)
        return said

    def commit(self, changes: Iterable[StationChange], now: datetime) -> list[SmallTold]:
        """Take over what was judged, and tell."""
        changes = tuple(changes)
        self.views.update((change.station, change.after) for change in changes if change.station in self.views)
        self.events.update((event.id, event) for change in changes for event in change.events)
        telling = self.telling(changes, now)
        self.events.update((event.id, event) for event in telling.digests)
        self.told = after_telling(self.told, telling.deliveries, changes)
        self.deliveries.extend(telling.deliveries)
        return [(item.destination, short(item.told_as)) for item in telling.deliveries]

    def telling(self, changes: tuple[StationChange, ...], now: datetime) -> Telling:
        """Return what is owed, and change nothing."""
        return tell(
            changes, self.views.values(), self.listeners, self.told, rulebook=self.book, policy=self.policy, now=now
        )

    @property
    def listeners(self) -> Listeners:
        """Who is told what, as it stands."""
        names = {name for subscription in self.subscriptions for name in subscription.destinations}
        recipients = [Recipient(name, self.group_within, open=name not in self.closed) for name in sorted(names)]
        return Listeners(self.subscriptions, recipients, self.parked)

    @property
    def open(self) -> dict[str, Episode]:
        """The episodes that have not ended, by flag; one that is expected hides behind one that is observed."""
        episodes = [episode for view in self.views.values() for episode in view.episodes]
        return {episode.flag.value: episode for episode in sorted(episodes, key=lambda item: item.kind)[::-1]}

    def said(self, delivery: NewDelivery) -> Event:
        """Return the event that a delivery tells of."""
        return self.events[delivery.event_id]

    def _acknowledgement(self, by: str, what: str, now: datetime) -> Acknowledgement:
        self._acknowledgements += 1
        episode = self.open[what].id if what in self.open else what
        return Acknowledgement(self._acknowledgements, episode, by, "", now)


def everything(*destinations: str, **changes: object) -> Subscription:
    """Return a subscription to all of it, but for what is changed."""
    return Subscription(name="all of it", destinations=destinations, **changes)  # type: ignore[arg-type]

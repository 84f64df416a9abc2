"""Alerts as their pages show them: who has each in hand, what needs a person first, and what was asked for."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal
from urllib.parse import urlencode

from watcher.alerts.model import Acknowledgement, Episode, Event, StationView
from watcher.notify.message import Part, part_of
from watcher.notify.wording import when
from watcher.rulebook.words import Flag, Kind, Level
from watcher.settings.words import STATION_CODE
from watcher.units import duration_text
from watcher.web.take import Hand, hand_of

Show = Literal["open", "free", "held", "ended"]
# An alert with its last event.
Stood = tuple[Episode, Event]
SHOWS: dict[Show, str] = {"open": "open", "free": "in nobody's hand", "held": "in hand", "ended": "ended"}


@dataclass(frozen=True, slots=True)
class Asked:
    """Which alerts somebody wants to see. `after`: the alert that the page before ended with."""

    show: Show = "open"
    min_level: Level | None = None
    flag: Flag | None = None
    station: str | None = None
    after: str | None = None

    @property
    def narrowed(self) -> bool:
        """Whether only some level, flag or station is wanted."""
        return (self.min_level, self.flag, self.station) != (None, None, None)

    def query(self, after: str | None = None, show: Show | None = None) -> str:
        """Return what stands in the address for it; `after` begins the next page, `show` shows others."""
        show = show or self.show
        given = {
            "show": show if show != "open" else None,
            "level": self.min_level.word if self.min_level is not None else None,
            "flag": self.flag.value if self.flag is not None else None,
            "station": self.station,
            "after": after,
        }
        return urlencode({name: value for name, value in given.items() if value is not None})


def asked(query: Mapping[str, str]) -> Asked:
    """Return what an address asks for; words that are none are passed over, as if they had not been written."""
    show = query.get("show", "open")
    level, flag = query.get("level", ""), query.get("flag", "")
    station = query.get("station", "").strip().upper()
    return Asked(
        show=next((word for word in SHOWS if word == show), "open"),
        min_level=next((item for item in Level if item.word == level), None),
        flag=next((item for item in Flag if item.value == flag), None),
        station=station if STATION_CODE.fullmatch(station) else None,
        after=query.get("after") or None,
    )


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert as it stands.

    `part`: what was said last, in the words of the messages. `hand`: who has it at its present level. `before`: who had
    it until it rose, and `risen_from` that level. `blind`: its station reports nothing, so that nobody sees it change.
    `newest`: how old the station's newest report is, in words; None where there is none, or it is not watched.
    """

    episode: Episode
    part: Part
    hand: Hand | None = None
    before: Hand | None = None
    risen_from: str | None = None
    blind: bool = False
    newest: str | None = None

    @property
    def open(self) -> bool:
        """Whether it goes on."""
        return self.episode.ended_at is None

    @property
    def state(self) -> str:
        """Where it stands, in a word; what is only expected has no phase to speak of."""
        expected = self.episode.kind is Kind.EXPECTED and self.open
        return "expected" if expected else self.episode.phase.value

    @property
    def presses(self) -> bool:
        """Whether somebody should take it at once: it asks for a treatment, or says that none helps."""
        return self.open and self.hand is None and self.episode.level >= Level.TREAT


def alert_of(
    episode: Episode,
    event: Event,
    now: datetime,
    taken: Iterable[Acknowledgement] = (),
    view: StationView | None = None,
) -> Alert:
    """Return an alert as it stands.

    Parameters
    ----------
    episode, event
        The alert and the last event of it.
    now
        The present; ages are counted to it.
    taken
        What no turn of the watcher has seen yet; who took it stands at once.
    view
        Its station as it stands; None where it is not watched.
    """
    zone = event.body.zone
    fresh = next((item for item in taken if item.episode == episode.id), None)
    standing = fresh or episode.in_hand
    risen = episode.taken if standing is None else None
    return Alert(
        episode=episode,
        part=part_of(event, now),
        hand=hand_of(standing, zone) if standing is not None else None,
        before=hand_of(risen, zone) if risen is not None else None,
        risen_from=risen.level.word if risen is not None else None,
        blind=view is not None and view.state.blind_since is not None and episode.ended_at is None,
        newest=_newest(view, now) if view is not None else None,
    )


def by_need(standing: Iterable[Stood], fresh: Collection[str]) -> list[Stood]:
    """Return open alerts in the order in which they need a person.

    Nobody's first, then the worst; what is there before what is expected, then the newest.

    Parameters
    ----------
    standing
        Alerts, each with its last event.
    fresh
        The names of those that were taken in hand since the watcher's last turn.
    """

    def need(stood: Stood) -> tuple[bool, int, bool, float]:
        episode = stood[0]
        expected = episode.kind is Kind.EXPECTED
        return held(episode, fresh), -episode.level, expected, -episode.changed_at.timestamp()

    return sorted(standing, key=need)


def held(episode: Episode, fresh: Collection[str]) -> bool:
    """Return whether somebody has an alert in hand at its present level; `fresh` as in `by_need`."""
    return episode.id in fresh or episode.in_hand is not None


def wanted(standing: Iterable[Stood], what: Asked, fresh: Collection[str]) -> list[Stood]:
    """Return the open alerts that were asked for; `fresh` as in `by_need`."""
    return [
        (episode, event)
        for episode, event in standing
        if (what.min_level is None or episode.level >= what.min_level)
        and what.flag in {None, episode.flag}
        and what.station in {None, episode.station}
        and (what.show not in {"free", "held"} or held(episode, fresh) is (what.show == "held"))
    ]


def page_of(standing: Sequence[Stood], after: str | None, most: int) -> tuple[Sequence[Stood], str | None]:
    """Return one page, and after which alert the next one begins; None where this is the last.

    Where the alert that the page before ended with is gone, the first page is shown: nothing is passed over unseen.
    """
    names = [episode.id for episode, _ in standing]
    begin = names.index(after) + 1 if after in names else 0
    shown = standing[begin : begin + most]
    return shown, shown[-1][0].id if begin + most < len(standing) else None


def flag_words(flag: Flag) -> str:
    """Return a flag as people read it: a hyphen stays only inside a word of the trade."""
    words = flag.value.replace("-", " ")
    return words.replace("anti icing", "anti-icing").replace("cold soaked", "cold-soaked")


def _newest(view: StationView, now: datetime) -> str | None:
    observation = view.observation
    if observation is None:
        return None
    old = duration_text(max(now - observation.observed_at, timedelta()))
    return f"{old} old, of {when(observation.observed_at, view.station.zone)}"

"""How the service does, in plain words: what is wrong, what to look at, and what to do about each."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Any

from watcher.alerts.model import StationView
from watcher.notify.wording import plain, short, when
from watcher.reports.model import Report, Unreadable
from watcher.service.directory import Directory
from watcher.store.model import Backlog, DeliveryState
from watcher.treatment.tables import TableSet
from watcher.units import duration_text, parse_iso_z


class Matter(StrEnum):
    """What of the service is not as it should be. `over`: how it is told that it is again."""

    STORE = "store"
    TURNS = "turns"
    FEEDS = "feeds"
    SENDERS = "senders"
    LATE = "late"
    LOST = "lost"
    OFF = "off"
    PEOPLE = "people"
    TABLES = "tables"

    @property
    def over(self) -> str:
        """What is well again."""
        return _OVER[self]


_OVER = {
    Matter.STORE: "The store answers again.",
    Matter.TURNS: "Turns are committed again.",
    Matter.FEEDS: "The feeds bring fresh reports again.",
    Matter.SENDERS: "Messages are sent again.",
    Matter.LATE: "No message is late any more.",
    Matter.LOST: "No message was lost in the last hour.",
    Matter.OFF: "No destination is switched off any more.",
    Matter.PEOPLE: "All subscriptions and destinations can be used again.",
    Matter.TABLES: "A holdover table of this season is in force again.",
}

# What begins with these words was found wrong, the gravest first; then what it is about, what to do, and where.
_REMEDIES: tuple[tuple[str, Matter | None, str, str | None], ...] = (
    (
        "the service does not answer",
        None,
        "Nothing is watched from here. Start it with hoarline run, or ask on the machine where it runs.",
        None,
    ),
    (
        "the store does not answer",
        Matter.STORE,
        "Nothing is judged, kept or sent until it does. Look after the database, its disk and its rights.",
        None,
    ),
    (
        "reports cannot be kept",
        Matter.STORE,
        "What the feeds bring is neither judged nor told. Make room on the disk, or look after the database.",
        None,
    ),
    (
        "no process leads",
        None,
        "Nothing is asked, judged or told. A process with the role poller leads within seconds where one runs.",
        None,
    ),
    (
        "no turn has been",
        Matter.TURNS,
        "Wait a minute after a start. If this stays, the log of the service says why.",
        None,
    ),
    (
        "the last turn was",
        Matter.TURNS,
        "What the board shows is old, and nothing new is told. The log of the service says why; restart it if needed.",
        None,
    ),
    (
        "no feed brings",
        Matter.FEEDS,
        "Stations go blind one after another. Look after the network and the addresses of the feeds.",
        None,
    ),
    (
        "nobody tries to send",
        Matter.SENDERS,
        "Alerts reach nobody. Look whether a process with the role sender runs; its log says why it does not send.",
        "/deliveries?state=pending",
    ),
    (
        'destination "',
        Matter.PEOPLE,
        "Nothing goes there as long as it is so. Change it on its page, or in the settings.",
        "/destinations",
    ),
    (
        'subscription "',
        Matter.PEOPLE,
        "It does not tell all that it should. Change it on its page, or in the settings.",
        "/subscriptions",
    ),
)
_LATELY = timedelta(hours=24)
_LONGEST_TEXT = 160
_MOST_NAMES = 8


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is wrong, or worth a look, and what to do.

    `where`: the page on which that is done. `matter`: what it is about, where caretakers are told of that.
    """

    what: str
    do: str
    where: str | None = None
    matter: Matter | None = None


@dataclass(frozen=True, slots=True)
class Feed:
    """How one feed does. Unknown is None. `state`: how one that listens does; empty for one that asks."""

    name: str
    newest: str | None
    answered: str | None
    failures: int
    detail: str
    state: str = ""

    @property
    def well(self) -> bool:
        """Whether it answers as it should."""
        return not self.failures and not self.detail and self.answered is not None


@dataclass(frozen=True, slots=True)
class Blind:
    """A station without a usable report."""

    code: str
    name: str
    since: str
    last: str | None


@dataclass(frozen=True, slots=True)
class Set:
    """One set of holdover tables. `state`: in force, out of season, or for training only."""

    name: str
    authority: str
    season: str
    valid: str
    state: str


@dataclass(frozen=True, slots=True)
class Text:
    """A report that could not be read."""

    at: str
    received_at: datetime
    feed: str
    raw: str
    error: str


def wrong(problems: Iterable[str]) -> list[Finding]:
    """Return what keeps the service from doing its job, each with what to do, the gravest first."""
    return [_finding(problem) for problem in sorted(map(plain, problems), key=_place)]


def feeds_of(values: Mapping[str, Any], now: datetime) -> list[Feed]:
    """Return how the feeds do, by the values that readiness is judged by."""
    return [_feed(plain(name), item, now) for name, item in values.get("feeds", {}).items()]


def blind_of(views: Mapping[str, StationView]) -> list[Blind]:
    """Return the stations without a usable report, those that are blind longest first."""
    found = [(view.state.blind_since, code, view) for code, view in views.items() if view.state.blind_since is not None]
    return [_blind(code, since, view) for since, code, view in sorted(found, key=lambda item: item[:2])]


def sets_of(sets: Iterable[TableSet], today: date) -> list[Set]:
    """Return the sets of holdover tables, those in force first."""
    shown = [
        Set(
            item.name,
            item.authority,
            item.season,
            f"{item.valid_from:%d %b %Y} to {item.valid_until:%d %b %Y}",
            "in force" if item.in_force(today) else "training only" if item.use == "training" else "out of season",
        )
        for item in sets
    ]
    return sorted(shown, key=lambda item: (item.state != "in force", item.name))


def texts_of(reports: Iterable[Report]) -> list[Text]:
    """Return reports that could not be read."""
    return [
        Text(
            when(item.received_at, None),
            item.received_at,
            plain(item.feed),
            short(item.decoded.raw, _LONGEST_TEXT),
            short(item.decoded.error, _LONGEST_TEXT),
        )
        for item in reports
        if isinstance(item.decoded, Unreadable)
    ]


def looks(
    *,
    feeds: Iterable[Feed],
    blind: Iterable[Blind],
    counts: Mapping[str, int],
    directory: Directory,
    sets: Iterable[Set],
    texts: Iterable[Text],
    now: datetime,
) -> list[Finding]:
    """Return what is worth a look while the service does its job, the gravest first."""
    found = []
    dead = counts[DeliveryState.DEAD.value]
    if dead:
        what = f"{_many(dead, 'message')} given up: nobody read {'it' if dead == 1 else 'them'}."
        found.append(Finding(what, "Look why, and send again what still holds.", "/deliveries?state=dead"))
    ran_out = counts[DeliveryState.EXPIRED.value]
    if ran_out:
        what = f"{_many(ran_out, 'message')} ran out before {'it' if ran_out == 1 else 'they'} could be sent."
        found.append(
            Finding(what, "Their destinations were switched off, or did not answer.", "/deliveries?state=expired")
        )
    if not any(item.state == "in force" for item in sets):
        what = "No holdover table of this season is installed: no minutes and no verdicts are given."
        found.append(
            Finding(what, "Install this season's tables; the README of the rules folder says how.", "/holdover")
        )
    silent = [code.code for code in blind]
    if silent:
        what = f"{_many(len(silent), 'station')} blind: {_names(silent)}."
        found.append(Finding(what, "Nothing new is noticed there. Look at the weather there by other means."))
    found.extend(_helped(tuple(feeds)))
    found.extend(off(directory))
    asked = sorted(item.name for item in directory.destinations.values() if not item.confirmed)
    if asked:
        what = f"Not confirmed yet: {', '.join(asked)}."
        found.append(Finding(what, "Nothing goes there before its owner agrees.", "/destinations"))
    lately = sum(now - item.received_at < _LATELY for item in texts)
    if lately:
        what = f"{_many(lately, 'report')} of the last day could not be read."
        found.append(Finding(what, "They stand below. A station of which none is read goes blind."))
    return found


def late(backlog: Backlog, now: datetime) -> Iterator[Finding]:
    """Yield whom messages do not reach in time."""
    if backlog.late:
        oldest = duration_text(now - min(backlog.late.values()))
        what = (
            f"Messages are late, the oldest by {oldest}, to: {_names(backlog.late)}.{_stood_in(backlog.late, backlog)}"
        )
        do = f"These receivers do not answer, or too slowly; it is tried again. {_tell_them(backlog.late, backlog)}"
        yield Finding(what, do, "/deliveries?state=pending", Matter.LATE)


def lost(backlog: Backlog) -> Iterator[Finding]:
    """Yield whom messages did not reach at all, lately."""
    if backlog.lost:
        what = f"{_many(sum(backlog.lost.values()), 'message')} of the last hour reached nobody, to: "
        do = f"Look why, and send again what still holds. {_tell_them(backlog.lost, backlog)}"
        said = f"{what}{_names(backlog.lost)}.{_stood_in(backlog.lost, backlog)}"
        yield Finding(said, do, "/deliveries?state=dead", Matter.LOST)


def off(directory: Directory | None) -> Iterator[Finding]:
    """Yield which destinations are switched off, by whomever."""
    known = directory.destinations.values() if directory is not None else ()
    names = [item.name for item in known if item.off is not None]
    if directory is not None and names:
        instead = {name: reader for name, reader in directory.readers() if name != reader}
        what = f"Switched off: {_names(names)}.{_said(instead)}"
        yield Finding(what, "Nothing goes there until it is resumed.", "/destinations", Matter.OFF)


def out_of_season(sets: Iterable[TableSet], today: date) -> Iterator[Finding]:
    """Yield that no holdover table is in force, where some were installed for use."""
    for_use = [item for item in sets if item.use == "operation"]
    if for_use and not any(item.in_force(today) for item in for_use):
        last = max(item.valid_until for item in for_use)
        what = f"The holdover tables are out of season, the last since {last:%d %b %Y}: no minutes are given."
        do = "Install this season's tables; the README of the rules folder says how."
        yield Finding(what, do, "/holdover", Matter.TABLES)


def _stood_in(names: Iterable[str], backlog: Backlog) -> str:
    """Return who was told in their place, as sentences; nothing where nobody was."""
    return _said({name: backlog.stood_in[name] for name in names if name in backlog.stood_in})


def _said(readers: Mapping[str, str]) -> str:
    by_reader: dict[str, list[str]] = {}
    for name, reader in readers.items():
        by_reader.setdefault(reader, []).append(name)
    told = (f" The fallback {plain(reader)} is told for {_names(names)}." for reader, names in by_reader.items())
    return "".join(told)


def _tell_them(names: Iterable[str], backlog: Backlog) -> str:
    """Return what to do for the readers of destinations that are not reached."""
    if all(name in backlog.stood_in for name in names):
        return "Make sure that somebody reads what the fallback gets."
    return "Tell the readers by other means."


def _names(names: Iterable[str]) -> str:
    found = sorted(plain(name) for name in names)
    return f"{', '.join(found[:_MOST_NAMES])}{' …' if len(found) > _MOST_NAMES else ''}"


def ago(moment: datetime | None, now: datetime) -> str | None:
    """Return when something was, and how long ago; None where it is not known."""
    return f"{duration_text(max(now - moment, timedelta()))} ago, {when(moment, None)}" if moment is not None else None


def _helped(feeds: Sequence[Feed]) -> Iterator[Finding]:
    """Yield the feeds that fail while another brings the same; where none does, that is what is wrong."""
    for feed in feeds:
        what = feed.name.rpartition(" ")[2]
        others = any(other.well and other.name.endswith(f" {what}") for other in feeds)
        if not feed.well and others:
            tried = f"failed {feed.failures} times in a row" if feed.failures > 1 else "does not do well"
            said = f"Feed {feed.name} {tried}{f': {feed.detail}' if feed.detail else ''}."
            yield Finding(said, "Another stands in meanwhile. Look after its address and the network.")


def _place(problem: str) -> int:
    """Return how grave a problem is, 0 the gravest; what is not known comes last."""
    places = (place for place, (begins, *_) in enumerate(_REMEDIES) if problem.startswith(begins))
    return next(places, len(_REMEDIES))


def _finding(problem: str) -> Finding:
    said = f"{problem[:1].upper()}{problem[1:]}."
    for begins, matter, do, where in _REMEDIES:
        if problem.startswith(begins):
            return Finding(said, do, where, matter)
    return Finding(said, "The log of the service says more.")


def _feed(name: str, item: Mapping[str, Any], now: datetime) -> Feed:
    minutes, success = item.get("newest_age_min"), item.get("last_success_at")
    return Feed(
        name=name,
        newest=f"{duration_text(timedelta(minutes=minutes))} old" if minutes is not None else None,
        answered=ago(parse_iso_z(success), now) if success is not None else None,
        failures=int(item.get("failures_in_a_row", 0)),
        detail=short(str(item.get("detail", "")), _LONGEST_TEXT),
        state=short(str(item.get("state", "")), _LONGEST_TEXT),
    )


def _blind(code: str, since: datetime, view: StationView) -> Blind:
    zone, last = view.station.zone, view.state.last_report_at
    return Blind(
        code, plain(view.station.name or ""), when(since, zone), when(last, zone) if last is not None else None
    )


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"

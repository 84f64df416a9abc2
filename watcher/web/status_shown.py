"""How the service does, in plain words: what is wrong, what to look at, and what to do about each."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from watcher.alerts.model import StationView
from watcher.notify.wording import plain, short, when
from watcher.reports.model import Report, Unreadable
from watcher.service.directory import Directory
from watcher.store.model import DeliveryState
from watcher.treatment.tables import TableSet
from watcher.units import duration_text, parse_iso_z

# What began with these words was found wrong by the service itself; then what to do, and where.
_REMEDIES: tuple[tuple[str, str, str | None], ...] = (
    (
        "the store does not answer",
        "Nothing is judged, kept or sent until it does. Look after the database, its disk and its rights.",
        None,
    ),
    ("no turn has been", "Wait a minute after a start. If this stays, the log of the service says why.", None),
    (
        "the last turn was",
        "What the board shows is old, and nothing new is told. The log of the service says why; restart it if needed.",
        None,
    ),
    (
        "no feed brings",
        "Stations go blind one after another. Look after the network and the addresses of the feeds.",
        None,
    ),
    (
        'destination "',
        "Nothing goes there as long as it is so. Change it on its page, or in the settings.",
        "/destinations",
    ),
    (
        'subscription "',
        "It does not tell all that it should. Change it on its page, or in the settings.",
        "/subscriptions",
    ),
)
_LATELY = timedelta(hours=24)
_LONGEST_TEXT = 160


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is wrong, or worth a look, and what to do. `where`: the page on which that is done."""

    what: str
    do: str
    where: str | None = None


@dataclass(frozen=True, slots=True)
class Feed:
    """How one feed does. Unknown is None."""

    name: str
    newest: str | None
    answered: str | None
    failures: int
    detail: str

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
    """Return what keeps the service from doing its job, each with what to do."""
    return [_finding(plain(problem)) for problem in problems]


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
    lost = counts[DeliveryState.DEAD.value]
    if lost:
        what = f"{_many(lost, 'message')} given up: nobody read {'it' if lost == 1 else 'them'}."
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
        what = f"{_many(len(silent), 'station')} blind: {', '.join(silent[:8])}{' …' if len(silent) > 8 else ''}."
        found.append(Finding(what, "Nothing new is noticed there. Look at the weather there by other means."))
    found.extend(_helped(tuple(feeds)))
    off = sorted(item.name for item in directory.destinations.values() if item.off is not None)
    if off:
        found.append(
            Finding(f"Switched off: {', '.join(off)}.", "Nothing goes there until it is resumed.", "/destinations")
        )
    asked = sorted(item.name for item in directory.destinations.values() if not item.confirmed)
    if asked:
        what = f"Not confirmed yet: {', '.join(asked)}."
        found.append(Finding(what, "Nothing goes there before its owner agrees.", "/destinations"))
    lately = sum(now - item.received_at < _LATELY for item in texts)
    if lately:
        what = f"{_many(lately, 'report')} of the last day could not be read."
        found.append(Finding(what, "They stand below. A station of which none is read goes blind."))
    return found


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


def _finding(problem: str) -> Finding:
    said = f"{problem[:1].upper()}{problem[1:]}."
    for begins, do, where in _REMEDIES:
        if problem.startswith(begins):
            return Finding(said, do, where)
    return Finding(said, "The log of the service says more.")


def _feed(name: str, item: Mapping[str, Any], now: datetime) -> Feed:
    minutes, success = item.get("newest_age_min"), item.get("last_success_at")
    return Feed(
        name=name,
        newest=f"{duration_text(timedelta(minutes=minutes))} old" if minutes is not None else None,
        answered=ago(parse_iso_z(success), now) if success is not None else None,
        failures=int(item.get("failures_in_a_row", 0)),
        detail=short(str(item.get("detail", "")), _LONGEST_TEXT),
    )


def _blind(code: str, since: datetime, view: StationView) -> Blind:
    zone, last = view.station.zone, view.state.last_report_at
    return Blind(
        code, plain(view.station.name or ""), when(since, zone), when(last, zone) if last is not None else None
    )


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"

"""Writes down from outside what was published and what arrived, and counts what the service got wrong.

It knows the tables of the store and the contract of a webhook, and nothing of how the service judges or sends.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from email.message import EmailMessage
from itertools import pairwise, takewhile
from typing import Any

from sqlalchemy import create_engine, select

from tests.faults.served import mark_of
from watcher.demo.receivers import MailReceiver, Posted, WebhookReceiver
from watcher.store.tables import delivery, delivery_event, episode, event, station_state

OPENINGS = {"icing.episode.opened", "icing.station.blind"}
ENDINGS = {"icing.episode.closed", "icing.episode.withdrawn", "icing.station.seeing"}
FREEZING = re.compile(r" [-+]?FZ(DZ|RA)\b")
WANTED = "freezing-precipitation"
PREPARE = 2
WORDS = {None: None, "note": 1, "prepare": 2, "treat": 3, "no-time": 4}
# Mailboxes, by what stands before the @ of their address.
MAILBOXES = {"duty": "desk", "backup": "backup", "nobody": "nobody"}
# The shortest margin that any station has before it is called blind.
MARGIN = timedelta(minutes=25)
# A report that is older than 90 minutes when it comes opens nothing by itself.
FRESH = timedelta(minutes=80)


@dataclass(frozen=True, slots=True)
class Published:
    """A report as the feed offered it, from then on until the station's next one."""

    at: datetime
    station: str
    observed_at: datetime
    text: str

    @property
    def freezing(self) -> bool:
        """Whether it tells of freezing precipitation, by its text alone."""
        return FREEZING.search(self.text) is not None


@dataclass(frozen=True, slots=True)
class Asked:
    """A question for METARs, and which process asked it: it was answered what was published by then."""

    at: datetime
    by: int


@dataclass(frozen=True, slots=True)
class Arrival:
    """A message as a receiver got it. `taken`: it answered yes. `event`, `told_as`, `level`: of a webhook."""

    destination: str
    id: str
    taken: bool
    event: str | None = None
    told_as: str | None = None
    level: int | None = None


@dataclass(frozen=True, slots=True)
class Kept:
    """What the store says: rows as mappings. `lines`: what each message tells, with its message's columns."""

    events: tuple[dict[str, Any], ...]
    lines: tuple[dict[str, Any], ...]
    episodes: tuple[dict[str, Any], ...]
    stations: tuple[dict[str, Any], ...]


@dataclass
class Recorder:
    """What was published, who asked for it, and what arrived where, in the order in which it did.

    Where nobody's questions are written down, each process counts as having heard all that was published.
    """

    clock: Callable[[], datetime]
    published: list[Published] = field(default_factory=list)
    arrivals: list[Arrival] = field(default_factory=list)
    asked: list[Asked] = field(default_factory=list)

    def publish(self, station: str, observed_at: datetime, text: str) -> None:
        """Write down a report that the feed offers from now on."""
        self.published.append(Published(self.clock(), station, observed_at, text))

    def asks(self, process: int) -> None:
        """Write down that a process asks for METARs now."""
        self.asked.append(Asked(self.clock(), process))

    def heard(self, process: int, at: datetime) -> tuple[datetime, datetime]:
        """Return of which moments a process has surely, and may have, what was published when it judges.

        It judges only after its first question was answered; it asks again only after it has kept what it was answered
        before. Its last answer may still be on its way. Nothing excuses one that has not asked since another did.
        """
        before = reversed([item for item in self.asked if item.at <= at])
        mine = [item.at for item in takewhile(lambda item: item.by == process, before)]
        if not mine:
            return at, at
        return mine[min(1, len(mine) - 1)], mine[0]

    def listen(self, mail: MailReceiver, webhook: WebhookReceiver) -> None:
        """Write down what these receivers get."""
        mail.on_mail, webhook.on_post = self.mailed, self.posted

    def posted(self, post: Posted) -> None:
        """Write down a webhook."""
        data = post.payload["data"]
        taken = post.headers["x-answered"].startswith("2")
        kind, level = post.payload["type"], WORDS[data["level"]]
        self.arrivals.append(Arrival("room", post.id, taken, data["event"], kind, level))

    def mailed(self, mail: EmailMessage) -> None:
        """Write down a mail; its Message-ID carries the message's name."""
        name = str(mail["Message-ID"]).strip("<>").partition("@")[0]
        mailbox = str(mail["To"]).strip("<>").partition("@")[0]
        self.arrivals.append(Arrival(MAILBOXES[mailbox], name, taken=True))

    @property
    def repeats(self) -> int:
        """How many messages came again under the name of one that had been taken."""
        taken = [(item.destination, item.id) for item in self.arrivals if item.taken]
        return len(taken) - len(set(taken))


def kept_at(url: str) -> Kept:
    """Read the store at the end."""
    engine = create_engine(url)
    lines = select(
        *(delivery_event.c[name] for name in ("number", "event_id", "destination", "subject_id", "seq", "told_as")),
        *(delivery_event.c[name] for name in ("level", "repeat", "again", "meant_for", "detour")),
        *(delivery.c[name] for name in ("id", "state", "last_error", "made_at", "valid_until", "settled_at")),
    ).join(delivery, delivery.c.id == delivery_event.c.delivery_id)
    with engine.connect() as connection:

        def rows(query: Any) -> tuple[dict[str, Any], ...]:
            return tuple(dict(row) for row in connection.execute(query).mappings())

        kept = Kept(
            tuple(row | {"body": json.loads(row["body"])} for row in rows(select(event).order_by(event.c.number))),
            rows(lines.order_by(delivery_event.c.number)),
            rows(select(episode)),
            rows(select(station_state)),
        )
    engine.dispose()
    return kept


def findings(kept: Kept, seen: Recorder, destinations: Sequence[str] = ("desk", "room")) -> list[str]:
    """Return everything that is wrong, a sentence each; empty: nothing was lost, doubled, invented or contradicted."""
    return [
        *_broken_stories(kept),
        *_doubled(kept),
        *_not_told(kept, destinations),
        *_gone_without_reason(kept),
        *_arrivals_against_the_store(kept, seen),
        *_out_of_order(kept, seen),
        *_contradictions(kept),
        *_handed_on(kept),
        *_against_the_weather(kept, seen),
        *_never_judged(kept, seen),
    ]


def _broken_stories(kept: Kept) -> Iterator[str]:
    stories: dict[str, list[int]] = defaultdict(list)
    for row in kept.events:
        stories[row["subject_id"]].append(row["seq"])
    for subject, seqs in stories.items():
        if seqs != list(range(1, len(seqs) + 1)) and not subject.startswith("service"):
            yield f"{subject}: events {seqs} are not 1, 2, 3 ..."


def _doubled(kept: Kept) -> Iterator[str]:
    owed: dict[tuple[str, str, int], list[dict[str, Any]]] = defaultdict(list)
    for line in kept.lines:
        owed[line["destination"], line["event_id"], line["repeat"]].append(line)
    for (destination, name, _), lines in owed.items():
        living = [line["id"] for line in lines if line["state"] not in {"dead", "expired"}]
        if len(set(living)) > 1:
            yield f"{name} is told to {destination} under several names: {living}"


def _not_told(kept: Kept, destinations: Sequence[str]) -> Iterator[str]:
    told = {(line["destination"], line["subject_id"]) for line in kept.lines}
    over = {(line["destination"], line["subject_id"]) for line in kept.lines if line["told_as"] in ENDINGS}
    flags = {row["id"]: row["flag"] for row in kept.episodes}
    highest: dict[str, int] = defaultdict(lambda: -1)
    for row in kept.events:
        subject = row["subject_id"]
        if row["type"] == "icing.station.blind" or flags.get(subject) == WANTED:
            level = row["body"].get("level")
            highest[subject] = max(highest[subject], PREPARE if level is None else _number(level))
    for subject, level in highest.items():
        for destination in destinations:
            if level >= PREPARE and (destination, subject) not in told:
                yield f"{destination} was never told of {subject}"
    for row in kept.events:
        for destination in destinations:
            key = (destination, row["subject_id"])
            if row["type"] in ENDINGS and key in told and key not in over:
                yield f"{destination} was not told the end of {row['subject_id']}"


def _gone_without_reason(kept: Kept) -> Iterator[str]:
    for line in kept.lines:
        if line["state"] == "dead" and not line["last_error"]:
            yield f"{line['id']} was given up without a reason"
        if line["state"] == "expired" and not line["last_error"] and line["settled_at"] < line["valid_until"]:
            yield f"{line['id']} ran out before its time"
        if line["valid_until"] <= line["made_at"]:
            yield f"{line['id']} was worth nothing from the beginning"


def _by_message(kept: Kept) -> dict[tuple[str, str], list[dict[str, Any]]]:
    """Return what each message tells, by its destination and by the name that it has there."""
    lines: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for line in kept.lines:
        name = line["id"]
        # A mail's Message-ID must not depend on what a name may hold: it is the beginning of its hash.
        there = hashlib.sha256(name.encode()).hexdigest()[:32] if line["destination"] in MAILBOXES.values() else name
        lines[line["destination"], there].append(line)
    return lines


def _arrivals_against_the_store(kept: Kept, seen: Recorder) -> Iterator[str]:
    lines = _by_message(kept)
    for item in seen.arrivals:
        known = lines.get((item.destination, item.id))
        if known is None:
            yield f"{item.id} arrived at {item.destination}, and the store does not know it"
        elif item.event is not None and item.event not in {line["event_id"] for line in known}:
            yield f"{item.id} told of {item.event}, and the store says {known[0]['event_id']}"
        elif item.event is not None and item.level != known[0]["level"]:
            yield f"{item.id} said level {item.level}, and the store {known[0]['level']}"
    taken = {(item.destination, item.id) for item in seen.arrivals if item.taken}
    for key, known in lines.items():
        if known[0]["state"] == "sent" and key not in taken:
            yield f"{known[0]['id']} is sent by the store's word, and never arrived at {key[0]}"


def _out_of_order(kept: Kept, seen: Recorder) -> Iterator[str]:
    lines = _by_message(kept)
    last: dict[tuple[str, str], int] = {}
    met: set[tuple[str, str]] = set()
    for item in seen.arrivals:
        key = (item.destination, item.id)
        if not item.taken or key in met:
            continue
        met.add(key)
        for line in lines.get(key, ()):
            subject = (item.destination, line["subject_id"])
            if line["number"] < last.get(subject, 0):
                yield f"{item.id} arrived at {item.destination} after something newer of {line['subject_id']}"
            last[subject] = line["number"]


def _contradictions(kept: Kept) -> Iterator[str]:
    stood: dict[tuple[str, str], set[int]] = defaultdict(set)
    bodies = {row["id"]: row["body"] for row in kept.events}
    for row in kept.events:
        level = row["body"].get("level")
        if level is not None:
            stood[row["subject_id"], "levels"].add(_number(level))
    told: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for line in kept.lines:
        if line["state"] != "dead" and line["state"] != "expired":
            told[line["destination"], line["subject_id"]].append(line)
    for (destination, subject), lines in told.items():
        if subject.startswith("service"):
            continue
        open_, level, before = False, None, {}
        for line in lines:
            kind, now, body = line["told_as"], line["level"], bodies.get(line["event_id"], {})
            where = f"{destination}, {line['event_id']}"
            opens = kind in OPENINGS
            # Of what another had heard of before, its fallback may hear the end alone.
            if opens == open_ and not (kind in ENDINGS and line["meant_for"]):
                yield f"{where}: {kind} of what {'stands open already' if opens else 'was never opened'}"
            open_ = kind not in ENDINGS
            same = level == now and level is not None
            worse = same and (_is_turned(before, body) or _is_earlier(before, body))
            if kind.endswith("raised") and not (worse or (level is not None and now > level)):
                yield f"{where}: raised from {level} to {now}"
            better = same and _is_turned(before, body)
            if kind.endswith("lowered") and not (better or (level is not None and now < level)):
                yield f"{where}: lowered from {level} to {now}"
            if now is not None and now not in stood[subject, "levels"]:
                yield f"{where}: level {now} never stood"
            level, before = now, body


def _is_turned(before: dict[str, Any], body: dict[str, Any]) -> bool:
    """Return whether two events say that without a holdover time something else is left."""
    kinds = {before.get("no_time"), body.get("no_time")}
    return len(kinds) == 2 and None not in kinds


def _is_earlier(before: dict[str, Any], body: dict[str, Any]) -> bool:
    """Return whether two events expect the same an hour or more apart, the later event earlier."""
    if {before.get("kind"), body.get("kind")} != {"expected"}:
        return False
    return datetime.fromisoformat(before["begins_at"]) - datetime.fromisoformat(body["begins_at"]) >= timedelta(hours=1)


def _handed_on(kept: Kept) -> Iterator[str]:
    """What a fallback is told had not arrived where it was meant for, and was not over unless it says so."""
    over = {row["subject_id"]: row["at"] for row in kept.events if row["type"] in ENDINGS}
    arrived = {
        (line["destination"], line["event_id"], line["repeat"]): line["settled_at"]
        for line in kept.lines
        if line["state"] == "sent"
    }
    for line in kept.lines:
        if not line["meant_for"]:
            continue
        there = arrived.get((line["meant_for"], line["event_id"], line["repeat"]))
        if there is not None and there < line["made_at"]:
            yield f"{line['id']} was handed on to {line['destination']}, and {line['meant_for']} had it already"
        ended = over.get(line["subject_id"])
        episode = not line["subject_id"].startswith(("service", "digest")) and "-" in line["subject_id"]
        if episode and ended is not None and ended < line["made_at"] and line["told_as"] not in ENDINGS:
            yield f"{line['id']} was handed on as {line['told_as']} after the end of {line['subject_id']}"
        if line["destination"] == line["meant_for"]:
            yield f"{line['id']} stands in for its own destination"


def _against_the_weather(kept: Kept, seen: Recorder) -> Iterator[str]:
    flags = {row["id"]: row["flag"] for row in kept.episodes}
    for row in kept.events:
        station, at, by = row["body"].get("station"), row["at"], mark_of(row["at"])
        offered = [item for item in seen.published if item.station == station]
        surely, perhaps = seen.heard(by, at)
        newest, last = _newest(offered, surely), _newest(offered, perhaps)
        freezing = flags.get(row["subject_id"]) == WANTED
        how = f"process {by}, which surely had what was offered at {surely:%H:%M:%S}, at {at:%H:%M:%S}"
        told = any(item.freezing and item.at <= perhaps for item in offered)
        if row["type"] == "icing.episode.opened" and freezing and not told:
            yield f"{row['id']}: opened, and no report of {station} told of it: {how}"
        over = any(item is not None and not item.freezing for item in (newest, last))
        if row["type"] == "icing.episode.closed" and freezing and not over:
            yield f"{row['id']}: closed, and the newest report of {station} still tells of it: {how}"
        if row["type"] == "icing.station.blind" and newest is not None and at - newest.observed_at < MARGIN:
            yield f"{row['id']}: blind, and {station} reported {at - newest.observed_at} before: {how}"


def _newest(offered: Sequence[Published], until: datetime) -> Published | None:
    """Return the report that the feed's file held at a time."""
    known = (item for item in offered if item.at <= until)
    return max(known, key=lambda item: (item.observed_at, item.at), default=None)


def _never_judged(kept: Kept, seen: Recorder) -> Iterator[str]:
    """Freezing precipitation that a process was answered with stands open when the same one asks again."""
    open_: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in kept.episodes:
        if row["flag"] == WANTED and row["opened_at"] is not None:
            open_[row["station"]].append(row)
    offered: dict[str, list[Published]] = defaultdict(list)
    for item in seen.published:
        offered[item.station].append(item)
    judged: set[Published] = set()
    for ask, next_ask in pairwise(seen.asked):
        if ask.by != next_ask.by:
            continue
        for station, items in offered.items():
            newest = _newest(items, ask.at)
            if newest is None or newest in judged:
                continue
            judged.add(newest)
            if (
                newest.freezing
                and next_ask.at - newest.observed_at < FRESH
                and not any(
                    row["opened_at"] <= next_ask.at and (row["ended_at"] is None or row["ended_at"] >= ask.at)
                    for row in open_[station]
                )
            ):
                yield (
                    f"{station}: {newest.text} was given to process {ask.by} at {ask.at:%H:%M:%S} and opened nothing "
                    f"until it asked again at {next_ask.at:%H:%M:%S}"
                )


def silent_and_not_blind(kept: Kept, seen: Recorder, now: datetime, after: timedelta) -> list[str]:
    """Return the stations that reported nothing for so long and are not called blind."""
    newest: dict[str, datetime] = {}
    for item in seen.published:
        newest[item.station] = max(newest.get(item.station, item.observed_at), item.observed_at)
    blind = {row["station"] for row in kept.stations if row["blind_since"] is not None}
    return [station for station, at in newest.items() if now - at > after and station not in blind]


def _number(level: str | int) -> int:
    return level if isinstance(level, int) else WORDS[level] or 0

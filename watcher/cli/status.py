"""`hoarline status`: how the service does, what is wrong and what to do, in the words of the board's page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from datetime import datetime

    from watcher.service.cycle import Watch
    from watcher.service.health import Readiness
    from watcher.service.status import Status
    from watcher.service.status_words import Finding
    from watcher.settings import Settings
    from watcher.store.model import SchemaStatus
    from watcher.store.store import Store

_TEXTS = 20


@dataclass(frozen=True, slots=True)
class _Kept:
    """What the store says: messages by state, how many stations it knows, the term of the last leader.

    `led`: whether a process leads, on whichever machine.
    """

    status: Status
    counts: dict[str, int]
    stations: int
    term: int
    led: bool


@dataclass(frozen=True, slots=True)
class _Answer:
    """All that is printed. `kept`, `schema`: None where the store does not answer."""

    findings: list[Finding]
    kept: _Kept | None
    schema: SchemaStatus | None
    watch: Watch
    ready: Readiness
    now: datetime


def status(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    r"""Say how the service does, what is wrong, worst first, and what to do; exit 1 when it does not do its job.

    Asks the database, and the service on this machine where \[health] bind says. Changes nothing.
    """
    from watcher.cli.options import print_json, settings_from
    from watcher.clock import utc_now
    from watcher.errors import StoreError
    from watcher.service.status_words import wrong
    from watcher.service.watched import build_watch
    from watcher.store.schema import schema_status

    settings, now = settings_from(config), utc_now()
    watch, ready = build_watch(settings), _ready(settings)
    kept: _Kept | None = None
    schema: SchemaStatus | None = None
    try:
        schema = schema_status(settings.text.store.url)
        kept = _kept(settings, watch, ready, now)
    except StoreError as error:
        problem = f"the store does not answer: {error}"
        findings = wrong([problem, *(item for item in ready.problems if not item.startswith("the store"))])
    else:
        findings = kept.status.wrong
    answer = _Answer(findings, kept, schema, watch, ready, now)
    if as_json:
        print_json(_as_json(answer))
    else:
        for line in _lines(answer):
            typer.echo(line)
    if findings:
        raise typer.Exit(1)


def _ready(settings: Settings) -> Readiness:
    """Return what the service on this machine says of itself; that nobody answers is the first that is wrong."""
    from watcher.cli.probing import probe
    from watcher.errors import NetError
    from watcher.service.health import Readiness

    bind = settings.text.health.bind
    try:
        found = probe(bind)
    except NetError:
        return Readiness((f"the service does not answer at {bind}",), {})
    return Readiness(found.problems, found.values)


def _kept(settings: Settings, watch: Watch, ready: Readiness, now: datetime) -> _Kept:
    from watcher.service.directory import read_directory
    from watcher.service.status import LATELY, status_of
    from watcher.store.store import Store

    store = Store.open(settings.text.store.url, create=False)
    try:
        known = store.station_codes()
        blind = store.blind_stations() & known if watch.codes is None else store.blind_stations() & watch.codes
        counts = store.outbox_counts()
        led = ready.values.get("role") == "leads" or _is_led(store)
        if not led:
            ready = replace(ready, problems=(*ready.problems, "no process leads"))
        found = status_of(
            ready,
            views=store.load([watch.stations.get(code) for code in sorted(blind)], now=now),
            counts=counts,
            backlog=store.backlog(now, late=settings.text.caretaker.late, lately=LATELY),
            directory=read_directory(settings, store.people()),
            unreadable=store.unreadable(_TEXTS),
            tables=watch.tables.sets if watch.tables is not None else (),
            now=now,
        )
        stations = len(known) if watch.codes is None else len(watch.codes)
        return _Kept(found, counts, stations, store.term(), led)
    finally:
        store.close()


def _is_led(store: Store) -> bool:
    """Return whether a process leads: whether its lock is taken. Where it is free it is given back at once."""
    leadership = store.leadership()
    try:
        return not leadership.stand_in()
    finally:
        leadership.resign()


def _lines(answer: _Answer) -> Iterator[str]:
    from watcher import __version__
    from watcher.notify.wording import when

    findings, kept, schema, watch = answer.findings, answer.kept, answer.schema, answer.watch
    yield f"The service {'does not do' if findings else 'does'} its job.  {when(answer.now, None)}"
    yield from _told("What is wrong", findings)
    if kept is not None:
        yield from _told("Worth a look", kept.status.look)
    yield ""
    yield _line("Service", f"hoarline {__version__}, {_role(answer.ready, kept)}")
    if kept is not None:
        yield from _work(kept)
    if schema is not None:
        yield _line("Database", f"schema {schema.revision or 'none'}, {schema.state.value}; needed {schema.needed}")
    yield _line("Rules", f"{len(watch.rulebook.rules)} rules, fingerprint {watch.rulebook.fingerprint}")
    if kept is not None:
        for item in kept.status.sets:
            yield _line("Tables", f"{item.name}, {item.authority} {item.season}: {item.state}, valid {item.valid}")


def _work(kept: _Kept) -> Iterator[str]:
    from watcher.store.model import DeliveryState
    from watcher.web.deliveries_shown import STATES

    yield _line("Last turn", kept.status.last_turn or "not known")
    for feed in kept.status.feeds:
        newest = f"newest report {feed.newest}" if feed.newest is not None else "no report seen"
        yield _line("Feed", f"{feed.name}: {newest}, answered {feed.answered or 'not yet'}")
        if feed.state:
            yield _line("", feed.state)
    yield _line("Stations", f"{kept.stations} watched, {len(kept.status.blind)} blind")
    yield _line("Messages", ", ".join(f"{kept.counts[state.value]} {STATES[state]}" for state in DeliveryState))


def _line(label: str, text: str) -> str:
    from watcher.cli.marks import shown
    from watcher.notify.wording import plain

    return shown(f"{label:<11}{plain(text)}")


def _told(title: str, findings: list[Finding]) -> Iterator[str]:
    from watcher.cli.marks import shown
    from watcher.notify.wording import plain

    if findings:
        yield ""
        yield title
        for finding in findings:
            yield shown(f"  {plain(finding.what)}")
            yield shown(f"    {plain(finding.do)}")


def _role(ready: Readiness, kept: _Kept | None) -> str:
    role = str(ready.values.get("role", "not reached"))
    if kept is None or not kept.led:
        return role
    return f"leads (term {kept.term})" if role == "leads" else f"{role}; another process leads (term {kept.term})"


def _as_json(answer: _Answer) -> dict[str, object]:
    from watcher import __version__
    from watcher.units import iso_z

    kept, schema, watch, ready = answer.kept, answer.schema, answer.watch, answer.ready
    found = kept.status if kept is not None else None
    return {
        "well": not answer.findings,
        "as_of": iso_z(answer.now),
        "wrong": _findings(answer.findings),
        "look": _findings(found.look) if found is not None else None,
        "version": __version__,
        "role": ready.values.get("role"),
        "led": kept.led if kept is not None else None,
        "term": kept.term if kept is not None else None,
        "last_turn_at": ready.values.get("last_turn_at"),
        "feeds": ready.values.get("feeds"),
        "stations": kept.stations if kept is not None else None,
        "blind": [item.code for item in found.blind] if found is not None else None,
        "messages": kept.counts if kept is not None else None,
        "schema": (
            {"state": schema.state.value, "schema": schema.revision, "needed": schema.needed}
            if schema is not None
            else None
        ),
        "rules": {"rules": len(watch.rulebook.rules), "fingerprint": watch.rulebook.fingerprint},
        "tables": (
            [
                {"name": item.name, "authority": item.authority, "season": item.season, "state": item.state}
                for item in found.sets
            ]
            if found is not None
            else None
        ),
    }


def _findings(findings: list[Finding]) -> list[dict[str, str]]:
    return [{"what": item.what, "do": item.do} for item in findings]
